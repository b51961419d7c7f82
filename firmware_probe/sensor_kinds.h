// How each kind of sensor is set up: registers, words, times, ranges. TI SBOS448, SBOS547, SBOSA20.
#pragma once

#include <stdint.h>

#include "flash_text.h"
#include "sensor_units.h"
#include "settings.h"

// config: shunt and bus one after the other without end, no averaging, widest range of the voltage; burst: short
// conversions of the shunt alone. The gain bits of an INA219 come on top of both. The calibration makes the
// sensor's own current register equal to the shunt register, so that its arithmetic cannot overflow before the
// converter does.
struct SensorSettings {
  SensorUnits units;
  uint8_t config_register;
  uint8_t calibration_register;
  uint16_t config;
  uint16_t burst;
  uint16_t calibration;
  uint16_t period_us;  // usual time of a pair; the sensor's clock may be a tenth off
  uint16_t bus_range_10mv;
  int32_t range_counts;  // least count of the shunt beyond the (least) range: the converter's end stop
};

// 12 bit 532 us or 9 bit 84 us each; bursts 9 bit, 84 us.
static const uint16_t INA219_CONVERTER = INA219_BITS == 12 ? 3 : 0;
static const SensorSettings INA219_SETTINGS FLASH_TABLE = {
    ina219_units(SHUNT_STEPS), 0x00, 0x05,
    (uint16_t)(1 << 13 | INA219_CONVERTER << 7 | INA219_CONVERTER << 3 | 7),
    (uint16_t)(1 << 13 | INA219_CONVERTER << 7 | 5),
    4096, INA219_BITS == 12 ? 2 * 532 : 2 * 84, 3200, 4000};
// 588 us each; bursts 140 us.
static const SensorSettings INA226_SETTINGS FLASH_TABLE = {
    ina226_units(SHUNT_STEPS), 0x00, 0x05, 0x4000 | 3 << 6 | 3 << 3 | 7, 0x4000 | 5, 2048, 2 * 588, 4096, INT16_MAX};
// 540 us each and 50 us for its temperature; bursts 84 us.
static const SensorSettings INA228_SETTINGS FLASH_TABLE = {
    ina228_units(SHUNT_STEPS), 0x01, 0x02, 0xF000 | 4 << 9 | 4 << 6, 0xA000 | 1 << 6, 4096, 2 * 540 + 50, 8500, 0x7FFFF};
