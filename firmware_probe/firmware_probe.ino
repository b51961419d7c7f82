// Bench probe: reads current and voltage of a pack from an INA219 or INA226,
// opens a load switch at a cutoff, drives a flex rig, and reports in lines that
// PROTOCOL.md describes. Wiring: pins.h and README.md. What may be changed
// before the upload: settings.h.

#include <Arduino.h>
#include <EEPROM.h>
#include <Wire.h>

#include "commands.h"

// All of these in the 32-bit microseconds of micros().
static uint32_t pair_seen_us = 0;    // when the last conversion was found
static uint32_t checked_us = 0;      // when the sensor's settings were last looked at
static uint32_t pause_began_us = 0;  // the sensor is left alone for pause_us from here
static uint32_t pause_us = 0;
static bool pair_counted = false;  // no conversion was lost for a known reason since the last
static uint16_t late_us = 0;       // at most so late was the last one found
static uint8_t pairs_unworked = 0;  // in a row that left no time for work
static bool window_ended = false;   // at this conversion, which took time
static bool waited = false;        // a look found no new conversion since the last
static bool sensor_lost = false;
static uint8_t silent_polls = 0;

static const uint32_t SECOND_US = 1000000UL;
static const uint32_t BUS_PAUSE_US = 100000UL;
static const uint8_t SILENT_POLLS_MAX = 3;
static const uint8_t PAIRS_UNWORKED_MAX = 5;
// A conversion must be read before the next one's first half is done. From a look
// to the reading of the shunt: 0.34 ms; so late may a look be, with a margin.
static const uint16_t LATE_MAX_US = 120;
// Several conversions at any setting: longer without one, and none is expected.
static const uint32_t CONVERTING_US = 5000;
// What reading a conversion takes, with a margin.
static const uint16_t READ_US = 900;
// Longest single piece of work, with a margin for interrupts.
static const uint16_t WORK_US = 350;

static void pause_sensor(uint32_t duration_us) {
  pause_began_us = micros();
  pause_us = duration_us;
  pair_counted = false;
}

static void lose_sensor() {
  note_fault(FAULT_SENSOR);
  sensor_lost = true;
}

// A sensor of the other kind counts in other steps: the window so far is void.
static void look_for_sensor() {
  const SensorUnits *units_before = &sensor.units();
  sensor_lost = !sensor.find();
  silent_polls = 0;
  pause_sensor(sensor_lost ? SECOND_US : 0);
  pair_seen_us = checked_us = micros();
  if (sensor_lost) {
    note_fault(sensor.bus_hung() ? FAULT_BUS : FAULT_SENSOR);
  } else if (&sensor.units() != units_before) {
    finish_accumulating();
    use_units();
  }
}

void setup() {
  find_load_switch();
  window_end_us = micros();
  board_clock.start(window_end_us);
  begin_window();
  restart_cause = find_restart_cause();
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
  joints_begin();
  use_units();
  sensor.begin();
  look_for_sensor();
  if (restart_cause == RESTART_BROWNOUT) note_fault(FAULT_BROWNOUT);
  if (restart_cause == RESTART_WATCHDOG) note_fault(FAULT_WATCHDOG);
  hello_due = true;
  if (load_fitted) tell_load(LOAD_BY_BOOT);
}

// Conversions between the last two that were found, by the time that passed.
static void count_missed(uint32_t now_us) {
  uint32_t period_us = sensor.period_us();
  uint32_t passed_us = now_us - pair_seen_us;
  pair_seen_us = now_us;
  // Faster than the I2C bus: the sensor converts again while it is being read.
  if (period_us < READ_US) return;
  if (pair_counted && passed_us > period_us * 7 / 4) {
    count_fault(FAULT_MISSED, (passed_us + period_us / 2) / period_us - 1);
  }
  pair_counted = true;
}

// Apart, because it needs every register and is seldom called.
static __attribute__((noinline)) void end_window() {
  window_ended = true;
  if (window.conversions) {
    close_window();
  } else {
    begin_window();  // the time of the one that ended belongs to it
  }
}

