// The flex rig's arithmetic: where the servo stands, and what one joint did in
// one flex cycle.
#pragma once

#include <stdint.h>

#include "command_parser.h"
#include "division.h"

static inline uint32_t add_saturating(uint32_t a, uint32_t b) {
  return a + b < a ? UINT32_MAX : a + b;
}

// ---- servo ----------------------------------------------------------------

// Pulse of a hobby servo in half microseconds: 544 us at 0 degrees, 2400 us at
// 180 (common practice, no source).
static inline uint16_t servo_pulse_half_us(uint8_t degrees) {
  return (uint16_t)(1088 + ((uint32_t)degrees * 3712 + 90) / 180);
}

static const uint8_t SERVO_PULSE_MS = 20;  // from pulse to pulse

// Pulse at a moment of the cycle: from a to b in half the period less the
// dwell, rest at b, back again, rest at a.
static inline uint16_t flex_pulse_half_us(const FlexOrder &order, uint32_t into_cycle_ms) {
  uint16_t from = servo_pulse_half_us(order.angle_a_degrees);
  uint16_t to = servo_pulse_half_us(order.angle_b_degrees);
  uint32_t half_ms = order.period_ms / 2;
  uint32_t phase_ms = into_cycle_ms;
  if (phase_ms >= half_ms) {
    phase_ms -= half_ms;
    uint16_t swap = from;
    from = to;
    to = swap;
  }
  // There one pulse early, so that the end itself is always sent.
  uint32_t moving_ms = half_ms - order.dwell_ms;
  moving_ms = moving_ms > SERVO_PULSE_MS ? moving_ms - SERVO_PULSE_MS : 0;
  if (phase_ms >= moving_ms) return to;
  if (to >= from) return (uint16_t)(from + (uint32_t)(to - from) * phase_ms / moving_ms);
  return (uint16_t)(from - (uint32_t)(from - to) * phase_ms / moving_ms);
}

// ---- limit switch ---------------------------------------------------------

// Counts closures: closed for 1 ms, after it was open for 10 ms, so that
// bouncing contacts count once.
class LimitSwitch {
 public:
  void start(bool closed, uint32_t now_us) {
    armed_ = !closed;
    closed_ = closed;
    since_us_ = now_us;
  }

  // True once for each closure.
  bool add(bool closed, uint32_t now_us) {
    if (closed != closed_) {
      closed_ = closed;
      since_us_ = now_us;
      return false;
    }
    uint32_t steady_us = now_us - since_us_;
    if (!closed && steady_us >= 10000) armed_ = true;
    if (!closed || !armed_ || steady_us < 1000) return false;
    armed_ = false;
    return true;
  }

 private:
  bool armed_ = false;
  bool closed_ = false;
  uint32_t since_us_ = 0;
};

// ---- joint ----------------------------------------------------------------

// Resistance and current come from means over this many samples, which steps
// finer than one sample; opens are judged on every sample.
static const uint8_t JOINT_BLOCK = 16;
static const uint16_t JOINT_SAMPLE_MAX = 1023;  // the converter's end stop

struct JointCycle {
  uint16_t least;        // least sum over a block while closed, in 1/16 sample
  uint16_t greatest;     // greatest sum; below `least` when open the whole cycle
  uint16_t open_sample;  // greatest sample while open; 0: never open
  uint16_t opens;        // times it opened
  uint32_t longest_us;   // longest part of an open in this cycle

  bool ever_closed() const { return greatest >= least; }

  void clear() {
    least = UINT16_MAX;
    greatest = 0;
    open_sample = 0;
    opens = 0;
    longest_us = 0;
  }
};

class JointWatch {
 public:
  void start() {
    open_ = false;
    start_cycle();
  }

  // One 10-bit sample. now_us only matters when the joint is or was open.
  void add(uint16_t sample, bool open, uint32_t now_us) {
    if (open) {
      if (sample > cycle_.open_sample) cycle_.open_sample = sample;
      add_open(now_us);
      return;
    }
    if (open_) {
      count_open_time(now_us);
      open_ = false;
    }
    sum_ += sample;
    if (++count_ == JOINT_BLOCK) {
      keep(sum_);
      empty_block();
    }
  }

