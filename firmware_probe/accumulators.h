// Running total of mean x span over windows, in whole output steps plus the
// remainder in counts x microseconds, so that nothing is lost between steps
// and nothing overflows: a plain 64-bit total of energy would after 88 seconds
// at full scale.
#pragma once

#include <stdint.h>

#include "division.h"

class Accumulator {
 public:
  // divisor: counts x microseconds in one output step, 1 .. 2^48. Keeps the
  // whole steps so far.
  void set_divisor(uint64_t divisor) {
    divisor_ = divisor;
    remainder_ = 0;
    fraction_ = 0;
  }

  // parts: 1/256 of count x microsecond. |counts_us| < 2^62.
  __attribute__((noinline)) void add(int64_t counts_us, uint64_t parts) {
    parts += fraction_;
    fraction_ = (uint8_t)parts;
    remainder_ += counts_us + (int64_t)(parts >> 8);
  }

  // Moves whole steps out of the remainder; after each add().
  void carry() {
    uint64_t rest;
    steps_ += divide_floor(remainder_, divisor_, &rest);
    remainder_ = (int64_t)rest;
  }

  // Total in output steps, to the nearest, halves away from zero.
  __attribute__((noinline)) int64_t rounded_steps() const {
    uint64_t doubled = 2 * (uint64_t)remainder_;
    bool up = steps_ < 0 ? doubled > divisor_ : doubled >= divisor_;
    return steps_ + up;
  }

 private:
  uint64_t divisor_ = 1;
  int64_t steps_ = 0;
  int64_t remainder_ = 0;  // 0 .. divisor - 1 between windows
  uint8_t fraction_ = 0;   // 1/256 of count x microsecond
};

// Adds one window's mean x span to an accumulator, one division at a time: one
// may take 0.2 ms on an 8-bit chip.
class WindowAdder {
 public:
  // mean = sum / conversions, over span_us. |sum| < 2^63, conversions
  // from 1, |mean| < 2^48. Then call step() until it says false.
  void begin(Accumulator *total, int64_t sum, uint16_t conversions, uint64_t span_us) {
    total_ = total;
    mean_ = sum;
    conversions_ = conversions;
    left_us_ = span_us;
    stage_ = DIVIDE;
  }

  bool busy() const { return stage_ != IDLE; }

  // One division's worth of work. False when the window is in the total.
  bool step() {
    if (stage_ == DIVIDE) {
      uint64_t rest;
      mean_ = divide_floor(mean_, conversions_, &rest);
      mean_rest_ = (uint16_t)rest;
      stage_ = SPREAD;
    } else if (stage_ == SPREAD) {
      uint32_t portion_us = take_portion();
      // (rest / conversions) x span, rounded down to 1/256 of count x microsecond.
      uint64_t parts = divide(((uint64_t)mean_rest_ * portion_us) << 8, conversions_);
      total_->add(mean_ * (int64_t)portion_us, parts);
      stage_ = CARRY;
    } else if (stage_ == CARRY) {
      total_->carry();
      stage_ = left_us_ ? SPREAD : IDLE;
    }
    return busy();
  }

 private:
  enum Stage : uint8_t { IDLE, DIVIDE, SPREAD, CARRY };

  // Long spans go in portions, so that products stay below 2^62.
  uint32_t take_portion() {
    uint32_t high = (uint32_t)(magnitude(mean_) >> 32);
    uint32_t portion_us = high >> 7 ? 1UL << 13 : high ? 1UL << 22 : 1UL << 29;
    if (left_us_ < portion_us) portion_us = (uint32_t)left_us_;
    left_us_ -= portion_us;
    return portion_us;
  }

  Accumulator *total_ = nullptr;
  int64_t mean_ = 0;
  uint64_t left_us_ = 0;
  uint16_t mean_rest_ = 0;
  uint16_t conversions_ = 1;
  Stage stage_ = IDLE;
};
