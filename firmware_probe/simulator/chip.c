#include "chip.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

/* From the sketch's pins.h: load switch D3, limit switch D2, servo D9, joints A0 to A3. */
enum { LOAD_SWITCH_PORT = 'D', LOAD_SWITCH_PIN = 3 };
enum { SDA_PIN = 4, SCL_PIN = 5 }; /* port C */
enum { RUN_CYCLES = 16000 }; /* most cycles between two looks around */
static const double SUPPLY_V = 5.0;
static const double JOINT_SERIES_OHM = 220; /* settings.h: JOINT_RESISTOR_TENTHS */

enum { TWI_START = 0x08, TWI_REPEATED_START = 0x10, TWI_ADDRESS_ACK = 0x18, TWI_ADDRESS_NACK = 0x20 };
enum { TWI_DATA_ACK = 0x28, TWI_DATA_NACK = 0x30 };

struct chip *the_chip;

DEFINE_FIFO(uint16_t, uart_fifo);

void chip_event(struct chip *chip, const char *format, ...)
{
	va_list arguments;

	if (!chip->events)
		return;
	fprintf(chip->events, "%.4f ", (double)chip->avr->cycle / CYCLES_PER_US);
	va_start(arguments, format);
	vfprintf(chip->events, format, arguments);
	va_end(arguments);
	fputc('\n', chip->events);
}

/* ---- I2C: simavr takes 1 us per bit whatever TWBR says, and no time at all for SLA+W ---- */

void __real_avr_cycle_timer_register_usec(avr_t *avr, uint32_t when, avr_cycle_timer_t timer, void *param);
void __wrap_avr_cycle_timer_register_usec(avr_t *avr, uint32_t when, avr_cycle_timer_t timer, void *param);

static avr_cycle_count_t twi_bit_cycles(const struct chip *chip)
{
	/* ATmega328P data sheet, Bit Rate Generator Unit: f_CPU / (16 + 2 TWBR 4^TWPS) */
	unsigned prescaler = chip->avr->data[chip->twi->r_twsr] & 3;

	return 16 + 2u * chip->avr->data[chip->twi->r_twbr] * (1u << 2 * prescaler);
}

void __wrap_avr_cycle_timer_register_usec(avr_t *avr, uint32_t when, avr_cycle_timer_t timer, void *param)
{
	struct chip *chip = the_chip;
	avr_cycle_count_t bit, cycles;

	if (!chip || param != chip->twi) {
		__real_avr_cycle_timer_register_usec(avr, when, timer, param);
		return;
	}
	if (chip->bus_fault != BUS_FREE)
		return; /* neither start nor byte ever ends */
	bit = twi_bit_cycles(chip);
	switch (chip->twi->next_twstate) {
	case TWI_START:
		cycles = bit + (chip->bus_free_at > avr->cycle ? chip->bus_free_at - avr->cycle : 0);
		break;
	case TWI_REPEATED_START:
		cycles = bit + bit / 2;
		break;
	case TWI_DATA_ACK:
	case TWI_DATA_NACK:
		if (when == 0) /* this was the address: simavr reports the state of a data byte */
			chip->twi->next_twstate = chip->twi->next_twstate == TWI_DATA_ACK ? TWI_ADDRESS_ACK : TWI_ADDRESS_NACK;
		/* fall through */
	default:
		cycles = 9 * bit;
	}
	avr_cycle_timer_register(avr, cycles, timer, param);
}

static void twi_hook(avr_irq_t *irq, uint32_t value, void *param)
{
	struct chip *chip = param;
	avr_twi_msg_irq_t message = {.u.v = value};
	uint8_t what = message.u.twi.msg;
	uint64_t now = chip->avr->cycle;
	avr_irq_t *input = avr_io_getirq(chip->avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_INPUT);

	(void)irq;
	if (what & TWI_COND_STOP) {
		sensor_i2c_stop(chip->sensor);
		chip->bus_free_at = now + 2 * twi_bit_cycles(chip);
	}
	if (chip->bus_fault != BUS_FREE)
		return;
	if (what & TWI_COND_START) {
		if (sensor_i2c_start(chip->sensor, message.u.twi.addr, now))
			avr_raise_irq(input, avr_twi_irq_msg(TWI_COND_ACK, message.u.twi.addr, 1));
	} else if (what & TWI_COND_WRITE) {
		if (sensor_i2c_write(chip->sensor, message.u.twi.data, now))
			avr_raise_irq(input, avr_twi_irq_msg(TWI_COND_ACK, message.u.twi.addr, 1));
	} else if (what & TWI_COND_READ) {
		avr_raise_irq(input, avr_twi_irq_msg(TWI_COND_READ, message.u.twi.addr, sensor_i2c_read(chip->sensor, now)));
	}
}

