// Writing lines, one field a step, so that no step keeps the sensor waiting.
#pragma once

#include "probe.h"

enum LineKind : uint8_t {
  LINE_NONE,
  LINE_HELLO,
  LINE_WINDOW,
  LINE_LOAD,
  LINE_FAULT,
  LINE_ANSWER,
  LINE_BURST,
  LINE_OWN,
  LINE_FLEX,
  LINE_FLEX_END,
};

static LineKind line_kind = LINE_NONE;
static uint8_t line_field = 0;
static FaultCode fault_writing = FAULT_OVERFLOW;

static bool command_due = false;  // collected, but not yet read
static bool hello_due = false;
static bool answer_due = false;  // for parser.command()
static CommandError answer_error = ERROR_NONE;

// ---- words ------------------------------------------------------------------

// Each in the order of its enum.
#define CAUSE_WORDS FLASH_TEXT("power reset brownout watchdog unknown")
#define SENSOR_WORDS FLASH_TEXT("none INA219 INA226 INA228")
#define IDENTITY_WORDS FLASH_TEXT("- number behaviour told")
#define FAULT_WORDS FLASH_TEXT("overflow missed sensor bus range rx switch memory brownout watchdog swap")
#define LOAD_WORDS FLASH_TEXT("host cutoff boot status sensor")
#define OPENED_WORDS FLASH_TEXT("- new host cutoff sensor")
#define FLEX_WORDS FLASH_TEXT("done host open")
#define ERROR_WORDS FLASH_TEXT("- crc unknown field range busy fitted tripped")

// ---- fields -----------------------------------------------------------------

static void put_number(uint64_t value) {
  line.comma();
  line.number(value);
}

static void put_fixed(int64_t value, uint8_t decimals) {
  line.comma();
  line.fixed(value, decimals);
}

// A number that takes a division is reckoned in one step and written in the next.
static int64_t reckoned = 0;
static uint8_t reckoned_decimals = 0;  // 0: none

static void put_next(int64_t value, uint8_t decimals) {
  reckoned = value;
  reckoned_decimals = decimals;
}

// Sums of shunt counts over conversions.
ONE_COPY void put_voltage(int64_t counts, uint16_t conversions) {
  put_next(voltage_uv(counts, conversions, sensor.units()), 6);
}

ONE_COPY void put_current(int32_t counts, uint16_t conversions) {
  put_next(current_steps(counts, conversions, sensor.units()), 4);
}

static void put_word(const char *words_in_flash, uint8_t number) {
  line.comma();
  line.word(words_in_flash, number);
}

static void put_load_state() {
  line.put(!load_fitted ? '-' : load_closed() ? '1' : '0');
}

// Full scale of the current, in 0.0001 mA.
static int64_t range_steps() {
  if (sensor.kind() == SENSOR_NONE) return 0;
  // INA226 and INA228 end one count below a round 81.92 and 163.84 mV.
  int32_t full = (sensor.range_counts() + 1) & ~1L;
  return current_steps(full, 1, sensor.units());
}

// Each writes one piece, mostly a field, and returns false when it was the last;
// the last may not be put_next.

// Before it a line of how the sensor is known.
static __attribute__((noinline)) bool hello_field(uint8_t field) {
  switch (field) {
    case 0: line.end_foreign(); line.begin(FLASH_TEXT("sensor,")); break;
    case 1: line.word(IDENTITY_WORDS, sensor.ids().identity); line.put(','); break;
    case 2:
      line.hex(sensor.ids().maker, 4);
      line.put('.');
      line.hex(sensor.ids().die, 4);
      line.end();
      break;
    case 3: line.end_foreign(); line.begin(FLASH_TEXT("hello,protocol=1")); break;
    case 4: line.text(FLASH_TEXT(",firmware=" FIRMWARE_VERSION)); break;
    case 5: line.text(FLASH_TEXT(",board=")); line.hex(board_id, 8); break;
    case 6: line.text(FLASH_TEXT(",boot=")); line.number(record.boot); break;
    case 7: line.text(FLASH_TEXT(",cause=")); line.word(CAUSE_WORDS, restart_cause); break;
    case 8: line.text(FLASH_TEXT(",sensor=")); line.word(SENSOR_WORDS, sensor.kind()); break;
    case 9: line.text(FLASH_TEXT(",address=")); line.hex(sensor.address(), 2); break;
    case 10: line.text(FLASH_TEXT(",shunt_ohm=")); line.fixed(SHUNT_STEPS, 4); break;
    case 11: line.text(FLASH_TEXT(",range_ma=")); line.fixed(range_steps(), 4); break;
    case 12: line.text(FLASH_TEXT(",bus_range_v=")); line.fixed(sensor.bus_range_mv(), 3); break;
    case 13: line.text(FLASH_TEXT(",window_us=")); line.number(next_window_us); break;
    case 14: line.text(FLASH_TEXT(",load=")); put_load_state(); break;
    case 15:
      line.text(FLASH_TEXT(",opened="));
      line.word(OPENED_WORDS, load_fitted ? record.opened : (uint8_t)OPENED_NOT);
      break;
    case 16: line.text(FLASH_TEXT(",cutoff_v=")); line.fixed(record.cutoff_uv, 6); break;
    case 17: line.text(FLASH_TEXT(",hold_ms=")); line.number(record.hold_ms); break;
    case 18: line.text(FLASH_TEXT(",running=")); line.put(running ? '1' : '0'); break;
    case 19:
      if (sensor.can_burst()) {
        line.text(FLASH_TEXT(",burst_us="));
        line.number(burst_timer.period_us());
      }
      break;
    default: line.text(FLASH_TEXT(",time_us=")); line.number(now_us()); return false;
  }
  return true;
}

