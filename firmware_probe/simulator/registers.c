/* A sensor's registers for a given input, for the data sheets' worked examples:
 *
 *   registers ina219|ina226|ina228 SHUNT_V BUS_V CONFIG CALIBRATION [SECONDS]   (hexadecimal words)
 *
 * writes the two registers over I2C, waits for one conversion or so many seconds, and prints registers 00 to 05,
 * FE and FF; of the INA228 those up to 0B, 3E and 3F.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "sensor.h"
#include "sensor_wide.h"

static double input_v[2];

static void input(void *param, uint64_t cycle, double *shunt_v, double *bus_v)
{
	(void)param;
	(void)cycle;
	*shunt_v = input_v[0];
	*bus_v = input_v[1];
}

static void write_word(struct sensor *s, uint8_t reg, unsigned value)
{
	sensor_i2c_start(s, 0x80, 0);
	sensor_i2c_write(s, reg, 0);
	sensor_i2c_write(s, (uint8_t)(value >> 8), 0);
	sensor_i2c_write(s, (uint8_t)value, 0);
	sensor_i2c_stop(s);
}

static unsigned long long read_bytes(struct sensor *s, uint8_t reg, unsigned bytes, uint64_t now)
{
	unsigned long long value = 0;

	sensor_i2c_start(s, 0x80, now);
	sensor_i2c_write(s, reg, now);
	sensor_i2c_start(s, 0x81, now);
	while (bytes--)
		value = value << 8 | sensor_i2c_read(s, now);
	return value;
}

int main(int argc, char **argv)
{
	static const uint8_t narrow[] = {0, 1, 2, 3, 4, 5, 0xFE, 0xFF};
	static const uint8_t wide[] = {0, 1, 2, 4, 5, 6, 7, 8, 9, 10, 11, 0x3E, 0x3F};
	struct sensor s = {.input = input};
	uint64_t later;
	bool is_wide;

	if (argc < 6)
		return 2;
	is_wide = !strcmp(argv[1], "ina228");
	input_v[0] = atof(argv[2]);
	input_v[1] = atof(argv[3]);
	sensor_setup(&s, is_wide ? SENSOR_INA228 : strcmp(argv[1], "ina226") ? SENSOR_INA219 : SENSOR_INA226, 0x40, 0);
	write_word(&s, is_wide ? 2 : 5, (unsigned)strtoul(argv[5], NULL, 16));
	write_word(&s, is_wide ? 1 : 0, (unsigned)strtoul(argv[4], NULL, 16));
	for (later = 0; s.conversions == 0; later = sensor_next(&s))
		sensor_advance(&s, later);
	if (argc > 6) {
		later = (uint64_t)(atof(argv[6]) * 1e6) * CYCLES_PER_US;
		sensor_advance(&s, later);
	}
	for (size_t i = 0; i < (is_wide ? sizeof wide : sizeof narrow); i++) {
		uint8_t reg = is_wide ? wide[i] : narrow[i];
		unsigned bytes = is_wide ? wide_width(reg) : 2;

		printf("%02X %0*llX\n", reg, (int)(2 * bytes), read_bytes(&s, reg, bytes, later));
	}
	return 0;
}
