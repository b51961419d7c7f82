// Microseconds since the start in 64 bits from a 32-bit counter that wraps
// after 71.6 minutes. Must be asked at least once per wrap.
#pragma once

#include <stdint.h>

class BoardClock {
 public:
  // counter_us at the moment that is to be time 0.
  void start(uint32_t counter_us) {
    last_us_ = counter_us;
    time_us_ = 0;
  }

  uint64_t now_us(uint32_t counter_us) {
    time_us_ += (uint32_t)(counter_us - last_us_);
    last_us_ = counter_us;
    return time_us_;
  }

 private:
  uint32_t last_us_ = 0;
  uint64_t time_us_ = 0;
};
