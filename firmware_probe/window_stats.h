// Sums and extremes of the conversions in one window, in sensor counts.
#pragma once

#include <stdint.h>

#include "sensor_units.h"

// What the window's line needs.
struct WindowSums {
  int32_t shunt_sum;
  uint32_t bus_sum;
  int32_t pack_min;  // in shunt counts
  int32_t shunt_min;
  int32_t shunt_max;
  uint16_t conversions;

  // In shunt counts, as all voltages here.
  int64_t bus_voltage_sum(const SensorUnits &units) const {
    return (int64_t)((uint64_t)bus_sum * units.pack_ratio);
  }
  int64_t pack_voltage_sum(const SensorUnits &units) const {
    return bus_voltage_sum(units) + shunt_sum;
  }
};

struct WindowStats : WindowSums {
  int64_t bus_shunt_sum;  // sum of bus x shunt of each pair
  int64_t shunt_square_sum;

  void clear() {
    conversions = 0;
    bus_sum = 0;
    shunt_sum = 0;
    bus_shunt_sum = 0;
    shunt_square_sum = 0;
    pack_min = INT32_MAX;
    shunt_min = INT32_MAX;
    shunt_max = INT32_MIN;
  }

  // One more might overflow the 32-bit sums. Those of 16 bits never do before 65535; an INA228's (wide) after 9 s at
  // half its range, so that only windows longer than that end early.
  bool full(bool wide) const {
    const int32_t most = INT32_MAX - 0x80000L;
    return conversions == UINT16_MAX ||
           (wide && (bus_sum > (uint32_t)most || shunt_sum > most || shunt_sum < -most));
  }

  // One pair: bus from 0, pack = bus * ratio + shunt. wide: bus and shunt have up to 20 bits, else 15 and 16, whose
  // products are many times as fast on an 8-bit chip. Not when full.
  void add(int32_t bus, int32_t shunt, int32_t pack, bool wide) {
    ++conversions;
    if (wide) {
      bus_sum += (uint32_t)bus;
      shunt_sum += shunt;
      bus_shunt_sum += (int64_t)bus * shunt;
      shunt_square_sum += (int64_t)shunt * shunt;
    } else {
      bus_sum += (uint16_t)bus;
      shunt_sum += (int16_t)shunt;
      bus_shunt_sum += (int32_t)(int16_t)bus * (int16_t)shunt;
      shunt_square_sum += (int32_t)(int16_t)shunt * (int16_t)shunt;
    }
    if (pack < pack_min) pack_min = pack;
    if (shunt < shunt_min) shunt_min = shunt;
    if (shunt > shunt_max) shunt_max = shunt;
  }

  // Sum of pack voltage x current of each pair, in shunt counts squared:
  // (ratio bus + shunt) shunt = ratio bus shunt + shunt^2.
  int64_t power_sum(const SensorUnits &units) const {
    return bus_shunt_sum * units.pack_ratio + shunt_square_sum;
  }
};
