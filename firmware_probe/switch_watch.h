// Does a current flow although the load switch is open? A dead MOSFET, or a second
// way from the piece to ground, keeps the cells draining.
#pragma once

#include <stdint.h>

#include "sensor_units.h"

static const uint32_t SWITCH_SETTLE_US = 500000UL;
static const uint32_t SWITCH_BLOCK_US = 250000UL;
// Above the greatest zero error of an INA219 (0.3 mV, all its limits at once) and
// what a piece's supply may leak through an open MOSFET.
static const uint16_t SWITCH_LEAK_UV = 400;

class SwitchWatch {
 public:
  // The switch was opened, or the board starts with it open.
  void restart(uint32_t now_us) {
    settling_ = true;
    began_us_ = now_us;
  }

  // One conversion with the switch open, its shunt in counts. True when a block is
  // over and more flows than may: its sum() and pairs(), until the next such block.
  bool add(int32_t shunt, uint32_t now_us, const SensorUnits &units) {
    uint32_t passed_us = now_us - began_us_;
    if (settling_) {
      if (passed_us < SWITCH_SETTLE_US) return false;
      settling_ = false;
      over_ = true;
    }
    if (over_) {  // the next block begins where this conversion ends
      over_ = false;
      began_us_ = now_us;
      sum_ = 0;
      pairs_ = 0;
      return false;
    }
    sum_ += shunt;
    if (pairs_ < UINT16_MAX) ++pairs_;
    if (passed_us < SWITCH_BLOCK_US) return false;
    over_ = true;
    uint32_t size = (uint32_t)(sum_ < 0 ? -sum_ : sum_);
    if (size <= (uint32_t)(SWITCH_LEAK_UV * units.voltage_divisor / units.voltage_factor) * pairs_) return false;
    told_sum_ = sum_;
    told_pairs_ = pairs_;
    return true;
  }

  int32_t sum() const { return told_sum_; }
  uint16_t pairs() const { return told_pairs_; }

 private:
  uint32_t began_us_ = 0;
  int32_t sum_ = 0;
  int32_t told_sum_ = 0;
  uint16_t pairs_ = 0;
  uint16_t told_pairs_ = 1;
  bool settling_ = true;
  bool over_ = false;
};
