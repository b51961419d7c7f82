// Bursts of short conversions of the shunt: how much the load changes within two long ones, which the
// product of voltage and current does not see.
#pragma once

#include <stdint.h>

// Eight in the time of a pair: four for the current's conversion, four for the voltage's.
static const uint8_t BURST_HALF = 4;
static const uint8_t BURST_VALUES = 2 * BURST_HALF;
// So many bursts make a line.
static const uint8_t BURSTS_PER_LINE = 32;
static const uint32_t BURST_MIN_US = 100000UL;

struct BurstSums {
  uint64_t within;   // squared differences of all pairs within a half, 12 a burst
  uint64_t between;  // and of one half's values with the other's, 16 a burst
  uint8_t bursts;

  void clear() {
    within = between = 0;
    bursts = 0;
  }

  void add(const int16_t *values) {
    for (uint8_t first = 0; first < BURST_VALUES; ++first) {
      for (uint8_t second = first + 1; second < BURST_VALUES; ++second) {
        int32_t apart = (int32_t)values[first] - values[second];
        uint32_t size = (uint32_t)(apart < 0 ? -apart : apart);  // at most 65535
        bool halves = first < BURST_HALF && second >= BURST_HALF;
        (halves ? between : within) += size * size;
      }
    }
    ++bursts;
  }
};

// When the next burst is due: one in about every `period_us`, at no fixed beat, so
// that pulses of the load do not stand still before it.
class BurstTimer {
 public:
  void set(uint32_t period_us, uint32_t now_us) {
    period_us_ = period_us;
    due_us_ = now_us + period_us;
  }

  uint32_t period_us() const { return period_us_; }

  bool due(uint32_t now_us) {
    if (!period_us_ || (int32_t)(now_us - due_us_) < 0) return false;
    // A 16-bit shift register with taps 16, 14, 13, 11: all 65535 states.
    uint16_t bit = (uint16_t)((state_ ^ state_ >> 2 ^ state_ >> 3 ^ state_ >> 5) & 1);
    state_ = (uint16_t)(state_ >> 1 | bit << 15);
    // Half a period to one and a half.
    due_us_ = now_us + period_us_ / 2 + (period_us_ >> 8) * (uint8_t)state_;
    return true;
  }

 private:
  uint32_t period_us_ = 0;  // 0: none
  uint32_t due_us_ = 0;
  uint16_t state_ = 0xACE1;
};
