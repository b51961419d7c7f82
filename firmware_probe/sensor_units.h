// What one count of a sensor's registers is worth, and the whole-number
// factors from counts to the steps of the line protocol.
//
// Everything is kept in counts of the shunt register until a line is written.
// A pair's pack voltage is bus * pack_ratio + shunt in those counts.
#pragma once

#include <stdint.h>

#include "division.h"

struct SensorUnits {
  uint16_t pack_ratio;      // shunt counts in one bus count
  uint8_t count_half_uv;    // worth of a shunt count in 0.5 uV
  uint32_t charge_divisor;  // counts x microseconds in 1e-6 mAh
  uint64_t energy_divisor;  // counts^2 x microseconds in 1e-6 mWh
};

// With a shunt in steps of 0.0001 Ohm and a count in nV, 1e-6 mAh is
// 360000 shunt / count and 1e-6 mWh is 3.6e14 shunt / count^2.

// 10 uV and 4 mV (TI SBOS448).
constexpr SensorUnits ina219_units(uint16_t shunt_steps) {
  return SensorUnits{400, 20, (uint32_t)36 * shunt_steps, 3600000ULL * shunt_steps};
}

// 2.5 uV and 1.25 mV (TI SBOS547).
constexpr SensorUnits ina226_units(uint16_t shunt_steps) {
  return SensorUnits{500, 5, (uint32_t)144 * shunt_steps, 57600000ULL * shunt_steps};
}

// Voltage of `counts` shunt counts, summed over `conversions`, in uV.
static inline int64_t voltage_uv(int64_t counts, uint16_t conversions, const SensorUnits &units) {
  return scale(counts, units.count_half_uv, 2UL * conversions);
}

// Tenfold steps of a shunt that is a multiple of 0.001 or 0.01 Ohm cancel against
// the current's, which keeps the division short.
constexpr uint16_t shunt_common(uint16_t shunt_steps) {
  return shunt_steps % 1000 == 0 ? 1000 : shunt_steps % 100 == 0 ? 100 : shunt_steps % 10 == 0 ? 10 : 1;
}

// Current of `counts` shunt counts, summed over `conversions`, in 0.0001 mA:
// count / shunt = 0.5e-6 V half_uv / (1e-4 Ohm steps), and 1e-7 A is a step.
template <uint16_t SHUNT>
inline int64_t current_steps(int64_t counts, uint16_t conversions, const SensorUnits &units) {
  return scale(counts, units.count_half_uv * (50000UL / shunt_common(SHUNT)),
               (uint32_t)(SHUNT / shunt_common(SHUNT)) * conversions);
}
