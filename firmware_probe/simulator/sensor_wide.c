#include "sensor_wide.h"

enum { REG_CONFIG, REG_ADC, REG_CALIBRATION, REG_TEMPCO, REG_SHUNT, REG_BUS, REG_DIE, REG_CURRENT, REG_POWER, REG_ENERGY, REG_CHARGE, REG_DIAGNOSIS };
enum { REG_MAKER = 0x3E, REG_DIE_ID = 0x3F };
enum { ADC_RESET = 0xFB68, CALIBRATION_RESET = 0x1000, DIAGNOSIS_RESET = 0x0001 };
enum { CLEAR_ACCUMULATORS = 1 << 14, LATCH = 1 << 15, READY = 1 << 1 };
static const uint64_t FORTY_BITS = (1ull << 40) - 1;

static void clear(struct sensor *s)
{
	s->charge_us = 0;
	s->energy = s->energy_rest = 0;
}

void wide_power_on(struct sensor *s)
{
	s->config = 0;
	s->adc_config = ADC_RESET;
	s->calibration = CALIBRATION_RESET;
	s->diagnosis = DIAGNOSIS_RESET;
	clear(s);
}

/* Mode: 8 without end, 4 temperature, 2 shunt, 1 bus. */
bool wide_wants(const struct sensor *s, enum sensor_part part)
{
	static const unsigned bit[] = {[PART_SHUNT] = 13, [PART_BUS] = 12, [PART_DIE] = 14};

	return s->adc_config >> bit[part] & 1;
}

void wide_timing(const struct sensor *s, unsigned *us, unsigned *samples)
{
	static const unsigned conversion_us[] = {50, 84, 150, 280, 540, 1052, 2074, 4120};
	static const unsigned averages[] = {1, 4, 16, 64, 128, 256, 512, 1024};
	static const unsigned at[] = {[PART_SHUNT] = 6, [PART_BUS] = 9, [PART_DIE] = 3};

	*us = conversion_us[s->adc_config >> at[s->part] & 7];
	*samples = averages[s->adc_config & 7];
}

/* SHUNT_CAL 4096 is a current step of one shunt step over the shunt. Power is in 3.2 current steps, so that
 * bus step / 3.2 = 2^-14 of current x bus; energy in 16 of power x s. */
void wide_multiply(struct sensor *s)
{
	int64_t current = s->calibration ? (int64_t)s->shunt * CALIBRATION_RESET / s->calibration : 0;
	uint64_t size = (uint64_t)(current < 0 ? -current : current) * (uint64_t)s->bus;

	s->current = (int32_t)current;
	s->power = (uint32_t)(size >> 14);
	s->charge_us += current * s->pair_us;
	s->energy_rest += size * s->pair_us;
	s->energy += s->energy_rest / (1000000ull << 18);
	s->energy_rest %= 1000000ull << 18;
	s->pair_us = 0;
}

unsigned wide_width(uint8_t pointer)
{
	switch (pointer) {
	case REG_SHUNT: case REG_BUS: case REG_CURRENT: case REG_POWER:
		return 3;
	case REG_ENERGY: case REG_CHARGE:
		return 5;
	}
	return 2;
}

static int64_t floor_seconds(int64_t counts_us)
{
	return counts_us / 1000000 - (counts_us % 1000000 < 0);
}

uint64_t wide_read(struct sensor *s)
{
	uint16_t diagnosis = (uint16_t)(s->diagnosis | (s->ready ? READY : 0));

	switch (s->pointer) {
	case REG_CONFIG: return s->config;
	case REG_ADC: return s->adc_config;
	case REG_CALIBRATION: return s->calibration;
	case REG_SHUNT: return (uint32_t)s->shunt << 4 & 0xFFFFFF;
	case REG_BUS: return (uint32_t)s->bus << 4 & 0xFFFFFF;
	case REG_DIE: return WIDE_DIE_25_C;
	case REG_CURRENT: return (uint32_t)s->current << 4 & 0xFFFFFF;
	case REG_POWER: return s->power & 0xFFFFFF;
	case REG_ENERGY: return s->energy & FORTY_BITS;
	case REG_CHARGE: return (uint64_t)floor_seconds(s->charge_us) & FORTY_BITS;
	case REG_DIAGNOSIS:
		if (s->diagnosis & LATCH) /* reading clears CNVRF only when alerts are latched */
			s->ready = false;
		return diagnosis;
	case REG_MAKER: return s->maker;
	case REG_DIE_ID: return s->die_id;
	}
	return 0;
}

bool wide_write(struct sensor *s, uint16_t value)
{
	switch (s->pointer) {
	case REG_CONFIG:
		if (value & CLEAR_ACCUMULATORS)
			clear(s);
		s->config = value & 0x3FF0;
		break;
	case REG_ADC:
		s->adc_config = value;
		s->ready = false;
		return true;
	case REG_CALIBRATION:
		s->calibration = value & 0x7FFF;
		break;
	case REG_DIAGNOSIS:
		s->diagnosis = (value & 0xF000) | DIAGNOSIS_RESET;
		break;
	}
	return false;
}