void chip_bus_fault(struct chip *chip, enum bus_fault fault, int clocks_to_free)
{
	chip->bus_fault = fault;
	chip->clocks_to_free = clocks_to_free;
	sensor_i2c_stop(chip->sensor);
	chip_drive_pin(chip, 'C', SDA_PIN, fault != BUS_SDA_LOW);
	chip_drive_pin(chip, 'C', SCL_PIN, fault != BUS_SCL_LOW);
	chip_event(chip, "bus %s", fault == BUS_FREE ? "free" : fault == BUS_SDA_LOW ? "sda-low" : "scl-low");
}

/* A device that holds SDA lets go when the master has clocked its byte out by hand. */
static void scl_hook(avr_irq_t *irq, uint32_t value, void *param)
{
	struct chip *chip = param;

	(void)irq;
	if (value && chip->bus_fault == BUS_SDA_LOW && chip->clocks_to_free > 0 && --chip->clocks_to_free == 0)
		chip_bus_fault(chip, BUS_FREE, 0);
}

/* ---- pins ---- */

void chip_drive_pin(struct chip *chip, char port, int pin, bool level)
{
	int i = port - 'B';
	uint8_t bit = (uint8_t)(1 << pin);
	avr_ioport_external_t external = {.name = (unsigned long)port};

	chip->external_mask[i] |= bit;
	chip->external_value[i] = level ? chip->external_value[i] | bit : chip->external_value[i] & ~bit;
	external.mask = chip->external_mask[i];
	external.value = chip->external_value[i];
	avr_ioctl(chip->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &external);
	avr_raise_irq(avr_io_getirq(chip->avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin), level);
}

static void load_switch_update(struct chip *chip)
{
	avr_ioport_state_t state;
	bool closed;

	avr_ioctl(chip->avr, AVR_IOCTL_IOPORT_GETSTATE(LOAD_SWITCH_PORT), &state);
	closed = state.ddr & state.port & 1 << LOAD_SWITCH_PIN; /* not driven: the 10 kOhm pulls it down */
	if (!(chip->external_mask[LOAD_SWITCH_PORT - 'B'] & 1 << LOAD_SWITCH_PIN))
		closed = true; /* no switch fitted: the load is wired to 0 V */
	if (closed == chip->circuit->switch_closed)
		return;
	sensor_advance(chip->sensor, chip->avr->cycle);
	circuit_set_switch(chip->circuit, chip->avr->cycle, closed);
	chip_event(chip, "switch %s", closed ? "closed" : "open");
}

static void load_switch_hook(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	(void)value;
	load_switch_update(param);
}

/* ---- flex rig ---- */

void chip_flex_cycle_begins(struct chip *chip, uint64_t cycle)
{
	uint64_t now = chip->avr->cycle;

	for (int i = 0; i < chip->open_count; i++) {
		struct flex_open *open = &chip->opens[i];
		struct joint *joint = &chip->circuit->joint[open->joint];

		if (open->cycle != cycle)
			continue;
		joint->open_from = now + open->delay_us * CYCLES_PER_US;
		joint->open_until = open->length_us ? joint->open_from + open->length_us * CYCLES_PER_US : UINT64_MAX;
		chip_event(chip, "joint %d opens in cycle %llu", open->joint + 1, (unsigned long long)cycle);
	}
}

/* Timer 1 output A. The first width is home; away and back again is one cycle of the servo. */
static void servo_hook(avr_irq_t *irq, uint32_t value, void *param)
{
	struct chip *chip = param;
	double width_us;

	(void)irq;
	if (value & 1) {
		chip->servo_rise = chip->avr->cycle;
		return;
	}
	if (!chip->servo_rise)
		return;
	width_us = (double)(chip->avr->cycle - chip->servo_rise) / CYCLES_PER_US;
	chip->servo_rise = 0;
	if (fabs(width_us - chip->servo_us) < 1)
		return;
	chip->servo_us = width_us;
	chip_event(chip, "servo %.1f", width_us);
	if (chip->servo_home_us == 0) {
		chip->servo_home_us = width_us;
	} else if (!chip->servo_away) {
		chip->servo_away = true;
		chip_flex_cycle_begins(chip, chip->servo_cycles + 1);
	} else if (fabs(width_us - chip->servo_home_us) < 1.5) {
		chip->servo_away = false;
		chip->servo_cycles++;
	}
}

