/* What a virtual sensor is made of; its functions are in sensor.h, the INA228's own in sensor_wide.h. */
#ifndef SENSOR_STATE_H
#define SENSOR_STATE_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "cycles.h"

enum sensor_kind { SENSOR_NONE, SENSOR_INA219, SENSOR_INA226, SENSOR_INA228 };
enum sensor_part { PART_SHUNT, PART_BUS, PART_DIE };

/* One record of the log, 24 bytes, little endian; read by tests/support/firmware_sim. */
enum { RECORD_CONVERSION = 0, RECORD_READ = 1, RECORD_CONFIG = 2 };
struct sensor_record {
	uint64_t cycle;       /* end of the conversion, or time of the access */
	uint16_t kind;
	uint16_t reg;         /* accessed register */
	int32_t value;        /* shunt counts, or the value read or written */
	int32_t bus;          /* bus counts (LSB of 4, 1.25 or 0.1953125 mV) */
	uint16_t shunt_reads; /* how often this conversion was read */
	uint16_t bus_reads;
};

/* Voltage across the shunt and on the load side at a moment. */
typedef void (*sensor_input_t)(void *param, uint64_t cycle, double *shunt_v, double *bus_v);

struct sensor {
	enum sensor_kind kind;
	uint8_t address;
	bool present;
	double moments; /* of the input, that a sample is the mean of; a real converter takes in all the time */
	double clock_factor; /* length of the sensor's microsecond; its oscillator is not the chip's */
	bool forced;         /* registers come from the test instead of the circuit */
	int32_t forced_shunt, forced_bus;

	uint16_t config, calibration, mask_enable, alert_limit;
	int32_t shunt, bus; /* counts, as the registers hold them */
	int32_t current;
	uint32_t power;
	bool ready, overflow;
	uint16_t maker, die_id; /* what the identification registers hold */

	/* INA228: its accumulators, in current counts x its own microseconds and in register counts */
	uint16_t adc_config, diagnosis;
	int64_t charge_us;
	uint64_t energy, energy_rest;
	uint32_t pair_us; /* of the conversions since the last pair */

	/* conversion under way */
	bool converting;
	enum sensor_part part;
	uint64_t part_begin, part_end;

	/* I2C */
	uint8_t pointer;
	uint8_t byte_index;
	uint64_t shift; /* bytes that are being read or written */
	uint8_t width;  /* of the register that is being read */
	bool selected, reading;

	struct sensor_record last, pending; /* newest whole conversion; the one whose shunt part is done */
	bool have_last, have_pending;
	uint64_t conversions;

	sensor_input_t input;
	void *input_param;
	FILE *log;
};

#endif
