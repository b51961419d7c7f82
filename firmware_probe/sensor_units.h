// What one count of a sensor's registers is worth, and the whole-number
// factors from counts to the steps of the line protocol.
//
// Everything is kept in counts of the shunt register until a line is written.
// A pair's pack voltage is bus * pack_ratio + shunt in those counts.
#pragma once

#include <stdint.h>

#include "division.h"

struct SensorUnits {
  uint16_t pack_ratio;       // shunt counts in one bus count
  uint8_t voltage_factor;    // count x factor / divisor: in uV
  uint8_t voltage_divisor;
  uint32_t current_factor;   // count x factor / divisor: in 0.0001 mA
  uint16_t current_divisor;
  uint32_t charge_divisor;   // counts x microseconds in 1e-6 mAh
  uint64_t energy_divisor;   // counts^2 x microseconds in 1e-6 mWh
};

constexpr uint32_t common_factor(uint32_t one, uint32_t other) {
  return other ? common_factor(other, one % other) : one;
}

// With a shunt in steps of 0.0001 Ohm and a count in nV, 1e-6 mAh is 360000 shunt / count, 1e-6 mWh is
// 3.6e14 shunt / count^2, and 1e-7 A, a step of the current, is 100 shunt / count: 6250 counts' worths
// of 62.5 nV over the shunt. What both have in common is cut, which keeps the division short.
constexpr SensorUnits sensor_units(uint16_t pack_ratio, uint8_t worth, uint16_t shunt_steps) {
  return SensorUnits{
      pack_ratio,
      (uint8_t)(worth / common_factor(worth, 16)),
      (uint8_t)(16 / common_factor(worth, 16)),
      (uint32_t)(6250UL * worth / common_factor(6250UL * worth, shunt_steps)),
      (uint16_t)(shunt_steps / common_factor(6250UL * worth, shunt_steps)),
      (uint32_t)(5760UL / worth * shunt_steps),
      92160000000ULL / ((uint16_t)worth * worth) * shunt_steps,
  };
}

// 10 uV and 4 mV (TI SBOS448).
constexpr SensorUnits ina219_units(uint16_t shunt_steps) { return sensor_units(400, 160, shunt_steps); }

// 2.5 uV and 1.25 mV (TI SBOS547).
constexpr SensorUnits ina226_units(uint16_t shunt_steps) { return sensor_units(500, 40, shunt_steps); }

// 312.5 nV and 195.3125 uV (TI SBOSA20).
constexpr SensorUnits ina228_units(uint16_t shunt_steps) { return sensor_units(625, 5, shunt_steps); }

// Voltage of `counts` shunt counts, summed over `conversions`, in uV.
static inline int64_t voltage_uv(int64_t counts, uint16_t conversions, const SensorUnits &units) {
  return scale(counts, units.voltage_factor, (uint32_t)units.voltage_divisor * conversions);
}

// Current of `counts` shunt counts, summed over `conversions`, in 0.0001 mA.
static inline int64_t current_steps(int64_t counts, uint16_t conversions, const SensorUnits &units) {
  return scale(counts, units.current_factor, (uint32_t)units.current_divisor * conversions);
}