static bool window_field(uint8_t field) {
  const ClosedWindow &closed = closed_window;
  const WindowSums &sums = closed.sums;
  switch (field) {
    case 0: line.begin(FLASH_TEXT("w")); put_number(closed.sequence); break;
    case 1: put_number(closed.time_us); break;
    case 2: put_number(sums.conversions); break;
    case 3: put_voltage(sums.pack_voltage_sum(sensor.units()), sums.conversions); break;
    case 4: put_voltage(sums.pack_min, 1); break;
    case 5: put_voltage(sums.bus_voltage_sum(sensor.units()), sums.conversions); break;
    case 6: put_current(sums.shunt_sum, sums.conversions); break;
    case 7: put_current(sums.shunt_min, 1); break;
    case 8: put_current(sums.shunt_max, 1); break;
    case 9: put_fixed(closed.charge_steps, 6); break;
    default:
      put_fixed(closed.energy_steps, 6);
      window_due = false;
      if (WITH_INA228) own_after(closed.sequence);
      return false;
  }
  return true;
}

static bool burst_field(uint8_t field) {
  switch (field) {
    case 0: line.begin(FLASH_TEXT("burst")); put_number(now_us()); break;
    case 1: put_number(burst_sums.bursts); break;
    case 2: put_number(burst_sums.within); break;
    default:
      put_number(burst_sums.between);
      burst_sums.clear();
      burst_line_due = false;
      return false;
  }
  return true;
}

static bool own_field(uint8_t field) {
  switch (field) {
    case 0: line.begin(FLASH_TEXT("own")); put_number(own_sequence); break;
    case 1: put_number(own_clears); break;
    case 2: put_fixed(own_counts.charge, 0); break;
    case 3: put_fixed(own_counts.energy, 0); break;
    default: put_fixed(own_counts.die, 0); own_part = OWN_IDLE; return false;
  }
  return true;
}

static bool load_field(uint8_t field) {
  switch (field) {
    case 0: line.begin(FLASH_TEXT("load")); put_number(load_time_us); break;
    default: line.comma(); put_load_state(); put_word(LOAD_WORDS, load_reason); return false;
  }
  return true;
}

static bool fault_field(uint8_t field) {
  switch (field) {
    case 0: line.begin(FLASH_TEXT("fault")); put_number(now_us()); break;
    case 1: put_word(FAULT_WORDS, fault_writing); line.comma(); break;
    default:
      if (fault_writing == FAULT_RANGE) {
        line.fixed(range_steps(), 4);
      } else if (fault_writing == FAULT_SWITCH) {
        line.fixed(current_steps(switch_watch.sum(), switch_watch.pairs(), sensor.units()), 4);
      } else if (fault_writing < FAULTS_COUNTED) {
        line.number(fault_count[fault_writing]);
        fault_count[fault_writing] = 0;
      }
      return false;
  }
  return true;
}

// An unknown command may have a long name.
static void put_name_part(const Command &command, uint8_t part) {
  const uint8_t part_bytes = 30;
  uint8_t from = (uint8_t)(part * part_bytes);
  if (from >= command.name_length) return;
  uint8_t left = (uint8_t)(command.name_length - from);
  line.text_from_ram(command.name + from, left < part_bytes ? left : part_bytes);
}

static bool answer_field(uint8_t field) {
  const Command &command = parser.command();
  switch (field) {
    case 0: line.begin(answer_error == ERROR_NONE ? FLASH_TEXT("ok,") : FLASH_TEXT("no,")); break;
    case 1:
    case 2:
    case 3: put_name_part(command, (uint8_t)(field - 1)); break;
    default:
      if (answer_error != ERROR_NONE) put_word(ERROR_WORDS, answer_error);
      answer_due = false;
      return false;
  }
  return true;
}