/* Internal reference of the converter; a chip's own may lie between 1.0 and 1.2 V (data sheet). */
void chip_set_adc_reference(struct chip *chip, unsigned mv)
{
	chip->adc_reference_mv = mv;
	chip->adc->ref_values[3] = (uint16_t)mv;
	chip->adc->muxmode[14].src = mv;
}

/* Holds the joint's voltage as it is at the start of the conversion. simavr reckons in whole
 * millivolts and divides by 1023: give it the millivolts that make the true code. */
static void adc_hook(avr_irq_t *irq, uint32_t value, void *param)
{
	struct chip *chip = param;
	avr_adc_mux_t mux = {0}; /* longer than the 32 bits of it that are sent */
	double volt;
	unsigned code, reference_mv = chip->avr->data[chip->adc->r_admux] >> 6 == 3 ? chip->adc_reference_mv : 5000;

	(void)irq;
	memcpy(&mux, &value, sizeof value);
	if (mux.kind != ADC_MUX_SINGLE || mux.src >= JOINTS)
		return;
	volt = joint_v(&chip->circuit->joint[mux.src], chip->avr->cycle, SUPPLY_V, JOINT_SERIES_OHM);
	code = (unsigned)fmin(volt * 1e3 / reference_mv * 1024, 1023);
	chip->adc->adc_values[mux.src] = (uint16_t)((code * reference_mv + 1022) / 1023);
}

/* ---- UART: simavr counts 11 bits a byte, and has 64 bytes of receive buffer ---- */

static double board_bit_cycles(const struct chip *chip)
{
	avr_t *avr = chip->avr;
	unsigned ubrr = avr_regbit_get(avr, chip->uart->ubrrl) | avr_regbit_get(avr, chip->uart->ubrrh) << 8;

	return (ubrr + 1) * (avr_regbit_get(avr, chip->uart->u2x) ? 8 : 16);
}

static double host_bit_cycles(const struct chip *chip)
{
	return chip->host_baud ? (double)chip->avr->frequency / chip->host_baud : board_bit_cycles(chip);
}

static void uart_hook(avr_irq_t *irq, uint32_t value, void *param)
{
	struct chip *chip = param;
	double bit = board_bit_cycles(chip);
	uint8_t byte = (uint8_t)value;
	bool framing_error;

	(void)irq;
	chip->uart->cycles_per_byte = (avr_cycle_count_t)(10 * bit); /* before simavr starts its pump */
	if (!baud_differs(bit, host_bit_cycles(chip))) {
		chip->transmit(chip->transmit_param, byte);
		return;
	}
	chip->to_host.sender_bit = bit;
	chip->to_host.receiver_bit = host_bit_cycles(chip);
	baud_send(&chip->to_host, (double)chip->avr->cycle, byte);
	while (baud_receive(&chip->to_host, (double)chip->avr->cycle, &byte, &framing_error))
		chip->transmit(chip->transmit_param, byte);
}

void chip_receive(struct chip *chip, uint8_t byte) { chip->rx[chip->rx_head++ % RX_QUEUE] = byte; }

unsigned chip_rx_room(const struct chip *chip) { return RX_QUEUE - (chip->rx_head - chip->rx_tail); }

static void give_byte(struct chip *chip, uint8_t byte, bool framing_error)
{
	/* the chip holds two bytes and the one being shifted in */
	if (uart_fifo_get_read_size(&chip->uart->input) >= 3) {
		chip->rx_overruns++;
		chip_event(chip, "overrun");
		avr_regbit_set(chip->avr, chip->uart->dor);
		return;
	}
	chip->uart->cycles_per_byte = (avr_cycle_count_t)(10 * board_bit_cycles(chip));
	avr_raise_irq(avr_io_getirq(chip->avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT),
		      byte | (framing_error ? UART_INPUT_FE : 0));
}

