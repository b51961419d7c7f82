// Decides when the pack has been below the cutoff for long enough.
#pragma once

#include <stdint.h>

#include "sensor_units.h"

// Without a conversion for this long while a cutoff is set, the cells are
// unwatched: the switch is opened.
static const uint32_t CUTOFF_BLIND_US = 30000000UL;

class Cutoff {
 public:
  // cutoff_uv 0: none. hold_ms: how long the pack has to be below it.
  __attribute__((noinline)) void set(uint32_t cutoff_uv, uint32_t hold_ms, const SensorUnits &units) {
    hold_ms_ = hold_ms;
    below_ = false;
    // Least count that is not below: ceil(cutoff / count).
    threshold_ = cutoff_uv == 0 ? NONE
                                : (int32_t)((units.voltage_divisor * cutoff_uv + units.voltage_factor - 1) / units.voltage_factor);
  }

  // Starts waiting anew, as after the switch was closed by the host.
  void restart(uint32_t now_us) {
    below_ = false;
    seen_us_ = now_us;
  }

  // One pair, pack in shunt counts. True when the switch has to open.
  // Must be asked at least once in 71 minutes: see blind().
  bool add(int32_t pack, uint32_t now_us) {
    uint32_t passed_us = now_us - seen_us_;
    seen_us_ = now_us;
    if (pack >= threshold_) {
      below_ = false;
      return false;
    }
    if (below_) {
      passed_us += below_rest_us_;
      below_ms_ += passed_us / 1000;
      below_rest_us_ = (uint16_t)(passed_us % 1000);
    } else {
      below_ = true;
      below_ms_ = 0;
      below_rest_us_ = 0;
    }
    return below_ms_ >= hold_ms_;
  }

  // True when no pair has come for too long to protect the pack.
  bool blind(uint32_t now_us) const {
    return threshold_ != NONE && now_us - seen_us_ >= CUTOFF_BLIND_US;
  }

 private:
  static const int32_t NONE = INT32_MIN;

  int32_t threshold_ = NONE;
  uint32_t hold_ms_ = 0;
  uint32_t seen_us_ = 0;
  uint32_t below_ms_ = 0;
  uint16_t below_rest_us_ = 0;
  bool below_ = false;
};
