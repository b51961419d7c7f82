// The probe's state, and the small steps that change it: window, load switch,
// cutoff, faults, settings, flex rig.
#pragma once

#include <Arduino.h>

#include "accumulators.h"
#include "board_clock.h"
#include "burst.h"
#include "command_parser.h"
#include "cutoff.h"
#include "flex_cycle.h"
#include "line_writer.h"
#include "pins.h"
#include "port.h"
#include "record_ring.h"
#include "rig.h"
#include "sensor.h"
#include "settings.h"
#include "switch_watch.h"
#include "window_stats.h"

#define FIRMWARE_VERSION "1.0.0"

static BoardClock board_clock;
static LineWriter<PortOutput> line(port_output);
static CommandParser parser;
static Sensor sensor;

static uint64_t now_us() { return board_clock.now_us(micros()); }

// ---- memory over resets -----------------------------------------------------

static PortMemory memory;
static RecordRing<PortMemory> records(memory, RECORDS_ADDRESS, RECORDS_BYTES);
static Record record;
static uint32_t board_id = 0;
static RestartCause restart_cause = RESTART_UNKNOWN;
static uint32_t record_byte_at_us = 0;

// ---- faults -----------------------------------------------------------------

enum FaultCode : uint8_t {
  FAULT_OVERFLOW,
  FAULT_MISSED,
  FAULTS_COUNTED,
  FAULT_SENSOR = FAULTS_COUNTED,
  FAULT_BUS,
  FAULT_RANGE,
  FAULT_RX,
  FAULT_SWITCH,
  FAULT_MEMORY,
  FAULT_BROWNOUT,
  FAULT_WATCHDOG,
  FAULT_SWAP,
  FAULT_CODES,
};

static uint16_t faults_due = 0;   // a bit for each code
static uint16_t faults_held = 0;  // sent less than a second ago
static uint16_t fault_sent_ticks[FAULT_CODES];
static uint32_t fault_count[FAULTS_COUNTED];

// In 16.384 ms.
static uint16_t fault_ticks() { return (uint16_t)(micros() >> 14); }

// The line goes out at most once a second.
static void note_fault(FaultCode code) { faults_due |= (uint16_t)(1U << code); }

// Conversions beyond the range or not read: the line says how many.
static void count_fault(FaultCode code, uint32_t conversions) {
  fault_count[code] = add_saturating(fault_count[code], conversions);
  note_fault(code);
}

// A byte of the record; false when all are written.
static bool write_record() {
  bool more = records.write_byte();
  if (records.take_failure()) note_fault(FAULT_MEMORY);
  return more;
}

static void write_record_byte() {
  uint32_t now = micros();
  if (!records.writing() || now - record_byte_at_us < MEMORY_BYTE_US) return;
  record_byte_at_us = now;
  write_record();
}

// ---- load switch and cutoff -------------------------------------------------

enum LoadReason : uint8_t {
  LOAD_BY_HOST,
  LOAD_BY_CUTOFF,
  LOAD_BY_BOOT,
  LOAD_BY_STATUS,
  LOAD_BY_SENSOR,
};

static bool load_fitted = false;
static bool load_due = false;
static LoadReason load_reason = LOAD_BY_BOOT;
static uint64_t load_time_us = 0;
static Cutoff cutoff;
static SwitchWatch switch_watch;

static void tell_load(LoadReason reason) {
  load_due = true;
  load_reason = reason;
  load_time_us = now_us();
}

// The 10 kOhm at the gate wins against the chip's pull-up (at least 20 kOhm,
// ATmega328P data sheet): the pin then reads low.
static void find_load_switch() {
  if (LOAD_SWITCH == 2) {
    pinMode(PIN_LOAD_SWITCH, INPUT_PULLUP);
    delayMicroseconds(50);
    load_fitted = digitalRead(PIN_LOAD_SWITCH) == LOW;
  } else {
    load_fitted = LOAD_SWITCH == 1;
  }
  digitalWrite(PIN_LOAD_SWITCH, LOW);
  pinMode(PIN_LOAD_SWITCH, OUTPUT);
}

static Opened opened_by(LoadReason reason) {
  return reason == LOAD_BY_CUTOFF   ? OPENED_BY_CUTOFF
         : reason == LOAD_BY_SENSOR ? OPENED_BY_SENSOR
                                    : OPENED_BY_HOST;
}