static void end_window_if_due() {
  if (window_over() || window.full()) end_window();
}

// Shortest time between two conversions: the sensor's clock may be a sixteenth fast.
static uint16_t period_min_us() { return sensor.period_us() - (sensor.period_us() >> 4); }

// How late this conversion may have been found. One that had to be waited for is
// in time; else it is later than the one before by what passed beyond a period.
static void note_lateness(uint32_t passed_us) {
  if (waited || passed_us > CONVERTING_US) {
    late_us = 0;
  } else {
    int32_t late = (int32_t)late_us + (int32_t)passed_us - period_min_us();
    late_us = late > 0 ? (uint16_t)late : 0;
  }
  waited = false;
}

static void take_pair(bool overflow) {
  int16_t shunt = sensor.shunt();
  int32_t pack = (int32_t)sensor.bus() * sensor.units().pack_ratio + shunt;
  if (overflow) {
    count_fault(FAULT_OVERFLOW, 1);
  } else {
    window.add(sensor.bus(), shunt, pack);
  }
  // Beyond the range the pack is taken for as low as it may be.
  if (cutoff.add(pack, pair_seen_us) && load_closed()) set_load(false, LOAD_BY_CUTOFF);
  end_window_if_due();
}

// True when a conversion was taken, so that there is time until the next.
static bool poll_sensor() {
  uint32_t now_us = micros();
  if (now_us - pause_began_us < pause_us) return false;
  pause_us = 0;
  if (sensor_lost) {
    look_for_sensor();
    return false;
  }
  SensorEvent event = sensor.poll();
  switch (event) {
    case SENSOR_WAITING:
      silent_polls = 0;
      waited = true;
      return false;
    case SENSOR_SILENT:
      if (++silent_polls >= SILENT_POLLS_MAX) lose_sensor();
      return false;
    case SENSOR_BUS_HUNG:
      note_fault(FAULT_BUS);
      pause_sensor(BUS_PAUSE_US);
      return false;
    default:
      silent_polls = 0;
      note_lateness(now_us - pair_seen_us);
      count_missed(now_us);
      take_pair(event != SENSOR_PAIR);
      if (event == SENSOR_WIDENED) {
        note_fault(FAULT_RANGE);
        pair_counted = false;
      }
      return true;
  }
}

// Once a second: does the sensor still have its settings, does it convert?
static bool check_sensor(uint32_t now_us) {
  if (sensor_lost || pause_us || now_us - checked_us < SECOND_US) return false;
  checked_us = now_us;
  if (!sensor.still_configured() || now_us - pair_seen_us >= SECOND_US) lose_sensor();
  return true;
}

// Is there time for another piece before the next conversion has to be read?
static bool time_for_work() {
  uint16_t passed_us = (uint16_t)(micros() - pair_seen_us);
  return late_us + passed_us + WORK_US < period_min_us() + LATE_MAX_US;
}

// Work goes where it does not delay the next conversion: right after one, as much
// as there is time for. A sensor that converts faster than it can be read leaves
// none: then one piece each time, and otherwise one after a few without.
static void work(bool pair_taken) {
  uint32_t now = micros();
  bool converting = now - pair_seen_us < CONVERTING_US;
  if (!converting) {
    now_us();  // at least once per wrap of micros()
    end_window_if_due();
    if (cutoff.blind(now) && load_closed()) set_load(false, LOAD_BY_SENSOR);
  } else if (!pair_taken) {
    return;
  }
  if (check_sensor(now)) return;
  if (sensor.period_us() < READ_US) {
    work_step();
    return;
  }
  bool busy = converting && (window_ended || !time_for_work());
  window_ended = false;
  if (busy && ++pairs_unworked <= PAIRS_UNWORKED_MAX) return;
  pairs_unworked = 0;
  while (work_step() && converting && time_for_work()) {
  }
}

void loop() {
  watchdog_feed();
  read_commands();
  bool pair_taken = poll_sensor();
  flex_service();
  work(pair_taken);
}
