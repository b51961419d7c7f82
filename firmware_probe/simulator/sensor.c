#include "sensor.h"
#include "sensor_wide.h"

#include <math.h>
#include <string.h>

enum { REG_CONFIG, REG_SHUNT, REG_BUS, REG_POWER, REG_CURRENT, REG_CALIBRATION, REG_MASK, REG_ALERT };
enum { REG_MANUFACTURER = 0xFE, REG_DIE = 0xFF };
enum { INA219_RESET = 0x399F, INA226_RESET = 0x4127 };
enum { CVRF = 1 << 3, OVF = 1 << 2 }; /* INA226 mask/enable */

static uint16_t mode(const struct sensor *s) { return s->config & 7; }

static bool wants(const struct sensor *s, enum sensor_part part)
{
	if (s->kind == SENSOR_INA228)
		return wide_wants(s, part);
	return part == PART_SHUNT ? mode(s) & 1 : part == PART_BUS && mode(s) & 2;
}

static bool continuous(const struct sensor *s) { return s->kind == SENSOR_INA228 ? s->adc_config >> 15 : mode(s) & 4; }

/* SBOS448 table 5: 9 to 12 bit, then averages of 12-bit conversions. */
static void ina219_adc(unsigned code, unsigned *us, unsigned *samples, unsigned *bits)
{
	static const unsigned single_us[] = {84, 148, 276, 532};

	if (code & 8) {
		*samples = 1u << (code & 7);
		*us = 532;
		*bits = 12;
	} else {
		*samples = 1;
		*us = single_us[code & 3];
		*bits = 9 + (code & 3);
	}
}

static void part_timing(const struct sensor *s, unsigned *us, unsigned *samples, unsigned *bits)
{
	bool bus_part = s->part == PART_BUS;

	if (s->kind == SENSOR_INA228) {
		wide_timing(s, us, samples);
		*bits = 20;
	} else if (s->kind == SENSOR_INA219) {
		ina219_adc((s->config >> (bus_part ? 7 : 3)) & 15, us, samples, bits);
	} else { /* SBOS547 tables 6 to 8 */
		static const unsigned conversion_us[] = {140, 204, 332, 588, 1100, 2116, 4156, 8244};
		static const unsigned averages[] = {1, 4, 16, 64, 128, 256, 512, 1024};

		*us = conversion_us[(s->config >> (bus_part ? 6 : 3)) & 7];
		*samples = averages[(s->config >> 9) & 7];
		*bits = 16;
	}
}

static void begin_part(struct sensor *s, enum sensor_part part, uint64_t begin)
{
	unsigned us, samples, bits;

	s->part = part;
	part_timing(s, &us, &samples, &bits);
	s->part_begin = begin;
	s->part_end = begin + (uint64_t)llround((double)us * samples * CYCLES_PER_US * s->clock_factor);
	s->converting = true;
}

/* The first wanted part from this one on; false when there is none. */
static bool begin_wanted(struct sensor *s, enum sensor_part from, uint64_t begin)
{
	for (enum sensor_part part = from; part <= PART_DIE; part++) {
		if (!wants(s, part))
			continue;
		begin_part(s, part, begin);
		return true;
	}
	return false;
}

/* A write to the configuration aborts what runs and begins anew. */
static void restart(struct sensor *s, uint64_t now)
{
	s->converting = false;
	s->have_pending = false;
	s->pair_us = 0;
	begin_wanted(s, PART_SHUNT, now);
}

void sensor_power_on(struct sensor *s, uint64_t now)
{
	s->config = s->kind == SENSOR_INA219 ? INA219_RESET : INA226_RESET;
	s->calibration = s->mask_enable = s->alert_limit = 0;
	s->shunt = s->bus = s->current = s->power = 0;
	s->ready = s->overflow = false;
	if (s->kind == SENSOR_INA228)
		wide_power_on(s);
	s->pointer = 0;
	s->selected = false;
	restart(s, now);
}

void sensor_setup(struct sensor *s, enum sensor_kind kind, uint8_t address, uint64_t now)
{
	s->kind = kind;
	s->address = address;
	s->present = kind != SENSOR_NONE;
	s->maker = kind == SENSOR_INA219 ? 0 : 0x5449;
	s->die_id = kind == SENSOR_INA226 ? 0x2260 : kind == SENSOR_INA228 ? 0x2281 : 0;
	if (s->clock_factor == 0)
		s->clock_factor = 1;
	sensor_power_on(s, now);
}

static int32_t clamp(double value, int32_t low, int32_t high)
{
	double rounded = floor(value + 0.5);

	return rounded < low ? low : rounded > high ? high : (int32_t)rounded;
}

