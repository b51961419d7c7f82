#include "script_commands.h"

#include <stdio.h>
#include <string.h>

#include "part_commands.h"
#include "parts.h"

struct command {
	const char *name;
	bool (*run)(struct bench *b, const char *arguments);
};

/* first cell, count: from now on they keep what they hold, whatever is written */
static bool eeprom_worn(struct bench *b, const char *a)
{
	avr_eeprom_desc_t cells = {.ee = b->worn};

	if (sscanf(a, "%u %u", &b->worn_first, &b->worn_count) != 2 || b->worn_count > sizeof b->worn)
		return false;
	cells.offset = (uint16_t)b->worn_first;
	cells.size = b->worn_count;
	avr_ioctl(b->chip.avr, AVR_IOCTL_EEPROM_GET, &cells);
	return true;
}

static bool switch_fitted(struct bench *b, const char *a)
{
	(void)a;
	chip_drive_pin(&b->chip, 'D', 3, false); /* the 10 kOhm to ground */
	return true;
}

static bool send(struct bench *b, const char *a)
{
	for (; *a; a++)
		chip_receive(&b->chip, (uint8_t)*a);
	chip_receive(&b->chip, '\n');
	return true;
}

static bool send_hex(struct bench *b, const char *a)
{
	unsigned byte;

	for (; sscanf(a, "%2x", &byte) == 1; a += 2)
		chip_receive(&b->chip, (uint8_t)byte);
	return *a == 0;
}

static bool host_baud(struct bench *b, const char *a) { return sscanf(a, "%u", &b->chip.host_baud) == 1; }

static bool reset(struct bench *b, const char *a)
{
	static const char *const names[] = {[RESET_POWER] = "power", [RESET_EXTERNAL] = "external", [RESET_BROWNOUT] = "brownout"};

	for (int i = 0; i < 3; i++)
		if (!strcmp(a, names[i]))
			b->wants_reset = i;
	return b->wants_reset >= 0;
}

static bool stall(struct bench *b, const char *a)
{
	(void)a;
	return b->wants_stall = true;
}

static bool bus(struct bench *b, const char *a)
{
	int clocks = 0;

	if (!strncmp(a, "sda-low", 7)) {
		sscanf(a + 7, "%d", &clocks);
		chip_bus_fault(&b->chip, BUS_SDA_LOW, clocks);
	} else if (!strcmp(a, "scl-low")) {
		chip_bus_fault(&b->chip, BUS_SCL_LOW, 0);
	} else if (!strcmp(a, "free")) {
		chip_bus_fault(&b->chip, BUS_FREE, 0);
	} else {
		return false;
	}
	return true;
}

static bool poke(struct bench *b, const char *a)
{
	char symbol[64];
	int bytes;
	unsigned long long value;

	return sscanf(a, "%63s %d %llu", symbol, &bytes, &value) == 3 && chip_poke(&b->chip, symbol, bytes, value);
}

static bool poke_main(struct bench *b, const char *a)
{
	struct main_poke *poke = &b->chip.main_pokes[b->chip.main_poke_count];
	unsigned long long value;

	if (b->chip.main_poke_count == 8 || sscanf(a, "%63s %d %llu", poke->symbol, &poke->bytes, &value) != 3)
		return false;
	poke->value = value;
	b->chip.main_poke_count++;
	return true;
}

static bool adc_reference_mv(struct bench *b, const char *a)
{
	double mv;

	if (sscanf(a, "%lf", &mv) != 1)
		return false;
	chip_set_adc_reference(&b->chip, (unsigned)mv);
	return true;
}

static bool joint_ohm(struct bench *b, const char *a)
{
	int joint;
	double ohm;

	if (sscanf(a, "%d %lf", &joint, &ohm) != 2 || joint < 1 || joint > JOINTS)
		return false;
	b->circuit.joint[joint - 1].ohm = ohm;
	return true;
}

/* joint, cycle, delay from the cycle's beginning, length (0: for good), both in microseconds */
static bool joint_open(struct bench *b, const char *a)
{
	struct flex_open *open = &b->chip.opens[b->chip.open_count];
	unsigned long long cycle, delay, length;

	if (b->chip.open_count == 64 ||
	    sscanf(a, "%d %llu %llu %llu", &open->joint, &cycle, &delay, &length) != 4 || open->joint < 1 || open->joint > JOINTS)
		return false;
	open->joint--;
	open->cycle = cycle;
	open->delay_us = delay;
	open->length_us = length;
	b->chip.open_count++;
	return true;
}

/* period, turns, time of bounce after each edge (0: none); microseconds; first closure after one period */
static bool cam(struct bench *b, const char *a)
{
	unsigned long long period, turns, bounce;

	if (sscanf(a, "%llu %llu %llu", &period, &turns, &bounce) != 3)
		return false;
	b->cam = (struct limit_switch){.turn_begin = bench_now(b) + period * CYCLES_PER_US, .period = period * CYCLES_PER_US,
				       .bounce = bounce * CYCLES_PER_US, .turns = turns};
	chip_flex_cycle_begins(&b->chip, 1);
	return true;
}

static bool unplug(struct bench *b, const char *a)
{
	b->keeps_power = !strcmp(a, "keeps-power");
	return b->wants_unplug = true;
}

static bool plug(struct bench *b, const char *a)
{
	(void)a;
	return b->wants_plug = true;
}

static bool end(struct bench *b, const char *a)
{
	(void)a;
	return b->ended = true;
}

static const struct command commands[] = {
	{"switch-fitted", switch_fitted}, {"eeprom-worn", eeprom_worn},
	{"send", send}, {"send-hex", send_hex}, {"host-baud", host_baud},
	{"reset", reset}, {"stall", stall}, {"bus", bus}, {"poke", poke}, {"poke-main", poke_main},
	{"adc-reference-mv", adc_reference_mv}, {"joint-ohm", joint_ohm}, {"joint-open", joint_open}, {"cam", cam},
	{"unplug", unplug}, {"plug", plug}, {"end", end},
};

bool script_command(void *bench, const char *text)
{
	struct bench *b = bench;
	struct parts parts = {.sensor = &b->sensor, .circuit = &b->circuit, .now = bench_now(b)};
	size_t length = strcspn(text, " ");

	if (part_command(&parts, text))
		return true;
	for (size_t i = 0; i < sizeof commands / sizeof *commands; i++)
		if (strlen(commands[i].name) == length && !strncmp(commands[i].name, text, length))
			return commands[i].run(b, text[length] ? text + length + 1 : "");
	return false;
}
