// The probe's state, and the small steps that change it: window, load switch,
// cutoff, faults, settings, flex rig.
#pragma once

#include <Arduino.h>

#include "accumulators.h"
#include "board_clock.h"
#include "command_parser.h"
#include "cutoff.h"
#include "flex_cycle.h"
#include "line_writer.h"
#include "pins.h"
#include "record_ring.h"
#include "restart.h"
#include "rig.h"
#include "sensor.h"
#include "settings.h"
#include "window_stats.h"

#define FIRMWARE_VERSION "1.0.0"

static BoardClock board_clock;
static OutputRing output;
static LineWriter line(output);
static CommandParser parser;
static Sensor sensor;

static uint64_t now_us() { return board_clock.now_us(micros()); }

// ---- memory over resets -----------------------------------------------------

static EepromMemory eeprom;
static const uint16_t RECORDS_ADDRESS = 16;
static RecordRing<EepromMemory> records(eeprom, RECORDS_ADDRESS, 62);
static Record record;
static uint32_t board_id = 0;
static uint32_t record_byte_at_us = 0;
// An EEPROM byte takes 3.4 ms to write; meanwhile another write would wait.
static const uint32_t EEPROM_BYTE_US = 4000;

static void write_record_byte() {
  uint32_t now = micros();
  if (!records.writing() || now - record_byte_at_us < EEPROM_BYTE_US) return;
  record_byte_at_us = now;
  records.write_byte();
}

// ---- faults -----------------------------------------------------------------

enum FaultCode : uint8_t {
  FAULT_OVERFLOW,
  FAULT_SENSOR,
  FAULT_BUS,
  FAULT_RANGE,
  FAULT_MISSED,
  FAULT_RX,
  FAULT_BROWNOUT,
  FAULT_WATCHDOG,
  FAULT_CODES,
};

struct Fault {
  bool due;
  bool sent_before;
  uint32_t detail;
  uint64_t time_us;  // when it was noted first since it was last sent
  uint64_t sent_us;
};

static Fault faults[FAULT_CODES];

