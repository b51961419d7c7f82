// Running total of mean x span over windows, in whole output steps plus the
// remainder in counts x microseconds, so that nothing is lost between steps
// and nothing overflows: a plain 64-bit total of energy would after 88 seconds
// at full scale.
#pragma once

#include <stdint.h>

#include "division.h"

class Accumulator {
 public:
  // divisor: counts x microseconds in one output step, 1 .. 2^43. Keeps the total.
  void set_divisor(uint64_t divisor) {
    divisor_ = divisor;
    remainder_ = 0;
    fraction_ = 0;
  }

  // A window: mean = sum / conversions, over span_us. |sum| < 2^57,
  // conversions 1 .. 131071, |mean| < 2^39. Then call step() until it says false.
  // Split up because a division takes a fifth of a millisecond on an 8-bit chip.
  void begin(int64_t sum, uint32_t conversions, uint64_t span_us) {
    sum_ = sum;
    conversions_ = conversions;
    left_us_ = span_us;
    stage_ = DIVIDE;
  }

  // One division's worth of work. False when the window is in the total.
  bool step() {
    switch (stage_) {
      case DIVIDE:
        mean_ = divide_floor(sum_, conversions_, &mean_rest_);
        stage_ = SPREAD;
        return true;
      case SPREAD: {
        // Products stay below 2^62: long spans go in portions.
        uint64_t portion_max = magnitude(mean_) >> 31 ? 1UL << 22 : 1UL << 29;
        portion_us_ = left_us_ < portion_max ? (uint32_t)left_us_ : (uint32_t)portion_max;
        left_us_ -= portion_us_;
        // (rest / conversions) x span in 1/65536 of count x microsecond, rounded down.
        uint64_t parts = ((mean_rest_ * portion_us_) << 16) / conversions_ + fraction_;
        fraction_ = (uint16_t)parts;
        remainder_ += mean_ * (int64_t)portion_us_ + (int64_t)(parts >> 16);
        stage_ = CARRY;
        return true;
      }
      case CARRY: {
        uint64_t rest;
        steps_ += divide_floor(remainder_, divisor_, &rest);
        remainder_ = (int64_t)rest;
        stage_ = left_us_ ? SPREAD : IDLE;
        return left_us_ != 0;
      }
      default:
        return false;
    }
  }

  // Total in output steps, to the nearest, halves away from zero.
  int64_t rounded_steps() const {
    uint64_t doubled = 2 * (uint64_t)remainder_;
    bool up = steps_ < 0 ? doubled > divisor_ : doubled >= divisor_;
    return steps_ + up;
  }

 private:
  enum Stage : uint8_t { IDLE, DIVIDE, SPREAD, CARRY };

  uint64_t divisor_ = 1;
  int64_t steps_ = 0;
  int64_t remainder_ = 0;  // 0 .. divisor - 1 between windows
  uint16_t fraction_ = 0;  // 1/65536 of count x microsecond

  int64_t sum_ = 0;
  int64_t mean_ = 0;
  uint64_t mean_rest_ = 0;
  uint64_t left_us_ = 0;
  uint32_t conversions_ = 1;
  uint32_t portion_us_ = 0;
  Stage stage_ = IDLE;
};
