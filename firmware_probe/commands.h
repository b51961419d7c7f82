// What the host's commands do.
#pragma once

#include "lines.h"

static CommandError do_load(bool closed, bool by_person) {
  if (!load_fitted) return ERROR_FITTED;
  if (closed && record.opened == OPENED_BY_CUTOFF && !by_person) return ERROR_TRIPPED;
  set_load(closed, closed == load_closed() ? LOAD_BY_STATUS : LOAD_BY_HOST);
  return ERROR_NONE;
}

static CommandError do_cutoff(uint32_t cutoff_uv, uint32_t hold_ms) {
  if (!load_fitted) return ERROR_FITTED;
  record.cutoff_uv = cutoff_uv;
  record.hold_ms = hold_ms;
  cutoff.set(cutoff_uv, hold_ms, sensor.units());
  cutoff.restart(micros());
  records.begin(record);
  return ERROR_NONE;
}

static CommandError do_burst(uint32_t burst_us) {
  if (!sensor.can_burst()) return ERROR_FITTED;
  burst_timer.set(burst_us, micros());
  burst_sums.clear();
  return ERROR_NONE;
}

// Kind in the two lowest bits, address - 40h + 1 above.
static CommandError do_sensor(uint8_t kind, uint8_t address) {
  if (running) return ERROR_BUSY;
  if (!WITH_INA228 && kind == SENSOR_INA228) return ERROR_FITTED;
  record.sensor = (uint8_t)(address << 2 | kind);
  records.begin(record);
  look_due = true;
  return ERROR_NONE;
}

static CommandError do_flex_start(const FlexOrder &order) {
  if (!RIG_FITTED) return ERROR_FITTED;
  if (flexing || flex_end_due) return ERROR_BUSY;
  flex_start(order);
  return ERROR_NONE;
}

static CommandError do_command(const Command &command) {
  switch (command.kind) {
    case COMMAND_WINDOW:
      next_window_us = command.window_us;
      return ERROR_NONE;
    case COMMAND_SENSOR:
      return do_sensor(command.sensor, (uint8_t)(record.sensor >> 2));
    case COMMAND_ADDRESS:
      return do_sensor(record.sensor & 3, command.address ? (uint8_t)(command.address - ADDRESS_LEAST + 1) : 0);
    case COMMAND_START:
      own_fresh = !running || own_fresh;
      running = true;
      return ERROR_NONE;
    case COMMAND_STOP:
      running = false;
      whole_window = false;
      return ERROR_NONE;
    case COMMAND_BURST:
      return do_burst(command.burst_us);
    case COMMAND_LOAD:
      return do_load(command.load_closed, command.by_person);
    case COMMAND_CUTOFF:
      return do_cutoff(command.cutoff_uv, command.hold_ms);
    case COMMAND_FLEX_START:
      return do_flex_start(command.flex);
    case COMMAND_FLEX_STOP:
      if (flexing) flex_stop(FLEX_BY_HOST, now_us());
      return ERROR_NONE;
    default:
      return ERROR_UNKNOWN;
  }
}

static void handle_command() {
  parser.read();
  const Command &command = parser.command();
  if (command.kind == COMMAND_IDENTIFY) {
    hello_due = true;
    return;
  }
  answer_error = command.error == ERROR_NONE ? do_command(command) : command.error;
  answer_due = true;
}

// Collects bytes up to the end of a command. The next one waits in the UART's
// buffer until this one is read, the answer is out and what has to outlive a
// reset is written.
static void collect_command() {
  if (serial_overran()) note_fault(FAULT_RX);
  while (!command_due && !answer_due && !hello_due && !records.writing() &&
         Serial.available() > 0) {
    command_due = parser.feed((uint8_t)Serial.read());
  }
}

// What the next piece of work takes at most, in microseconds, interrupts included.
static uint16_t next_work_us() {
  if (accumulating) return 190;
  bool reckons = line_kind == LINE_WINDOW && line_field >= 3 && line_field <= 8;
  return reckons && !reckoned_decimals ? 140 : 260;
}

// One piece of work, at most about 0.3 ms. False when there is none, or no room
// for it in the UART's buffer.
static bool work_step() {
  if (accumulating) {
    accumulate_step();
    return true;
  }
  if (command_due) {
    command_due = false;
    handle_command();
    return true;
  }
  if (records.writing()) write_record_byte();
  if (WITH_INA228 && own_part < OWN_PARTS) {
    own_step();
    return true;
  }
  if (!output_has_room()) return false;
  if (line_kind == LINE_NONE) {
    line_kind = next_line();
    line_field = 0;
  }
  if (line_kind == LINE_NONE) return false;
  write_field();
  return true;
}
