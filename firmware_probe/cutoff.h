// Decides when the pack has been below the cutoff for long enough.
#pragma once

#include <stdint.h>

#include "sensor_units.h"

// Without a conversion for this long while a cutoff is set, the cells are
// unwatched: the switch is opened.
static const uint32_t CUTOFF_BLIND_US = 30000000UL;

class Cutoff {
 public:
  // cutoff_uv 0: none.
  void set(uint32_t cutoff_uv, uint32_t hold_ms, const SensorUnits &units) {
    cutoff_uv_ = cutoff_uv;
    hold_ms_ = hold_ms;
    // Least count that is not below: ceil(cutoff / count).
    threshold_ = cutoff_uv == 0 ? INT32_MIN
                                : (int32_t)(((uint64_t)cutoff_uv * 1000 + units.shunt_count_nv - 1) /
                                            units.shunt_count_nv);
    below_ = false;
  }

  // Starts waiting anew, as after the switch was closed by hand.
  void restart(uint64_t time_us) {
    below_ = false;
    seen_us_ = time_us;
  }

  // One pair, pack in shunt counts. True when the switch has to open.
  bool add(int32_t pack, uint64_t time_us) {
    seen_us_ = time_us;
    if (pack >= threshold_) {
      below_ = false;
      return false;
    }
    if (!below_) {
      below_ = true;
      below_since_us_ = time_us;
    }
    return time_us - below_since_us_ >= (uint64_t)hold_ms_ * 1000;
  }

  // True when no pair has come for too long to protect the pack.
  bool blind(uint64_t time_us) const {
    if (cutoff_uv_ == 0) return false;
    uint64_t hold_us = (uint64_t)hold_ms_ * 1000;
    return time_us - seen_us_ >= (hold_us > CUTOFF_BLIND_US ? hold_us : CUTOFF_BLIND_US);
  }

  uint32_t cutoff_uv() const { return cutoff_uv_; }
  uint32_t hold_ms() const { return hold_ms_; }

 private:
  uint32_t cutoff_uv_ = 0;
  uint32_t hold_ms_ = 0;
  int32_t threshold_ = INT32_MIN;
  bool below_ = false;
  uint64_t below_since_us_ = 0;
  uint64_t seen_us_ = 0;
};