/* Fewer bits: the low ones of the register stay 0 (the converter's step is wider). */
static int32_t coarsen(int32_t counts, unsigned bits)
{
	int32_t step = bits < 12 ? 1 << (12 - bits) : 1;

	return (int32_t)floor((double)counts / step) * step;
}

/* Counts of one part: mean of its samples, each of one moment in the middle of its time or of several, evenly over it. */
static int32_t convert(struct sensor *s)
{
	unsigned us, samples, bits, moments;
	double sum = 0, shunt_v, bus_v, span = (double)(s->part_end - s->part_begin);
	bool ina219 = s->kind == SENSOR_INA219, bus_part = s->part == PART_BUS;

	part_timing(s, &us, &samples, &bits);
	s->pair_us += us * samples;
	if (s->part == PART_DIE)
		return WIDE_DIE_25_C;
	if (s->forced)
		return bus_part ? s->forced_bus : s->forced_shunt;
	moments = samples * (s->moments > 1 ? (unsigned)s->moments : 1);
	for (unsigned i = 0; i < moments; i++) {
		s->input(s->input_param, s->part_begin + (uint64_t)(span * (i + 0.5) / moments), &shunt_v, &bus_v);
		sum += bus_part ? bus_v : shunt_v;
	}
	sum /= moments;
	if (s->kind == SENSOR_INA228)
		return bus_part ? clamp(sum / WIDE_BUS_V, 0, WIDE_BUS_TOP) : clamp(sum / WIDE_SHUNT_V, -WIDE_TOP - 1, WIDE_TOP);
	if (bus_part) {
		int32_t top = !ina219 ? 0x7FFF : s->config & 0x2000 ? 8000 : 4000; /* 32 V or 16 V */

		return coarsen(clamp(sum / (ina219 ? 4e-3 : 1.25e-3), 0, top), bits);
	}
	int32_t top = ina219 ? 4000 << ((s->config >> 11) & 3) : 0x7FFF; /* gain /1 to /8: 40 to 320 mV */

	return clamp(coarsen(clamp(sum / (ina219 ? 10e-6 : 2.5e-6), -top - 1, top), bits), ina219 ? -top : -top - 1, top);
}

/* Current and power as the sheets define them; over 16 bits sets the overflow flag. */
static void multiply(struct sensor *s)
{
	int64_t current = (int64_t)s->shunt * s->calibration;
	int64_t power;

	if (s->kind == SENSOR_INA228) {
		wide_multiply(s);
		return;
	}

	current /= s->kind == SENSOR_INA219 ? 4096 : 2048;
	power = current * s->bus / (s->kind == SENSOR_INA219 ? 5000 : 20000);
	if (power < 0)
		power = -power;
	s->overflow = current < -32768 || current > 32767 || power > 65535;
	s->current = (int16_t)current;
	s->power = (uint16_t)power;
}

static void put(struct sensor *s, const struct sensor_record *record)
{
	if (s->log)
		fwrite(record, sizeof *record, 1, s->log);
}

static void finish(struct sensor *s)
{
	if (s->have_last)
		put(s, &s->last);
	s->last = s->have_pending ? s->pending : (struct sensor_record){.kind = RECORD_CONVERSION};
	s->last.cycle = s->part_end;
	s->last.bus = s->bus;
	s->have_last = true;
	s->have_pending = false;
	s->conversions++;
	s->ready = true;
	multiply(s);
}

uint64_t sensor_next(const struct sensor *s)
{
	return s->present && s->converting ? s->part_end : UINT64_MAX;
}

void sensor_advance(struct sensor *s, uint64_t now)
{
	while (s->present && s->converting && s->part_end <= now) {
		uint64_t end = s->part_end;
		int32_t counts = convert(s);

		/* Each register changes when its own part is done: firmware that reads a pair late
		 * would mix two conversions, and the log would show it. */
		if (s->part == PART_BUS) {
			s->bus = counts;
		} else if (s->part == PART_SHUNT) {
			s->shunt = counts;
			s->pending = (struct sensor_record){.kind = RECORD_CONVERSION, .value = counts};
			s->have_pending = true;
		}
		s->converting = false;
		if (begin_wanted(s, s->part + 1, end))
			continue;
		finish(s);
		if (continuous(s))
			begin_wanted(s, PART_SHUNT, end);
	}
}

static void count_read(struct sensor *s, bool bus)
{
	struct sensor_record *shunt_of = s->have_pending ? &s->pending : s->have_last ? &s->last : NULL;

	if (bus && s->have_last)
		s->last.bus_reads++;
	else if (!bus && shunt_of)
		shunt_of->shunt_reads++;
}