  bool is_open() const { return open_; }

  // The cycle that ends now; the next one begins. whole_us: longest open that
  // lasted into this cycle, with its part before it.
  void end_cycle(uint32_t now_us, JointCycle *cycle, uint32_t *whole_us) {
    if (open_) count_open_time(now_us);
    keep_part();
    *cycle = cycle_;
    *whole_us = whole_us_;
    start_cycle();
  }

 private:
  void start_cycle() {
    cycle_.clear();
    part_us_ = 0;
    whole_us_ = 0;
    empty_block();
  }

  void empty_block() {
    sum_ = 0;
    count_ = 0;
  }

  void keep(uint16_t sum) {
    if (sum < cycle_.least) cycle_.least = sum;
    if (sum > cycle_.greatest) cycle_.greatest = sum;
  }

  // A block that the end of the cycle or an open cut short counts only if
  // there is nothing better.
  void keep_part() {
    if (count_ && !cycle_.ever_closed()) keep((uint16_t)((uint32_t)sum_ * JOINT_BLOCK / count_));
  }

  void add_open(uint32_t now_us) {
    if (open_) {
      count_open_time(now_us);
      return;
    }
    open_ = true;
    open_us_ = 0;
    part_us_ = 0;
    last_us_ = now_us;
    if (cycle_.opens < UINT16_MAX) ++cycle_.opens;
    keep_part();
    empty_block();
  }

  void count_open_time(uint32_t now_us) {
    uint32_t passed_us = now_us - last_us_;
    last_us_ = now_us;
    open_us_ = add_saturating(open_us_, passed_us);
    part_us_ = add_saturating(part_us_, passed_us);
    if (part_us_ > cycle_.longest_us) cycle_.longest_us = part_us_;
    if (open_us_ > whole_us_) whole_us_ = open_us_;
  }

  JointCycle cycle_{};
  uint32_t last_us_ = 0;
  uint32_t open_us_ = 0;
  uint32_t part_us_ = 0;
  uint32_t whole_us_ = 0;
  uint16_t sum_ = 0;
  uint8_t count_ = 0;
  bool open_ = false;
};

// The converter measures against its own 1.1 V, which makes its steps four times
// as fine as against the supply. How the two compare is measured at boot:
// reference = ratio_16 / 16384 of the supply, so that neither has to be known.
// A joint's voltage over the supply is then sum x ratio_16 / 2^28.
static const uint32_t JOINT_SUPPLY = 1UL << 28;

static inline uint32_t joint_voltage(uint16_t sum, uint16_t ratio_16) {
  return (uint32_t)sum * ratio_16;
}

// Least sample that counts as open: R / (known + R) of the supply, rounded up.
static inline uint16_t joint_open_sample(uint16_t open_ohm, uint16_t known_tenths,
                                         uint16_t ratio_16) {
  uint32_t voltage = (uint32_t)scale(JOINT_SUPPLY, 10UL * open_ohm, known_tenths + 10UL * open_ohm);
  uint32_t sample = 1 + (voltage - 1) / ((uint32_t)JOINT_BLOCK * ratio_16);
  return sample > JOINT_SAMPLE_MAX ? JOINT_SAMPLE_MAX : (uint16_t)sample;
}

// Joint's resistance in 0.0001 Ohm: known x voltage / (supply - voltage).
static inline int64_t joint_resistance_steps(uint32_t voltage, uint16_t known_tenths) {
  return scale(voltage, known_tenths * 1000UL, JOINT_SUPPLY - voltage);
}

// Current through a joint without resistance, in 0.0001 mA.
constexpr uint32_t joint_short_steps(uint16_t known_tenths, uint16_t supply_mv) {
  return (uint32_t)((supply_mv * 100000ULL + known_tenths / 2) / known_tenths);
}

// Current through the joint in 0.0001 mA: (supply - voltage) / known.
static inline int64_t joint_current_steps(uint32_t voltage, uint32_t short_steps) {
  return scale(JOINT_SUPPLY - voltage, short_steps, JOINT_SUPPLY);
}
