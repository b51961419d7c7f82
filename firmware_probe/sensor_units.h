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
  uint16_t shunt_count_nv;  // worth of a shunt count
  uint16_t bus_count_uv;    // worth of a bus count
  // Counts x microseconds in 1e-6 mAh for a shunt of 0.0001 Ohm: 360000 / shunt_count_nv.
  uint16_t charge_divisor;
  // Counts^2 x microseconds in 1e-6 mWh for a shunt of 0.0001 Ohm: 3.6e14 / shunt_count_nv^2.
  uint32_t energy_divisor;
};

// INA219: 10 uV and 4 mV (TI SBOS448). INA226: 2.5 uV and 1.25 mV (TI SBOS547).
static const SensorUnits INA219_UNITS = {400, 10000, 4000, 36, 3600000UL};
static const SensorUnits INA226_UNITS = {500, 2500, 1250, 144, 57600000UL};

// Current of `counts` shunt counts, summed over `conversions`, in 0.0001 mA.
ONE_COPY int64_t current_steps(int64_t counts, uint16_t conversions, const SensorUnits &units,
                                    uint16_t shunt_steps) {
  return divide_half_away(counts * ((int64_t)units.shunt_count_nv * 100),
                          (uint64_t)conversions * shunt_steps);
}

// Voltage of `counts` shunt counts, summed over `conversions`, in uV.
ONE_COPY int64_t voltage_uv(int64_t counts, uint16_t conversions, const SensorUnits &units) {
  return divide_half_away(counts * units.shunt_count_nv, (uint64_t)conversions * 1000);
}