static void set_load(bool closed, LoadReason reason) {
  if (!load_fitted) return;
  digitalWrite(PIN_LOAD_SWITCH, closed ? HIGH : LOW);
  cutoff.restart(micros());
  switch_watch.restart(micros());
  tell_load(reason);
  Opened opened = closed ? OPENED_NOT : opened_by(reason);
  if (record.opened == opened || (record.opened == OPENED_BY_CUTOFF && !closed)) return;
  record.opened = opened;
  records.begin(record);
}

static bool load_closed() { return load_fitted && record.opened == OPENED_NOT; }

// ---- window -----------------------------------------------------------------

// What is needed of a window once it is over, until its line is out.
struct ClosedWindow {
  WindowSums sums;
  uint32_t sequence;
  uint64_t time_us;
  int64_t charge_steps;
  int64_t energy_steps;
};

static WindowStats window;
static bool running = false;       // the host wants window lines
static bool whole_window = false;  // and wanted them when this window began
static uint32_t next_window_us = 100000UL;
static uint32_t next_sequence = 0;
static uint64_t window_began_us = 0;  // end of the last window that counted
static uint32_t window_end_us = 0;    // when it is due to end, in microseconds of micros()

static ClosedWindow closed_window;
static bool window_due = false;   // closed_window's line is not out yet
static bool totals_due = false;   // nor are its charge and energy known
static bool accumulating = false;
static int64_t power_sum_due = 0;
static uint64_t power_span_us = 0;
static uint16_t power_conversions = 0;  // 0: none due

static BurstTimer burst_timer;
static BurstSums burst_sums;  // since the last line
static bool burst_line_due = false;

static Accumulator charge;
static Accumulator energy;
static WindowAdder adder;

static void use_units() {
  const SensorUnits &units = sensor.units();
  charge.set_divisor(units.charge_divisor);
  energy.set_divisor(units.energy_divisor);
  cutoff.set(record.cutoff_uv, record.hold_ms, units);
  window.clear();
  burst_sums.clear();
}

// First the window's charge, then its energy, one division a call.
static void accumulate_step() {
  if (adder.step()) return;
  if (power_conversions) {
    adder.begin(&energy, power_sum_due, power_conversions, power_span_us);
    power_conversions = 0;
    return;
  }
  accumulating = false;
  if (!totals_due) return;
  totals_due = false;
  closed_window.charge_steps = charge.rounded_steps();
  closed_window.energy_steps = energy.rounded_steps();
}

static void finish_accumulating() {
  while (accumulating) {
    accumulate_step();
    watchdog_feed();
  }
}

static bool window_over() { return (int32_t)(micros() - window_end_us) >= 0; }

// The grid of window ends goes on; after a long stall it starts anew from here.
static void begin_window() {
  whole_window = running;
  window_end_us += next_window_us;
  if (window_over()) window_end_us = micros() + next_window_us;
}

// Keeps what its line needs. While an older line is still on its way out, as
// when the windows are too short for the baud rate, this one's is lost, which
// the next sequence number tells; its charge is not.
static void keep_window(uint64_t time_us) {
  uint32_t sequence = next_sequence++;
  if (window_due) return;
  window_due = totals_due = true;
  closed_window.time_us = time_us;
  closed_window.sequence = sequence;
  closed_window.sums = window;
}

static void close_window() {
  finish_accumulating();
  uint64_t time_us = now_us();
  power_span_us = time_us - window_began_us;
  power_sum_due = window.power_sum(sensor.units());
  power_conversions = window.conversions;
  adder.begin(&charge, window.shunt_sum, window.conversions, power_span_us);
  accumulating = true;
  if (whole_window) keep_window(time_us);
  window_began_us = time_us;
  window.clear();
  begin_window();
}

static void add_burst(const int16_t *values) {
  if (burst_line_due) return;  // the sums wait for their line
  burst_sums.add(values);
  burst_line_due = burst_sums.bursts >= BURSTS_PER_LINE;
}

// ---- the sensor's own counting ------------------------------------------------

static const uint32_t OWN_EVERY_US = 10000000UL;
static const uint8_t OWN_IDLE = 0xFF;