uint64_t chip_feed(struct chip *chip)
{
	uint64_t now = chip->avr->cycle;
	double host_bit = host_bit_cycles(chip), board_bit = board_bit_cycles(chip);
	bool framing_error = false;
	uint8_t byte;

	while (chip->rx_tail != chip->rx_head && chip->rx_next <= now) {
		byte = chip->rx[chip->rx_tail++ % RX_QUEUE];
		chip->rx_next = (chip->rx_next + 20 * host_bit < now ? now : chip->rx_next) + (uint64_t)(10 * host_bit);
		if (!baud_differs(host_bit, board_bit)) {
			give_byte(chip, byte, false);
			continue;
		}
		chip->to_board.sender_bit = host_bit;
		chip->to_board.receiver_bit = board_bit;
		baud_send(&chip->to_board, (double)now, byte);
	}
	while (baud_receive(&chip->to_board, (double)now, &byte, &framing_error))
		give_byte(chip, byte, framing_error);
	if (chip->to_board.head != chip->to_board.tail)
		return now + (uint64_t)board_bit;
	return chip->rx_tail == chip->rx_head ? UINT64_MAX : chip->rx_next;
}

/* ---- resets ---- */

/* simavr calls this in the middle of avr_reset, when it has wiped all cycle timers. */
static void reset_hook(struct avr_t *avr)
{
	struct chip *chip = the_chip;

	if (chip->core_reset)
		chip->core_reset(avr);
	chip->before_main = chip->main_poke_count > 0;
	avr->run_cycle_limit = chip->before_main ? 1 : RUN_CYCLES;
	chip->just_reset = true;
	if (chip->tick)
		avr_cycle_timer_register(avr, 1, chip->tick, chip->tick_param);
}

void chip_settle(struct chip *chip)
{
	if (!chip->just_reset)
		return;
	chip->just_reset = false;
	if (chip->stalled) {
		memcpy(chip->avr->flash + chip->stall_pc, chip->stall_saved, 2);
		chip->stalled = false;
	}
	for (uint8_t i = 0; i < 2; i++) /* simavr would look at every cycle whether D2 or D3 is still low */
		avr_extint_set_strict_lvl_trig(chip->avr, i, 0);
	chip->servo_rise = 0;
	chip->servo_us = chip->servo_home_us = 0;
	chip->servo_away = false;
	for (int i = 0; i < 3; i++)
		for (int pin = 0; pin < 8; pin++)
			if (chip->external_mask[i] & 1 << pin) {
				bool level = chip->external_value[i] >> pin & 1;
				avr_irq_t *irq = avr_io_getirq(chip->avr, AVR_IOCTL_IOPORT_GETIRQ('B' + i), pin);

				irq->value = !level; /* or the filter would swallow it */
				avr_raise_irq(irq, level);
			}
	load_switch_update(chip);
	chip_event(chip, "boot mcusr=%02x", chip->avr->data[chip->avr->reset_flags.porf.reg]);
}

static void fill_ram(struct chip *chip)
{
	avr_t *avr = chip->avr;
	uint32_t state = 0x2545F491;

	for (unsigned at = avr->ioend + 1u; at <= avr->ramend; at++) {
		state ^= state << 13;
		state ^= state >> 17;
		state ^= state << 5;
		avr->data[at] = (uint8_t)(state >> 9);
	}
	memcpy(chip->ram_at_boot, avr->data, avr->ramend + 1u);
}

void chip_reset(struct chip *chip, enum reset_cause cause)
{
	avr_regbit_t flag = cause == RESET_POWER ? chip->avr->reset_flags.porf
	                    : cause == RESET_EXTERNAL ? chip->avr->reset_flags.extrf : chip->avr->reset_flags.borf;

	avr_reset(chip->avr);
	avr_regbit_set(chip->avr, flag);
	if (cause != RESET_EXTERNAL) {
		if (cause == RESET_POWER)
			fill_ram(chip);
		sensor_advance(chip->sensor, chip->avr->cycle);
		sensor_power_on(chip->sensor, chip->avr->cycle); /* it hangs on the same supply */
	}
}

bool chip_stall(struct chip *chip)
{
	static const uint8_t rjmp_to_itself[] = {0xFF, 0xCF};

	if (!chip->avr->sreg[S_I] || chip->avr->state != cpu_Running)
		return false;
	chip->stall_pc = chip->avr->pc;
	memcpy(chip->stall_saved, chip->avr->flash + chip->stall_pc, 2);
	memcpy(chip->avr->flash + chip->stall_pc, rjmp_to_itself, 2);
	chip->stalled = true;
	chip_event(chip, "stall");
	return true;
}

bool chip_poke(struct chip *chip, const char *symbol, int bytes, uint64_t value)
{
	size_t length = strlen(symbol);

	for (unsigned i = 0; i < chip->firmware.symbolcount; i++) {
		const avr_symbol_t *s = chip->firmware.symbol[i];

		/* link-time optimisation adds a suffix such as .lto_priv.0 */
		if (strncmp(s->symbol, symbol, length) || (s->symbol[length] && s->symbol[length] != '.'))
			continue;
		if (s->addr < 0x800000 || s->addr >= 0x810000)
			continue;
		for (int b = 0; b < bytes; b++)
			chip->avr->data[(s->addr & 0xFFFF) + (unsigned)b] = (uint8_t)(value >> 8 * b);
		return true;
	}
	return false;
}

