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
  // Counts x microseconds in 1e-6 mAh, for a shunt of 0.0001 Ohm: 360000 / count in nV.
  uint16_t charge_divisor;
  // Counts^2 x microseconds in 1e-6 mWh, for a shunt of 0.0001 Ohm: 3.6e14 / (count in nV)^2.
  uint32_t energy_divisor;
};

// INA219: 10 uV and 4 mV (TI SBOS448). INA226: 2.5 uV and 1.25 mV (TI SBOS547).
static const SensorUnits INA219_UNITS = {400, 20, 36, 3600000UL};
static const SensorUnits INA226_UNITS = {500, 5, 144, 57600000UL};

// Voltage of `counts` shunt counts, summed over `conversions`, in uV.
ONE_COPY int64_t voltage_uv(int64_t counts, uint16_t conversions, const SensorUnits &units) {
  return divide_half_away(counts * units.count_half_uv, 2UL * conversions);
}

// Tenfold steps of a shunt that is a multiple of 0.001 or 0.01 Ohm cancel against
// the current's, which keeps the division short.
constexpr uint16_t shunt_common(uint16_t shunt_steps) {
  return shunt_steps % 1000 == 0 ? 1000 : shunt_steps % 100 == 0 ? 100 : shunt_steps % 10 == 0 ? 10 : 1;
}

// Current of `counts` shunt counts, summed over `conversions`, in 0.0001 mA:
// count / shunt = 0.5e-6 V half_uv / (1e-4 Ohm steps), and 1e-7 A is a step.
template <uint16_t SHUNT>
ONE_COPY int64_t current_steps(int64_t counts, uint16_t conversions, const SensorUnits &units) {
  return divide_half_away(counts * ((int32_t)units.count_half_uv * (50000L / shunt_common(SHUNT))),
                          (uint32_t)(SHUNT / shunt_common(SHUNT)) * conversions);
}