static OwnCounts own_counts;
static uint8_t own_part = OWN_IDLE;  // being read; OWN_PARTS: the line is due
static bool look_due = false;        // for the sensor, as the host has told another
static bool own_fresh = true;        // none was sent since the host's start or the sensor was set up
static uint32_t own_sequence = 0;
static uint32_t own_began_us = 0;
static uint8_t own_clears = 0;  // of its accumulators, since boot

// After the line of a window.
static void own_after(uint32_t sequence) {
  if (!sensor.counts_itself() || own_part != OWN_IDLE) return;
  uint32_t now = micros();
  if (!own_fresh && now - own_began_us < OWN_EVERY_US) return;
  own_fresh = false;
  own_began_us = now;
  own_sequence = sequence;
  own_part = 0;
}

// One register. What cannot be read is not sent.
static void own_step() {
  own_part = sensor.read_own(own_part, &own_counts) ? (uint8_t)(own_part + 1) : OWN_IDLE;
}

static void own_restart() {
  ++own_clears;
  own_fresh = true;
  own_part = OWN_IDLE;
}

// ---- flex rig ---------------------------------------------------------------

enum FlexReason : uint8_t { FLEX_DONE, FLEX_BY_HOST, FLEX_OPEN };

static bool flexing = false;
static FlexOrder flex_order;
static LimitSwitch limit_switch;
static uint32_t flex_cycle = 0;  // completed
static uint32_t flex_cycle_began_us = 0;

static JointCycle flex_result[JOINTS_MAX];
static uint32_t flex_result_cycle = 0;
static uint64_t flex_result_us = 0;
static uint32_t flex_longest_open_us = 0;  // of any joint, with its part in earlier cycles
static uint8_t flex_joints = 0;            // of the run that flex_result came from
static uint8_t flex_joint_due = 0;         // next joint to send; flex_joints: none
static bool flex_end_due = false;
static FlexReason flex_end_reason = FLEX_DONE;
static uint64_t flex_end_us = 0;

static bool limit_closed() { return digitalRead(PIN_LIMIT_SWITCH) == LOW; }

static void flex_start(const FlexOrder &order) {
  flex_order = order;
  flex_cycle = 0;
  flex_joints = order.joints;
  flex_joint_due = order.joints;
  flex_cycle_began_us = micros();
  limit_switch.start(limit_closed(), flex_cycle_began_us);
  joints_start(order.joints);
  if (order.servo) servo_start(servo_pulse_half_us(order.angle_a_degrees));
  flexing = true;
}

static void flex_take(uint64_t time_us, uint32_t cycle) {
  flex_longest_open_us = 0;
  for (uint8_t joint = 0; joint < flex_joints; ++joint) {
    uint32_t open_us;
    joint_end_cycle(joint, &flex_result[joint], &open_us);
    if (open_us > flex_longest_open_us) flex_longest_open_us = open_us;
  }
  flex_result_cycle = cycle;
  flex_result_us = time_us;
  flex_joint_due = 0;
}

static void flex_stop(FlexReason reason, uint64_t time_us) {
  flexing = false;
  joints_stop();
  servo_stop();
  flex_end_due = true;
  flex_end_reason = reason;
  flex_end_us = time_us;
}

static bool flex_joint_failed() {
  return flex_order.stop_open_us && flex_longest_open_us >= flex_order.stop_open_us;
}

static bool flex_cycle_over() {
  uint32_t now = micros();
  if (!flex_order.servo) return limit_switch.add(limit_closed(), now);
  uint32_t period_us = flex_order.period_ms * 1000;
  uint32_t into_us = now - flex_cycle_began_us;
  if (into_us >= period_us) {
    flex_cycle_began_us += period_us;
    return true;
  }
  if (servo_between_pulses()) servo_move(flex_pulse_half_us(flex_order, into_us / 1000));
  return false;
}

static void flex_service() {
  if (!flexing || !flex_cycle_over()) return;
  uint64_t time_us = now_us();
  flex_take(time_us, ++flex_cycle);
  if (flex_joint_failed()) {
    flex_stop(FLEX_OPEN, time_us);
  } else if (flex_cycle == flex_order.cycles) {
    flex_stop(FLEX_DONE, time_us);
  }
}
