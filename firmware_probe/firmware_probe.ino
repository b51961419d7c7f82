// Bench probe: reads current and voltage of a pack from an INA219 or INA226,
// opens a load switch at a cutoff, drives a flex rig, and reports in lines that
// PROTOCOL.md describes. Wiring: pins.h and README.md. What may be changed
// before the upload: settings.h.

#include <Arduino.h>
#include <EEPROM.h>
#include <Wire.h>

#include "commands.h"

static uint32_t pair_seen_us = 0;  // when the last conversion was found
static bool pair_counted = false;  // and none has been lost for a known reason since
static bool sensor_lost = false;
static uint8_t silent_polls = 0;
static uint64_t try_again_us = 0;  // when to look for a lost sensor, or at a bus that hung
static uint64_t check_us = 0;      // when to look after the sensor's settings

static const uint32_t SECOND_US = 1000000UL;
static const uint32_t BUS_PAUSE_US = 100000UL;
static const uint8_t SILENT_POLLS_MAX = 3;
// Longest single piece of work, with a margin for interrupts.
static const uint32_t WORK_US = 350;

static void lose_sensor(FaultCode code, uint64_t time_us) {
  note_fault(code, 0);
  sensor_lost = true;
  pair_counted = false;
  try_again_us = time_us;
}

// A sensor of the other kind counts in other steps: the window so far is void.
static void look_for_sensor(uint64_t time_us) {
  finish_window_line();
  const SensorUnits *units_before = &sensor.units();
  sensor_lost = !sensor.find();
  silent_polls = 0;
  pair_seen_us = micros();
  try_again_us = time_us + SECOND_US;
  check_us = time_us + SECOND_US;
  if (sensor_lost) {
    note_fault(sensor.bus_hung() ? FAULT_BUS : FAULT_SENSOR, 0);
  } else if (&sensor.units() != units_before) {
    window_due = false;
    use_units();
  }
}

void setup() {
  find_load_switch();
  board_clock.start(micros());
  Serial.begin(BAUD);
  watchdog_start();
  board_id = board_name();
  records.load(&record);
  ++record.boot;
  records.begin(record);
  while (records.write_byte()) {
  }
  digitalWrite(PIN_LOAD_SWITCH, load_closed() ? HIGH : LOW);
  pinMode(PIN_LIMIT_SWITCH, INPUT_PULLUP);
  window.clear();
  use_units();
  sensor.begin();
  look_for_sensor(0);
  if (restart_cause() == RESTART_BROWNOUT) note_fault(FAULT_BROWNOUT, 0);
  if (restart_cause() == RESTART_WATCHDOG) note_fault(FAULT_WATCHDOG, 0);
  hello_due = true;
  if (load_fitted) tell_load(LOAD_BY_BOOT);
}

// Conversions between the last two that were found, by the time that passed.
static void count_missed(uint32_t now) {
  uint32_t period_us = sensor.period_us();
  uint32_t passed_us = now - pair_seen_us;
  pair_seen_us = now;
  // Faster than the I2C bus: the sensor converts again while it is being read.
  if (period_us < 1000) return;
  if (pair_counted && passed_us > period_us * 7 / 4) {
    note_fault(FAULT_MISSED, (passed_us + period_us / 2) / period_us - 1);
  }
  pair_counted = true;
}

static void take_pair(uint64_t time_us, bool overflow) {
  int16_t shunt = sensor.shunt();
  int32_t pack = (int32_t)sensor.bus() * sensor.units().pack_ratio + shunt;
  bool window_was_empty = window.conversions == 0;
  if (overflow) {
    note_fault(FAULT_OVERFLOW, 1);
  } else {
    window.add(sensor.bus(), shunt, pack);
  }
  // Beyond the range the pack is taken for as low as it may be.
  if (cutoff.add(pack, time_us) && load_closed()) set_load(false, LOAD_BY_CUTOFF);
  if (time_us < window_target_us && !window.full()) return;
  if (window_was_empty) {
    // No conversion until now: this window's time belongs to the next.
    next_window_from(time_us);
  } else {
    close_window(time_us);
  }
}

// True when a conversion was taken, so that there is time until the next.
static bool poll_sensor(uint64_t time_us) {
  if (time_us < try_again_us) return false;
  if (sensor_lost) {
    look_for_sensor(time_us);
    return false;
  }
  uint32_t now = micros();
  SensorEvent event = sensor.poll();
  switch (event) {
    case SENSOR_WAITING:
      silent_polls = 0;
      return false;
    case SENSOR_SILENT:
      if (++silent_polls >= SILENT_POLLS_MAX) lose_sensor(FAULT_SENSOR, time_us);
      return false;
    case SENSOR_BUS_HUNG:
      note_fault(FAULT_BUS, 0);
      pair_counted = false;
      try_again_us = time_us + BUS_PAUSE_US;
      return false;
    default:
      silent_polls = 0;
      count_missed(now);
      take_pair(now_us(), event != SENSOR_PAIR);
      if (event == SENSOR_WIDENED) {
        note_fault(FAULT_RANGE, 0);
        pair_counted = false;
      }
      return true;
  }
}

// Once a second: does the sensor still have its settings, does it convert?
static bool check_sensor(uint64_t time_us) {
  if (sensor_lost || time_us < check_us) return false;
  check_us = time_us + SECOND_US;
  bool converts = micros() - pair_seen_us < SECOND_US;
  if (!sensor.still_configured() || !converts) lose_sensor(FAULT_SENSOR, time_us);
  return true;
}

// Work goes where it does not delay the next conversion: right after one, as
// much as fits before the next; at least one piece, or a fast sensor would
// leave no time for any.
static void work(bool pair_taken, uint64_t time_us) {
  uint32_t period_us = sensor.period_us();
  if (!pair_taken) {
    // Nothing to wait for.
    if (micros() - pair_seen_us > 3 * period_us && !check_sensor(time_us)) work_step();
    return;
  }
  if (check_sensor(time_us)) return;
  while (work_step() && micros() - pair_seen_us + WORK_US < period_us) {
  }
}

void loop() {
  uint64_t time_us = now_us();
  watchdog_feed();
  feed_uart();
  read_commands();
  bool pair_taken = poll_sensor(time_us);
  flex_service(time_us);
  if (cutoff.blind(time_us) && load_closed()) set_load(false, LOAD_BY_SENSOR);
  work(pair_taken, time_us);
}