// Counts up what happened; the line goes out at most once a second.
static void note_fault(FaultCode code, uint32_t count) {
  Fault &fault = faults[code];
  if (!fault.due) {
    fault.due = true;
    fault.detail = 0;
    fault.time_us = now_us();
  }
  fault.detail = add_saturating(fault.detail, count);
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

static void set_load(bool closed, LoadReason reason) {
  if (!load_fitted) return;
  digitalWrite(PIN_LOAD_SWITCH, closed ? HIGH : LOW);
  cutoff.restart(now_us());
  tell_load(reason);
  if (record.load_open == !closed) return;
  record.load_open = !closed;
  records.begin(record);
}

static bool load_closed() { return load_fitted && !record.load_open; }

// ---- window -----------------------------------------------------------------

struct ClosedWindow {
  WindowStats stats;
  uint32_t sequence;
  uint64_t time_us;
};

static WindowStats window;
static ClosedWindow closed_window;
static bool window_due = false;    // closed_window has still to be sent
static bool running = false;       // the host wants window lines
static bool whole_window = false;  // it did so when this window began
static uint32_t window_us = 100000UL;
static uint32_t next_window_us = 100000UL;
static uint32_t next_sequence = 0;
static uint64_t window_began_us = 0;  // end of the last window that counted
static uint64_t window_target_us = 100000UL;
static Accumulator charge;
static Accumulator energy;
static bool charge_busy = false;
static bool energy_busy = false;

static void use_units() {
  const SensorUnits &units = sensor.units();
  charge.set_divisor((uint64_t)units.charge_divisor * SHUNT_STEPS);
  energy.set_divisor((uint64_t)units.energy_divisor * SHUNT_STEPS);
  cutoff.set(record.cutoff_uv, record.hold_ms, units);
  window.clear();
}

static bool accumulate_step() {
  if (charge_busy) {
    charge_busy = charge.step();
    return true;
  }
  if (energy_busy) {
    energy_busy = energy.step();
    return true;
  }
  return false;
}

static void next_window_from(uint64_t time_us) {
  window_us = next_window_us;
  whole_window = running;
  window_target_us += window_us;
  if (window_target_us <= time_us) window_target_us = time_us + window_us;
}

// The window that is being written is finished first; one that waits is lost,
// which its sequence number tells.
static void finish_window_line();

static void close_window(uint64_t time_us) {
  finish_window_line();
  const SensorUnits &units = sensor.units();
  uint64_t span_us = time_us - window_began_us;
  charge.begin(window.shunt_sum, window.conversions, span_us);
  energy.begin(window.power_sum(units), window.conversions, span_us);
  charge_busy = energy_busy = true;
  window_due = whole_window;
  if (window_due) {
    closed_window.stats = window;
    closed_window.time_us = time_us;
    closed_window.sequence = next_sequence++;
  }
  window_began_us = time_us;
  window.clear();
  next_window_from(time_us);
}

// ---- flex rig ---------------------------------------------------------------

enum FlexReason : uint8_t { FLEX_DONE, FLEX_BY_HOST, FLEX_OPEN };

static bool flexing = false;
static FlexOrder flex_order;
static LimitSwitch limit_switch;
static uint32_t flex_cycle = 0;  // completed
static uint64_t flex_cycle_began_us = 0;
static uint32_t flex_moved_us = 0;

static JointCycle flex_result[JOINTS_MAX];
static uint32_t flex_result_cycle = 0;
static uint64_t flex_result_us = 0;
static uint8_t flex_joints = 0;      // of the run that flex_result came from
static uint8_t flex_joint_due = 0;   // next joint to send; flex_joints: none
static bool flex_end_due = false;
static FlexReason flex_end_reason = FLEX_DONE;
static uint64_t flex_end_us = 0;

static bool limit_closed() { return digitalRead(PIN_LIMIT_SWITCH) == LOW; }

static void flex_start(const FlexOrder &order) {
  flex_order = order;
  flex_cycle = 0;
  flex_joints = order.joints;
  flex_joint_due = order.joints;
  flex_cycle_began_us = now_us();
  flex_moved_us = micros();
  limit_switch.start(limit_closed(), flex_moved_us);
  joints_start(order.joints);
  if (order.servo) servo_start(servo_pulse_half_us(order.angle_a_degrees));
  flexing = true;
}

// Results of the cycle that just ended, or that a stop cut short.
static void flex_take(uint64_t time_us, uint32_t cycle) {
  for (uint8_t joint = 0; joint < flex_joints; ++joint) {
    flex_result[joint] = joint_end_cycle(joint);
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
  if (flex_order.stop_open_us == 0) return false;
  for (uint8_t joint = 0; joint < flex_joints; ++joint) {
    if (joint_open_us(joint) >= flex_order.stop_open_us) return true;
  }
  return false;
}

static bool flex_cycle_over(uint64_t time_us) {
  if (!flex_order.servo) return limit_switch.add(limit_closed(), (uint32_t)time_us);
  uint32_t period_us = flex_order.period_ms * 1000;
  uint32_t into_us = (uint32_t)(time_us - flex_cycle_began_us);
  if (into_us >= period_us) {
    flex_cycle_began_us += period_us;
    return true;
  }
  uint32_t now = (uint32_t)time_us;
  if (now - flex_moved_us >= 20000) {
    flex_moved_us = now;
    servo_move(flex_pulse_half_us(flex_order, into_us / 1000));
  }
  return false;
}

static void flex_service(uint64_t time_us) {
  if (!flexing) return;
  if (flex_joint_failed()) {
    flex_take(time_us, flex_cycle + 1);
    flex_stop(FLEX_OPEN, time_us);
    return;
  }
  if (!flex_cycle_over(time_us)) return;
  ++flex_cycle;
  flex_take(time_us, flex_cycle);
  if (flex_cycle == flex_order.cycles) flex_stop(FLEX_DONE, time_us);
}
