/* A sensor's registers for a given input, for the data sheets' worked examples:
 *
 *   registers ina219|ina226 SHUNT_V BUS_V CONFIG CALIBRATION   (hexadecimal words)
 *
 * writes the two registers over I2C, waits for one conversion and prints registers 00 to 05, FE and FF.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "sensor.h"

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

static unsigned read_word(struct sensor *s, uint8_t reg, uint64_t now)
{
	unsigned high;

	sensor_i2c_start(s, 0x80, now);
	sensor_i2c_write(s, reg, now);
	sensor_i2c_start(s, 0x81, now);
	high = sensor_i2c_read(s, now);
	return high << 8 | sensor_i2c_read(s, now);
}

int main(int argc, char **argv)
{
	static const uint8_t registers[] = {0, 1, 2, 3, 4, 5, 0xFE, 0xFF};
	struct sensor s = {.input = input};
	uint64_t later;

	if (argc != 6)
		return 2;
	input_v[0] = atof(argv[2]);
	input_v[1] = atof(argv[3]);
	sensor_setup(&s, strcmp(argv[1], "ina226") ? SENSOR_INA219 : SENSOR_INA226, 0x40, 0);
	write_word(&s, 5, (unsigned)strtoul(argv[5], NULL, 16));
	write_word(&s, 0, (unsigned)strtoul(argv[4], NULL, 16));
	for (later = 0; s.conversions == 0; later = sensor_next(&s))
		sensor_advance(&s, later);
	for (size_t i = 0; i < sizeof registers; i++)
		printf("%02X %04X\n", registers[i], read_word(&s, registers[i], later));
	return 0;
}