static uint16_t read_register(struct sensor *s)
{
	bool ina219 = s->kind == SENSOR_INA219;

	switch (s->pointer) {
	case REG_CONFIG:
		return s->config;
	case REG_SHUNT:
		count_read(s, false);
		return (uint16_t)s->shunt;
	case REG_BUS:
		count_read(s, true);
		return ina219 ? (uint16_t)(s->bus << 3 | s->ready << 1 | s->overflow) : (uint16_t)s->bus;
	case REG_POWER:
		if (ina219)
			s->ready = false; /* SBOS448: reading the power register clears CNVR */
		return (uint16_t)s->power;
	case REG_CURRENT:
		return (uint16_t)s->current;
	case REG_CALIBRATION:
		return s->calibration;
	}
	if (ina219)
		return 0;
	switch (s->pointer) {
	case REG_MASK: {
		uint16_t value = (s->mask_enable & ~(CVRF | OVF)) | (s->ready ? CVRF : 0) | (s->overflow ? OVF : 0);

		s->ready = false; /* SBOS547: reading mask/enable clears CVRF */
		return value;
	}
	case REG_ALERT:
		return s->alert_limit;
	case REG_MANUFACTURER:
		return s->maker;
	case REG_DIE:
		return s->die_id;
	}
	return 0;
}

static void write_register(struct sensor *s, uint16_t value, uint64_t now)
{
	if (s->kind == SENSOR_INA228) {
		if (s->pointer == WIDE_ADC || s->pointer == REG_CONFIG)
			put(s, &(struct sensor_record){.cycle = now, .kind = RECORD_CONFIG, .value = value});
		if (s->pointer == REG_CONFIG && value & 0x8000)
			sensor_power_on(s, now);
		else if (wide_write(s, value))
			restart(s, now);
		return;
	}
	switch (s->pointer) {
	case REG_CONFIG:
		put(s, &(struct sensor_record){.cycle = now, .kind = RECORD_CONFIG, .value = value});
		if (value & 0x8000) {
			sensor_power_on(s, now);
			break;
		}
		s->config = s->kind == SENSOR_INA226 ? (value & 0x0FFF) | 0x4000 : value & 0x3FFF;
		if (mode(s) & 3)
			s->ready = false;
		restart(s, now);
		break;
	case REG_CALIBRATION:
		s->calibration = s->kind == SENSOR_INA219 ? value & 0xFFFE : value & 0x7FFF;
		break;
	case REG_MASK:
		s->mask_enable = value;
		break;
	case REG_ALERT:
		s->alert_limit = value;
		break;
	}
}

bool sensor_i2c_start(struct sensor *s, uint8_t address_and_direction, uint64_t now)
{
	sensor_advance(s, now);
	s->selected = s->present && address_and_direction >> 1 == s->address;
	s->reading = address_and_direction & 1;
	s->byte_index = 0;
	return s->selected;
}

bool sensor_i2c_write(struct sensor *s, uint8_t value, uint64_t now)
{
	if (!s->selected || !s->present || s->reading)
		return false;
	sensor_advance(s, now);
	if (s->byte_index == 0)
		s->pointer = value;
	else if (s->byte_index == 1)
		s->shift = (uint64_t)value << 8;
	else if (s->byte_index == 2)
		write_register(s, (uint16_t)(s->shift | value), now);
	s->byte_index++;
	return true;
}

uint8_t sensor_i2c_read(struct sensor *s, uint64_t now)
{
	if (!s->selected || !s->present)
		return 0xFF; /* nobody pulls the line down */
	sensor_advance(s, now);
	if (s->byte_index == 0) { /* all bytes are of one moment */
		s->width = s->kind == SENSOR_INA228 ? wide_width(s->pointer) : 2;
		s->shift = s->kind == SENSOR_INA228 ? wide_read(s) : read_register(s);
		if (s->kind == SENSOR_INA228 && (s->pointer == WIDE_SHUNT || s->pointer == WIDE_BUS))
			count_read(s, s->pointer == WIDE_BUS);
		put(s, &(struct sensor_record){.cycle = now, .kind = RECORD_READ, .reg = s->pointer, .value = (int32_t)s->shift});
	}
	if (++s->byte_index == s->width)
		s->byte_index = 0;
	return (uint8_t)(s->shift >> 8 * ((s->byte_index ? s->width - s->byte_index : 0)));
}

void sensor_i2c_stop(struct sensor *s) { s->selected = false; }

void sensor_flush(struct sensor *s)
{
	if (s->have_last)
		put(s, &s->last);
	s->have_last = false;
	if (s->log)
		fflush(s->log);
}