// Sum over a block, or a sample as if it were the whole block.
static void put_joint_current(uint16_t sum) {
  const uint32_t short_steps = joint_short_steps(JOINT_RESISTOR_TENTHS, JOINT_SUPPLY_MV);
  put_next(joint_current_steps(joint_voltage(sum, joint_ratio_16), short_steps), 4);
}

static void put_joint_resistance(const JointCycle &cycle, uint16_t sum) {
  if (!cycle.ever_closed()) {
    line.comma();
    return;
  }
  put_next(joint_resistance_steps(joint_voltage(sum, joint_ratio_16), JOINT_RESISTOR_TENTHS), 4);
}

static void put_least_joint_current(const JointCycle &cycle) {
  if (cycle.open_sample == JOINT_SAMPLE_MAX) {
    put_fixed(0, 4);  // beyond what can be measured: as good as none
  } else {
    put_joint_current(cycle.open_sample ? cycle.open_sample * JOINT_BLOCK : cycle.greatest);
  }
}

static void put_greatest_joint_current(const JointCycle &cycle) {
  if (cycle.ever_closed()) {
    put_joint_current(cycle.least);
  } else {
    put_least_joint_current(cycle);
  }
}

static bool flex_field(uint8_t field) {
  const JointCycle &cycle = flex_result[flex_joint_due];
  switch (field) {
    case 0: line.begin(FLASH_TEXT("flex")); put_number(flex_result_cycle); break;
    case 1: put_number(flex_result_us); line.comma(); line.put((char)('1' + flex_joint_due)); break;
    case 2: put_least_joint_current(cycle); break;
    case 3: put_greatest_joint_current(cycle); break;
    case 4: put_joint_resistance(cycle, cycle.least); break;
    case 5: put_joint_resistance(cycle, cycle.greatest); break;
    default:
      put_number(cycle.opens);
      put_number(cycle.longest_us);
      ++flex_joint_due;
      return false;
  }
  return true;
}

static bool flex_end_field(uint8_t field) {
  switch (field) {
    case 0: line.begin(FLASH_TEXT("flex-end")); put_number(flex_cycle); break;
    case 1: put_number(flex_end_us); break;
    default: put_word(FLEX_WORDS, flex_end_reason); flex_end_due = false; return false;
  }
  return true;
}

static bool next_field() {
  uint8_t field = line_field++;
  switch (line_kind) {
    case LINE_HELLO: return hello_field(field);
    case LINE_WINDOW: return window_field(field);
    case LINE_BURST: return burst_field(field);
    case LINE_OWN: return WITH_INA228 && own_field(field);
    case LINE_LOAD: return load_field(field);
    case LINE_FAULT: return fault_field(field);
    case LINE_ANSWER: return answer_field(field);
    case LINE_FLEX: return flex_field(field);
    default: return flex_end_field(field);
  }
}

static void write_field() {
  if (reckoned_decimals) {
    put_fixed(reckoned, reckoned_decimals);
    reckoned_decimals = 0;
    return;
  }
  if (next_field()) return;
  line.end();
  line_kind = LINE_NONE;
}

// ---- which line is next -----------------------------------------------------

static const uint16_t FAULT_PAUSE_TICKS = 62;  // 1.016 s

static bool take_fault() {
  if (!faults_due) return false;
  uint16_t now = fault_ticks();
  for (uint8_t code = 0; code < FAULT_CODES; ++code) {
    uint16_t bit = (uint16_t)(1U << code);
    uint16_t ticks = (uint16_t)(now - fault_sent_ticks[code]);
    if (ticks >= FAULT_PAUSE_TICKS) faults_held &= (uint16_t)~bit;
    if (!(faults_due & bit) || faults_held & bit) continue;
    faults_due &= (uint16_t)~bit;
    faults_held |= bit;
    fault_sent_ticks[code] = now;
    fault_writing = (FaultCode)code;
    return true;
  }
  return false;
}

static bool take(bool &due) {
  bool was_due = due;
  due = false;
  return was_due;
}

static LineKind next_line() {
  if (take(hello_due)) return LINE_HELLO;
  // "ok" means that it holds after a reset, too; the new state comes after it.
  if (answer_due) {
    if (!records.writing()) return LINE_ANSWER;
  } else if (take(load_due)) {
    return LINE_LOAD;
  }
  if (take_fault()) return LINE_FAULT;
  if (flex_joint_due < flex_joints) return LINE_FLEX;
  if (flex_end_due) return LINE_FLEX_END;
  if (burst_line_due) return LINE_BURST;
  if (WITH_INA228 && own_part == OWN_PARTS) return LINE_OWN;
  if (window_due) return LINE_WINDOW;
  return LINE_NONE;
}

// Longest piece with the end of its line: ",time_us=", 20 digits, "*CCCC" and LF.
static const uint8_t FIELD_MAX_BYTES = 35;

static bool output_has_room() { return output_room(FIELD_MAX_BYTES); }