void chip_watch_main(struct chip *chip)
{
	if (chip->avr->pc != chip->main_pc)
		return;
	for (int i = 0; i < chip->main_poke_count; i++) {
		struct main_poke *poke = &chip->main_pokes[i];

		if (!chip_poke(chip, poke->symbol, poke->bytes, poke->value)) {
			fprintf(stderr, "bench: no symbol %s\n", poke->symbol);
			exit(2);
		}
	}
	chip_event(chip, "main");
	chip->before_main = false;
	chip->avr->run_cycle_limit = RUN_CYCLES;
}

unsigned chip_ram_untouched(const struct chip *chip)
{
	unsigned best = 0, run = 0;

	for (unsigned at = chip->avr->ioend + 1u; at <= chip->avr->ramend; at++) {
		run = chip->avr->data[at] == chip->ram_at_boot[at] ? run + 1 : 0;
		if (run > best)
			best = run;
	}
	return best;
}

/* ---- set-up ---- */

static void *find_io(avr_t *avr, const char *kind)
{
	for (avr_io_t *io = avr->io_port; io; io = io->next)
		if (!strcmp(io->kind, kind))
			return io;
	return NULL;
}

static void fix_timer1(avr_t *avr)
{
	for (avr_io_t *io = avr->io_port; io; io = io->next) {
		avr_timer_t *timer = (avr_timer_t *)io;

		if (strcmp(io->kind, "timer") || timer->name != '1')
			continue;
		/* modes 14 and 15 are fast PWM (ATmega328P data sheet, table of waveform modes) */
		timer->wgm_op[14] = (avr_timer_wgm_t){.kind = avr_timer_wgm_fast_pwm, .top = avr_timer_wgm_reg_icr};
		timer->wgm_op[15] = (avr_timer_wgm_t){.kind = avr_timer_wgm_fast_pwm, .top = avr_timer_wgm_reg_ocra};
	}
}

static void never_sleep(avr_t *avr, avr_cycle_count_t how_long)
{
	(void)avr;
	(void)how_long;
}

static void quiet(avr_t *avr, const int level, const char *format, va_list arguments)
{
	(void)avr;
	if (level <= LOG_ERROR && level != LOG_OUTPUT)
		vfprintf(stderr, format, arguments);
}

bool chip_setup(struct chip *chip, const char *elf_path)
{
	avr_t *avr;
	uint32_t flags = 0;

	avr_global_logger_set(quiet);
	if (elf_read_firmware(elf_path, &chip->firmware) != 0)
		return false;
	the_chip = chip;
	avr = chip->avr = avr_make_mcu_by_name("atmega328p");
	if (!avr)
		return false;
	avr_init(avr);
	for (unsigned i = 0; i < chip->firmware.symbolcount; i++)
		if (!strcmp(chip->firmware.symbol[i]->symbol, "main"))
			chip->main_pc = chip->firmware.symbol[i]->addr;
	chip->firmware.frequency = CYCLES_PER_US * 1000000;
	chip->firmware.vcc = chip->firmware.avcc = chip->firmware.aref = 5000;
	avr_load_firmware(avr, &chip->firmware);
	avr->sleep = never_sleep;
	chip->twi = find_io(avr, "twi");
	chip->uart = find_io(avr, "uart");
	chip->adc = find_io(avr, "adc");
	chip_set_adc_reference(chip, 1100);
	fix_timer1(avr);
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	chip->ram_at_boot = malloc(avr->ramend + 1u);
	chip->core_reset = avr->reset;
	avr->reset = reset_hook;

	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_TWI_GETIRQ(0), TWI_IRQ_OUTPUT), twi_hook, chip);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), uart_hook, chip);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), adc_hook, chip);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_OUT_COMP), servo_hook, chip);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), SCL_PIN), scl_hook, chip);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(LOAD_SWITCH_PORT), LOAD_SWITCH_PIN),
				load_switch_hook, chip);
	chip_drive_pin(chip, 'C', SDA_PIN, true);
	chip_drive_pin(chip, 'C', SCL_PIN, true);
	chip_drive_pin(chip, 'D', 2, true);
	return true;
}
