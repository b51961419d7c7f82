/* Virtual INA219 (TI SBOS448) and INA226 (TI SBOS547): registers, conversion timing, I2C side.
 *
 * Knows nothing of the microcontroller: time is counted in cycles of 1/16 us, the analogue
 * side is a callback. Every conversion and every register read is logged, so that a test can
 * compare the firmware's sums with the sensor's own to the last integer.
 */
#ifndef SENSOR_H
#define SENSOR_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "cycles.h"

enum sensor_kind { SENSOR_NONE, SENSOR_INA219, SENSOR_INA226 };

/* One record of the log, 24 bytes, little endian; read by tests/support/firmware_sim. */
enum { RECORD_CONVERSION = 0, RECORD_READ = 1, RECORD_CONFIG = 2 };
struct sensor_record {
	uint64_t cycle;       /* end of the conversion, or time of the access */
	uint16_t kind;
	uint16_t reg;         /* accessed register */
	int32_t value;        /* shunt counts, or the value read or written */
	int32_t bus;          /* bus counts (LSB of 4 or 1.25 mV) */
	uint16_t shunt_reads; /* how often this conversion was read */
	uint16_t bus_reads;
};

/* Voltage across the shunt and on the load side at a moment. */
typedef void (*sensor_input_t)(void *param, uint64_t cycle, double *shunt_v, double *bus_v);

struct sensor {
	enum sensor_kind kind;
	uint8_t address;
	bool present;
	double clock_factor; /* length of the sensor's microsecond; its oscillator is not the chip's */
	bool forced;         /* registers come from the test instead of the circuit */
	int32_t forced_shunt, forced_bus;

	uint16_t config, calibration, mask_enable, alert_limit;
	int32_t shunt, bus; /* counts, as the registers hold them */
	int32_t current, power;
	bool ready, overflow;

	/* conversion under way */
	bool converting;
	bool bus_part;
	uint64_t part_begin, part_end;

	/* I2C */
	uint8_t pointer;
	uint8_t byte_index;
	uint16_t shift;
	bool selected, reading;

	struct sensor_record last, pending; /* newest whole conversion; the one whose shunt part is done */
	bool have_last, have_pending;
	uint64_t conversions;

	sensor_input_t input;
	void *input_param;
	FILE *log;
};

void sensor_setup(struct sensor *s, enum sensor_kind kind, uint8_t address, uint64_t now);
void sensor_power_on(struct sensor *s, uint64_t now);
/* Cycle of the next thing to happen by itself; UINT64_MAX if none. */
uint64_t sensor_next(const struct sensor *s);
/* Does all that is due up to and including `now`. */
void sensor_advance(struct sensor *s, uint64_t now);

/* I2C, as the bus sees it; true where the device acknowledges. */
bool sensor_i2c_start(struct sensor *s, uint8_t address_and_direction, uint64_t now);
bool sensor_i2c_write(struct sensor *s, uint8_t value, uint64_t now);
uint8_t sensor_i2c_read(struct sensor *s, uint64_t now);
void sensor_i2c_stop(struct sensor *s);

/* Writes the records that are still held back. */
void sensor_flush(struct sensor *s);

#endif
