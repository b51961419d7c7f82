// Bench probe: reads current and voltage of a pack from an INA219, INA226 or INA228,
// opens a load switch at a cutoff, drives a flex rig, and reports in lines that
// PROTOCOL.md describes. Wiring: pins.h and README.md. What may be changed
// before the upload: settings.h.

#include <Arduino.h>

#include "commands.h"

// All of these in the 32-bit microseconds of micros().
static uint32_t pair_seen_us = 0;    // when the last conversion was found
static uint32_t checked_us = 0;      // when the sensor's settings were last looked at
static uint32_t pause_began_us = 0;  // the sensor is left alone for pause_us from here
static uint32_t pause_us = 0;
static bool pair_counted = false;  // no conversion was lost for a known reason since the last
static bool waited = false;        // a look found no new conversion since the last
static uint8_t pairs_late = 0;     // in a row that were there at the first look
static uint8_t pairs_without_work = 0;
static bool sensor_lost = false;
static uint8_t silent_polls = 0;

static const uint32_t SECOND_US = 1000000UL;
static const uint32_t BUS_PAUSE_US = 100000UL;
static const uint8_t SILENT_POLLS_MAX = 3;
// Several conversions at any setting: longer without one, and none is expected.
static const uint32_t CONVERTING_US = 5000;
// A sensor that converts in less cannot be read as fast as it converts.
static const uint16_t FAST_US = 800;
// After more than that for a conversion, as when a window or flex cycle ended
// with it, there is no time for work before the next.
static const uint16_t BUSY_US = 700;
static const uint8_t PAIRS_WITHOUT_WORK_MAX = 5;

static void pause_sensor(uint32_t duration_us) {
  pause_began_us = micros();
  pause_us = duration_us;
  pair_counted = false;
}

static void lose_sensor() {
  note_fault(FAULT_SENSOR);
  sensor_lost = true;
}

// Of another kind or at another place than the one before it: not the same one.
static void note_swap() {
  static uint8_t before = 0;  // kind above the last digit of the address
  uint8_t now = (uint8_t)(sensor.kind() << 4 | (sensor.address() & 0x0F));
  if (before && before != now && !look_due) {
    note_fault(FAULT_SWAP);
    hello_due = true;
  }
  before = now;
}

// A sensor of another kind counts in other steps: the window so far is void.
static __attribute__((noinline)) void look_for_sensor() {
  uint16_t ratio_before = sensor.units().pack_ratio;
  uint8_t told = record.sensor >> 2;
  sensor_lost = !sensor.find((SensorKind)(record.sensor & 3), told ? (uint8_t)(ADDRESS_LEAST - 1 + told) : 0);
  silent_polls = 0;
  pause_sensor(sensor_lost ? SECOND_US : 0);
  pair_seen_us = checked_us = micros();
  own_restart();
  if (sensor_lost) {
    note_fault(sensor.bus_hung() ? FAULT_BUS : FAULT_SENSOR);
    return;
  }
  note_swap();
  if (sensor.units().pack_ratio != ratio_before) {
    finish_accumulating();
    use_units();
  }
}

// What the host has told of it is in the memory, and the answer is out.
static void look_again() {
  if (!look_due || records.writing() || answer_due || window_due) return;
  look_for_sensor();
  look_due = false;
  hello_due = true;
}

void setup() {
  find_load_switch();
  window_end_us = micros();
  board_clock.start(window_end_us);
  begin_window();
  restart_cause = find_restart_cause();
  Serial.begin(BAUD);
  watchdog_start();
  memory.begin();
  board_id = board_name(memory);
  records.load(&record);
  ++record.boot;
  records.begin(record);
  while (write_record()) {
    watchdog_feed();  // worn memory is tried slot by slot, for seconds
  }
  digitalWrite(PIN_LOAD_SWITCH, load_closed() ? HIGH : LOW);
  pinMode(PIN_LIMIT_SWITCH, INPUT_PULLUP);
  joints_begin();
  sensor.begin();
  use_units();
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
  if (period_us < FAST_US) return;
  if (pair_counted && passed_us > period_us * 7 / 4) {
    count_fault(FAULT_MISSED, (passed_us + period_us / 2) / period_us - 1);
  }
  pair_counted = true;
}

// Apart, because it needs every register and is seldom called.
static __attribute__((noinline)) void end_window() {
  if (window.conversions) {
    close_window();
  } else {
    begin_window();  // the time of the one that ended belongs to it
  }
}

static void end_window_if_due() {
  if (window_over() || window.full(sensor.wide())) end_window();
}

static void take_pair(bool overflow) {
  int32_t shunt = sensor.shunt();
  uint16_t ratio = sensor.units().pack_ratio;
  int32_t pack = shunt + (sensor.wide() ? sensor.bus() * (int32_t)ratio : (int32_t)((uint32_t)(uint16_t)sensor.bus() * ratio));
  if (overflow) {
    count_fault(FAULT_OVERFLOW, 1);
  } else {
    window.add(sensor.bus(), shunt, pack, sensor.wide());
  }
  if (load_fitted && !load_closed() && switch_watch.add(shunt, pair_seen_us, sensor.units())) {
    note_fault(FAULT_SWITCH);
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
  look_again();
  if (sensor_lost) {
    if (window_due) return false;  // its line is in the old one's steps
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
      pairs_late = waited ? 0 : 1 + (pairs_late & 0x7F);
      waited = false;
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

// Is there time for a piece of work before the next conversion? After one that
// had not to be waited for there is none, or a sensor with a fast clock would get
// ever further ahead: its shunt has to be read within half a period. The sensor
// that converts faster than it can be read is made to wait each time, and any
// other once in a while.
static bool time_for_work(uint16_t spent_us) {
  if (sensor.period_us() > FAST_US && (pairs_late || spent_us > BUSY_US) &&
      ++pairs_without_work < PAIRS_WITHOUT_WORK_MAX) {
    return false;
  }
  pairs_without_work = 0;
  return true;
}

// Everything else goes where it does not delay the next conversion: right after
// one. One piece of work, and more as long as there is time.
static void work(bool pair_taken) {
  uint32_t now = micros();
  bool converting = now - pair_seen_us < CONVERTING_US;
  if (!converting) {
    now_us();  // at least once per wrap of micros()
    look_again();
    end_window_if_due();
    if (cutoff.blind(now) && load_closed()) set_load(false, LOAD_BY_SENSOR);
  } else if (!pair_taken) {
    return;
  }
  flex_service();
  if (converting && !time_for_work((uint16_t)(micros() - pair_seen_us))) return;
  if (check_sensor(now)) return;
  uint16_t period_us = sensor.period_us();
  while (work_step() && converting &&
         (uint16_t)(micros() - pair_seen_us) + next_work_us() < period_us - (period_us >> 4)) {
  }
}

// Right after a pair, so that no more than one is lost.
static void burst_if_due(bool pair_taken) {
  if (!pair_taken || !running || flexing || sensor_lost || pause_us) return;
  if (!burst_timer.due(micros())) return;
  int16_t values[BURST_VALUES];
  if (sensor.burst(values)) add_burst(values);
  pair_counted = false;
}

void loop() {
  watchdog_feed();
  output_service();
  collect_command();
  bool pair_taken = poll_sensor();
  work(pair_taken);
  burst_if_due(pair_taken);
}
