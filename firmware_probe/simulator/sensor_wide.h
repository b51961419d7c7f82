/* What is the INA228's own: 20 bits, accumulators, its register map (TI SBOSA20, from memory). Used by sensor.c. */
#ifndef SENSOR_WIDE_H
#define SENSOR_WIDE_H

#include "sensor_state.h"

#define WIDE_SHUNT_V 312.5e-9
#define WIDE_BUS_V 195.3125e-6
enum { WIDE_TOP = 0x7FFFF, WIDE_BUS_TOP = 435200, WIDE_DIE_25_C = 3200 };
enum { WIDE_ADC = 0x01, WIDE_SHUNT = 0x04, WIDE_BUS = 0x05 };

void wide_power_on(struct sensor *s);
bool wide_wants(const struct sensor *s, enum sensor_part part);
/* Of the part under way. */
void wide_timing(const struct sensor *s, unsigned *us, unsigned *samples);
/* Current, power and accumulators after a pair. */
void wide_multiply(struct sensor *s);
unsigned wide_width(uint8_t pointer);
uint64_t wide_read(struct sensor *s);
/* True when conversions begin anew. */
bool wide_write(struct sensor *s, uint16_t value);

#endif
