/* Virtual INA219 (TI SBOS448), INA226 (TI SBOS547) and INA228 (TI SBOSA20): registers, conversion timing, I2C side.
 *
 * Knows nothing of the microcontroller: time is counted in cycles of 1/16 us, the analogue
 * side is a callback. Every conversion and every register read is logged, so that a test can
 * compare the firmware's sums with the sensor's own to the last integer.
 */
#ifndef SENSOR_H
#define SENSOR_H

#include "sensor_state.h"

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
