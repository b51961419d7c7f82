#include "part_commands.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool number(const char *text, double *value)
{
	char *end;

	*value = strtod(text, &end);
	return end != text;
}

#define SET_NUMBER(name, target) \
	static bool name(const struct parts *p, const char *a) { return number(a, &p->target); }

SET_NUMBER(pack_v, circuit->pack_v)
SET_NUMBER(pack_ohm, circuit->pack_ohm)
SET_NUMBER(pack_speed, circuit->pack_speed)
SET_NUMBER(load_ma, circuit->load_ma)
SET_NUMBER(load_ohm, circuit->load_ohm)
SET_NUMBER(shunt_ohm, circuit->shunt_ohm)

static bool pack_table(const struct parts *p, const char *a) { return table_read(&p->circuit->pack, a); }

static bool load_table(const struct parts *p, const char *a)
{
	char path[1024];

	return sscanf(a, "%lf %1023[^\n]", &p->circuit->load_period_us, path) == 2 && table_read(&p->circuit->load, path);
}

static bool load_noise(const struct parts *p, const char *a)
{
	unsigned long long seed;

	if (sscanf(a, "%lf %llu", &p->circuit->noise_ma, &seed) != 2)
		return false;
	p->circuit->noise_seed = seed;
	return true;
}

static bool wiring(const struct parts *p, const char *a)
{
	p->circuit->swapped = !strcmp(a, "swapped");
	return p->circuit->swapped || !strcmp(a, "right");
}

static bool load_switch(const struct parts *p, const char *a)
{
	double shunt_v, bus_v;

	circuit_at(p->circuit, p->now, &shunt_v, &bus_v); /* what went before belongs to the old state */
	p->circuit->bypassed = !strcmp(a, "welded") || !strcmp(a, "bridged");
	return p->circuit->bypassed || !strcmp(a, "right");
}

static bool sensor(const struct parts *p, const char *a)
{
	char kind[16];
	unsigned address;
	enum sensor_kind which;

	if (sscanf(a, "%15s %x", kind, &address) != 2)
		return false;
	which = !strcmp(kind, "ina219") ? SENSOR_INA219 : !strcmp(kind, "ina226") ? SENSOR_INA226
	      : !strcmp(kind, "ina228") ? SENSOR_INA228 : SENSOR_NONE;
	sensor_setup(p->sensor, which, (uint8_t)address, p->now);
	return which != SENSOR_NONE;
}

/* a clone: other numbers in the identification registers */
static bool sensor_ids(const struct parts *p, const char *a)
{
	unsigned maker, die;

	if (sscanf(a, "%x %x", &maker, &die) != 2)
		return false;
	p->sensor->maker = (uint16_t)maker;
	p->sensor->die_id = (uint16_t)die;
	return true;
}

static bool sensor_absent(const struct parts *p, const char *a)
{
	(void)a;
	p->sensor->present = false;
	return true;
}

static bool sensor_present(const struct parts *p, const char *a)
{
	(void)a;
	p->sensor->present = true;
	sensor_power_on(p->sensor, p->now); /* its supply lead was off: registers as after power-on */
	return true;
}

static bool sensor_moments(const struct parts *p, const char *a) { return number(a, &p->sensor->moments); }
static bool sensor_clock(const struct parts *p, const char *a) { return number(a, &p->sensor->clock_factor); }

static bool sensor_force(const struct parts *p, const char *a)
{
	p->sensor->forced = true;
	return sscanf(a, "%d %d", &p->sensor->forced_shunt, &p->sensor->forced_bus) == 2;
}

static const struct {
	const char *name;
	bool (*run)(const struct parts *p, const char *arguments);
} commands[] = {
	{"pack-v", pack_v}, {"pack-ohm", pack_ohm}, {"pack-speed", pack_speed}, {"pack-table", pack_table},
	{"load-ma", load_ma}, {"load-ohm", load_ohm}, {"load-table", load_table}, {"load-noise", load_noise},
	{"shunt-ohm", shunt_ohm}, {"wiring", wiring}, {"switch", load_switch},
	{"sensor", sensor}, {"sensor-ids", sensor_ids}, {"sensor-absent", sensor_absent}, {"sensor-present", sensor_present},
	{"sensor-clock", sensor_clock}, {"sensor-moments", sensor_moments}, {"sensor-force", sensor_force},
};

bool part_command(const struct parts *p, const char *text)
{
	size_t length = strcspn(text, " ");

	sensor_advance(p->sensor, p->now); /* what went before belongs to the old state */
	for (size_t i = 0; i < sizeof commands / sizeof *commands; i++)
		if (strlen(commands[i].name) == length && !strncmp(commands[i].name, text, length))
			return commands[i].run(p, text[length] ? text + length + 1 : "");
	return false;
}
