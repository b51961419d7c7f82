// Answers questions about the firmware's headers: one line of words in, one line out.
// test_headers.py asks, and knows the answers from Python.

#include <cinttypes>
#include <cstdio>
#include <iostream>
#include <sstream>
#include <string>
#include <vector>

#include "accumulators.h"
#include "board_clock.h"
#include "burst.h"
#include "board_name.h"
#include "command_parser.h"
#include "crc16.h"
#include "cutoff.h"
#include "switch_watch.h"
#include "flash_memory.h"
#include "flex_cycle.h"
#include "line_writer.h"
#include "output_ring.h"
#include "record_ring.h"
#include "sensor_units.h"
#include "window_stats.h"

namespace {

struct TextOutput {
  std::string text;
  void write(uint8_t byte) { text.push_back(static_cast<char>(byte)); }
};

std::vector<uint8_t> from_hex(const std::string &hex) {
  std::vector<uint8_t> bytes;
  for (size_t i = 0; i + 1 < hex.size(); i += 2) {
    bytes.push_back(static_cast<uint8_t>(std::stoul(hex.substr(i, 2), nullptr, 16)));
  }
  return bytes;
}

template <class Number>
Number next(std::istringstream &words) {
  long long value = 0;
  words >> value;
  return static_cast<Number>(value);
}

uint64_t next_u64(std::istringstream &words) {
  unsigned long long value = 0;
  words >> value;
  return value;
}

// crc HEX
void crc(std::istringstream &words) {
  std::string hex;
  words >> hex;
  std::vector<uint8_t> bytes = from_hex(hex);
  std::printf("%04X\n", crc16(bytes.data(), static_cast<uint16_t>(bytes.size())));
}

// fixed VALUE DECIMALS
void fixed(std::istringstream &words) {
  int64_t value = next<int64_t>(words);
  TextOutput out;
  LineWriter<TextOutput>(out).fixed(value, next<uint8_t>(words));
  std::printf("%s\n", out.text.c_str());
}

// line KIND TEXT NUMBER FIXED DECIMALS HEX
void line(std::istringstream &words) {
  std::string kind, text;
  words >> kind >> text;
  TextOutput out;
  LineWriter<TextOutput> writer(out);
  writer.begin(kind.c_str());
  writer.comma();
  writer.text_from_ram(text.data(), static_cast<uint8_t>(text.size()));
  writer.comma();
  writer.number(next_u64(words));
  writer.comma();
  int64_t value = next<int64_t>(words);
  writer.fixed(value, next<uint8_t>(words));
  writer.comma();
  writer.hex(next<uint32_t>(words), 8);
  writer.end();
  std::printf("%s", out.text.c_str());
}

// scale VALUE FACTOR DIVISOR
void scaled(std::istringstream &words) {
  int64_t value = next<int64_t>(words);
  uint32_t factor = next<uint32_t>(words);
  std::printf("%" PRId64 "\n", scale(value, factor, next<uint32_t>(words)));
}

// floor VALUE DIVISOR
void floored(std::istringstream &words) {
  int64_t value = next<int64_t>(words);
  uint64_t rest;
  int64_t quotient = divide_floor(value, next_u64(words), &rest);
  std::printf("%" PRId64 " %" PRIu64 "\n", quotient, rest);
}

SensorUnits units_of(const std::string &sensor, uint16_t shunt_steps) {
  return sensor == "INA228"   ? ina228_units(shunt_steps)
         : sensor == "INA226" ? ina226_units(shunt_steps)
                              : ina219_units(shunt_steps);
}

// window SENSOR SHUNT_STEPS SPAN_US BUS SHUNT ... : the integers of the line
void window(std::istringstream &words) {
  std::string sensor;
  words >> sensor;
  uint16_t shunt_steps = next<uint16_t>(words);
  uint64_t span_us = next_u64(words);
  SensorUnits units = units_of(sensor, shunt_steps);
  WindowStats stats;
  stats.clear();
  int bus, shunt;
  while (words >> bus >> shunt) {
    stats.add(static_cast<int32_t>(bus), static_cast<int32_t>(shunt),
              bus * units.pack_ratio + shunt, sensor == "INA228");
  }
  Accumulator charge, energy;
  charge.set_divisor(units.charge_divisor);
  energy.set_divisor(units.energy_divisor);
  WindowAdder adder;
  adder.begin(&charge, stats.shunt_sum, stats.conversions, span_us);
  while (adder.step()) {
  }
  adder.begin(&energy, stats.power_sum(units), stats.conversions, span_us);
  while (adder.step()) {
  }
  uint16_t n = stats.conversions;
  std::printf("%u %" PRId64 " %" PRId64 " %" PRId64 " %" PRId64 " %" PRId64 " %" PRId64 " %" PRId64
              " %" PRId64 "\n",
              n, voltage_uv(stats.pack_voltage_sum(units), n, units),
              voltage_uv(stats.pack_min, 1, units),
              voltage_uv(stats.bus_voltage_sum(units), n, units),
              current_steps(stats.shunt_sum, n, units),
              current_steps(stats.shunt_min, 1, units),
              current_steps(stats.shunt_max, 1, units), charge.rounded_steps(),
              energy.rounded_steps());
}

// total DIVISOR SUM CONVERSIONS SPAN_US ... : rounded total after each window
void total(std::istringstream &words) {
  Accumulator accumulator;
  accumulator.set_divisor(next_u64(words));
  WindowAdder adder;
  int64_t sum;
  uint16_t conversions;
  while (words >> sum >> conversions) {
    adder.begin(&accumulator, sum, conversions, next_u64(words));
    while (adder.step()) {
    }
    std::printf("%" PRId64 " ", accumulator.rounded_steps());
  }
  std::printf("\n");
}

// weeks SEED WINDOWS DIVISOR MEAN_MAX: a long run of 100 ms windows against 128-bit sums
void weeks(std::istringstream &words) {
  uint64_t state = next_u64(words);
  uint64_t windows = next_u64(words);
  uint64_t divisor = next_u64(words);
  int64_t mean_max = next<int64_t>(words);
  Accumulator accumulator;
  accumulator.set_divisor(divisor);
  WindowAdder adder;
  __int128 parts = 0;  // 1/256 of count x microsecond
  for (uint64_t i = 0; i < windows; ++i) {
    state = state * 6364136223846793005ULL + 1442695040888963407ULL;
    uint32_t conversions = 90 + (state >> 33) % 8;
    uint32_t span_us = 100000 + 4 * (uint32_t)((state >> 40) % 250);
    int64_t sum = static_cast<int64_t>(state >> 20) % (mean_max * conversions) - mean_max;
    adder.begin(&accumulator, sum, static_cast<uint16_t>(conversions), span_us);
    while (adder.step()) {
    }
    __int128 exact = static_cast<__int128>(sum) * span_us * 256;
    parts += exact >= 0 ? exact / conversions : -((-exact + conversions - 1) / conversions);
  }
  __int128 counts = parts >> 8;
  __int128 twice = 2 * counts + divisor;
  __int128 nearest = twice >= 0 ? twice / (2 * divisor) : -((-twice + 2 * divisor - 1) / (2 * divisor));
  std::printf("%" PRId64 " %" PRId64 "\n", accumulator.rounded_steps(), static_cast<int64_t>(nearest));
}

// clock START COUNTER ...
void clock_of(std::istringstream &words) {
  BoardClock board_clock;
  board_clock.start(next<uint32_t>(words));
  uint64_t counter;
  while (words >> counter) {
    std::printf("%" PRIu64 " ", board_clock.now_us(static_cast<uint32_t>(counter)));
  }
  std::printf("\n");
}

// cutoff SENSOR CUTOFF_UV HOLD_MS START_US then PACK TIME_US ... : index that opens, or -1
void cutoff(std::istringstream &words) {
  std::string sensor;
  words >> sensor;
  Cutoff cutoff;
  uint32_t cutoff_uv = next<uint32_t>(words);
  cutoff.set(cutoff_uv, next<uint32_t>(words), units_of(sensor, 1000));
  cutoff.restart(next<uint32_t>(words));
  int index = 0, opened = -1;
  int32_t pack;
  while (words >> pack) {
    if (cutoff.add(pack, next<uint32_t>(words)) && opened < 0) opened = index;
    ++index;
  }
  std::printf("%d\n", opened);
}

// blind CUTOFF_UV SEEN_US NOW_US
void blind(std::istringstream &words) {
  Cutoff cutoff;
  cutoff.set(next<uint32_t>(words), 1000, ina219_units(1000));
  cutoff.restart(next<uint32_t>(words));
  std::printf("%d\n", cutoff.blind(next<uint32_t>(words)));
}

// leak SENSOR OPENED_US FIRST_US PAIR_US SHUNT...: index, sum and pairs of each block over the limit
void leak(std::istringstream &words) {
  std::string sensor;
  words >> sensor;
  SensorUnits units = units_of(sensor, 1000);
  SwitchWatch watch;
  watch.restart(next<uint32_t>(words));
  uint32_t now_us = next<uint32_t>(words), pair_us = next<uint32_t>(words);
  int32_t shunt;
  for (int index = 0; words >> shunt; ++index, now_us += pair_us) {
    if (watch.add(shunt, now_us, units)) std::printf("%d %d %d ", index, watch.sum(), watch.pairs());
  }
  std::printf("\n");
}

// switch START_CLOSED START_US then CLOSED TIME_US ... : indices of closures
void limit(std::istringstream &words) {
  LimitSwitch limit_switch;
  bool closed = next<int>(words);
  limit_switch.start(closed, next<uint32_t>(words));
  int value;
  for (int index = 0; words >> value; ++index) {
    if (limit_switch.add(value, next<uint32_t>(words))) std::printf("%d ", index);
  }
  std::printf("\n");
}

// joint OPEN_SAMPLE then SAMPLE TIME_US ..., a SAMPLE of -1 ends the cycle
void joint(std::istringstream &words) {
  JointWatch watch;
  watch.start();
  int open_from = next<int>(words);
  int sample;
  while (words >> sample) {
    uint32_t time_us = next<uint32_t>(words);
    if (sample >= 0) {
      watch.add(static_cast<uint16_t>(sample), sample >= open_from, time_us);
      continue;
    }
    JointCycle cycle;
    uint32_t whole_us;
    watch.end_cycle(time_us, &cycle, &whole_us);
    std::printf("%d %u %u %u %u %u %u ", cycle.ever_closed(), cycle.least, cycle.greatest,
                cycle.open_sample, cycle.opens, cycle.longest_us, whole_us);
  }
  std::printf("\n");
}

// pulse PERIOD_MS DWELL_MS ANGLE_A ANGLE_B then MS ...
void pulse(std::istringstream &words) {
  FlexOrder order = {};
  order.period_ms = next<uint32_t>(words);
  order.dwell_ms = next<uint32_t>(words);
  order.angle_a_degrees = next<uint8_t>(words);
  order.angle_b_degrees = next<uint8_t>(words);
  uint32_t ms;
  while (words >> ms) std::printf("%u ", flex_pulse_half_us(order, ms));
  std::printf("\n");
}

// ohm KNOWN_TENTHS RATIO_16 SUPPLY_MV SUM: open sample at 10 Ohm, resistance, current
void ohm(std::istringstream &words) {
  uint16_t known = next<uint16_t>(words);
  uint16_t ratio = next<uint16_t>(words);
  uint16_t supply_mv = next<uint16_t>(words);
  uint32_t voltage = joint_voltage(next<uint16_t>(words), ratio);
  std::printf("%u %" PRId64 " %" PRId64 "\n", joint_open_sample(10, known, ratio),
              joint_resistance_steps(voltage, known),
              joint_current_steps(voltage, joint_short_steps(known, supply_mv)));
}

// parse HEX: what the parser makes of these bytes, command by command
void parse(std::istringstream &words) {
  std::string hex;
  words >> hex;
  CommandParser parser;
  for (uint8_t byte : from_hex(hex)) {
    if (!parser.feed(byte)) continue;
    parser.read();
    const Command &command = parser.command();
    std::string name(command.name, command.name_length);
    std::printf("%s|%d|%d", name.c_str(), command.error, command.kind);
    if (command.error == ERROR_NONE) {
      const FlexOrder &flex = command.flex;
      switch (command.kind) {
        case COMMAND_WINDOW: std::printf("|%" PRIu32, command.window_us); break;
        case COMMAND_LOAD: std::printf("|%d|%d", command.load_closed, command.by_person); break;
        case COMMAND_CUTOFF: std::printf("|%" PRIu32 "|%" PRIu32, command.cutoff_uv, command.hold_ms); break;
        case COMMAND_FLEX_START:
          std::printf("|%d|%" PRIu32 "|%" PRIu32 "|%" PRIu32 "|%d|%d|%d|%" PRIu32, flex.servo, flex.cycles,
                      flex.period_ms, flex.dwell_ms, flex.angle_a_degrees, flex.angle_b_degrees,
                      flex.joints, flex.stop_open_us);
          break;
        default: break;
      }
    }
    std::printf("\t");
  }
  std::printf("\n");
}

// Memory whose power fails after a number of writes, and with worn bytes that stay as they are.
struct TestMemory {
  std::vector<uint8_t> bytes;
  std::vector<unsigned> writes;
  long writes_left = -1;
  int worn_address = -1;

  explicit TestMemory(uint8_t fill) : bytes(16 * 8, fill), writes(16 * 8, 0) {}
  uint8_t read(uint16_t address) { return bytes.at(address); }
  void write(uint16_t address, uint8_t value) {
    if (writes_left == 0) return;
    if (writes_left > 0) --writes_left;
    if (address == worn_address || bytes.at(address) == value) return;
    ++writes.at(address);
    bytes.at(address) = value;
  }
  void commit() {}
};

// records FILL BOOTS CUT WORN: so many boots of a ring of 8 slots, each with a fresh start of
// the sketch. In every third boot the power fails after CUT bytes (-1: never). Last boot number
// seen, how often a boot number came twice or backwards, greatest writes of a byte.
void records(std::istringstream &words) {
  TestMemory memory(next<uint8_t>(words));
  int boots = next<int>(words);
  int cut = next<int>(words);
  memory.worn_address = next<int>(words);
  Record record;
  int wrong = 0, whole_boots = 0;
  for (int i = 0; i < boots; ++i) {
    RecordRing<TestMemory> ring(memory, 0, 8 * RecordRing<TestMemory>::SLOT_BYTES);
    bool found = ring.load(&record);
    if (found != (whole_boots > 0) || record.boot != static_cast<uint16_t>(whole_boots)) ++wrong;
    if (found && (record.cutoff_uv != 3000000u + record.boot || record.opened != OPENED_BY_HOST)) ++wrong;
    ++record.boot;
    record.cutoff_uv = 3000000u + record.boot;
    record.hold_ms = record.boot;
    record.opened = OPENED_BY_HOST;
    bool fails = cut >= 0 && i % 3 == 2;
    memory.writes_left = fails ? cut : -1;
    ring.begin(record);
    for (int byte = 0; byte < 16 * 9 && ring.write_byte(); ++byte) {
    }
    memory.writes_left = -1;
    if (!fails || cut >= 16) ++whole_boots;
  }
  unsigned most = 0;
  for (unsigned count : memory.writes) most = count > most ? count : most;
  std::printf("%d %d %u\n", whole_boots, wrong, most);
}

// worn FILL COUNT: a ring of 8 slots whose first COUNT slots have a worn cell, written five times. How
// often a failure was told, and the last boot number that can be read back.
void worn(std::istringstream &words) {
  TestMemory memory(next<uint8_t>(words));
  int count = next<int>(words), told = 0;
  Record record;
  RecordRing<TestMemory> ring(memory, 0, 8 * RecordRing<TestMemory>::SLOT_BYTES);
  ring.load(&record);
  for (int i = 0; i < 5; ++i) {
    ++record.boot;
    ring.begin(record);
    bool more = true;
    for (int byte = 0; more && byte < 16 * 20; ++byte) {
      more = ring.write_byte();
      for (int slot = 0; slot < count; ++slot) memory.bytes[static_cast<size_t>(16 * slot + 3)] = 0x77;
    }
    if (ring.take_failure()) ++told;
    if (ring.take_failure()) told += 100;
  }
  RecordRing<TestMemory> again(memory, 0, 8 * RecordRing<TestMemory>::SLOT_BYTES);
  bool found = again.load(&record);
  std::printf("%d %d %d\n", told, found ? record.boot : -1, record.opened);
}

// burst VALUE... : within between bursts, of all bursts of eight
void burst(std::istringstream &words) {
  BurstSums sums;
  sums.clear();
  std::vector<int16_t> values;
  for (int value; words >> value;) values.push_back(static_cast<int16_t>(value));
  for (size_t at = 0; at + BURST_VALUES <= values.size(); at += BURST_VALUES) sums.add(&values[at]);
  std::printf("%" PRIu64 " %" PRIu64 " %d\n", sums.within, sums.between, sums.bursts);
}

// bursts PERIOD BEGIN COUNT : when they begin if somebody looks every microsecond from BEGIN on
void bursts(std::istringstream &words) {
  uint32_t period_us = next<uint32_t>(words), now_us = next<uint32_t>(words);
  int count = next<int>(words);
  BurstTimer timer;
  timer.set(period_us, now_us);
  for (uint32_t at_us = now_us; count > 0; ++at_us) {
    if (!timer.due(at_us)) continue;
    std::printf("%u ", at_us - now_us);
    --count;
  }
  std::printf("\n");
}

// NOR flash: an erase or a program that the power cuts short leaves what it had done so far.
struct TestFlash {
  static const uint16_t SECTORS = 3;
  static const uint16_t SECTOR_BYTES = 80;  // five slots
  static const uint16_t PAGE_BYTES = 40;    // a slot lies in two
  static std::vector<uint8_t> bytes;
  static long steps_left;  // bytes erased or programmed until the power fails; -1: never
  static int worn_address;
  static unsigned erased[SECTORS];

  static bool powered() {
    if (steps_left == 0) return false;
    if (steps_left > 0) --steps_left;
    return true;
  }
  uint8_t read(uint16_t address) { return bytes.at(address); }
  void erase(uint16_t sector) {
    ++erased[sector];
    for (uint16_t at = 0; at < SECTOR_BYTES && powered(); ++at) bytes.at(sector * SECTOR_BYTES + at) = 0xFF;
  }
  void program(uint16_t address, const uint8_t *page) {
    for (uint16_t at = 0; at < PAGE_BYTES; ++at) {
      if (page[at] == 0xFF) continue;
      if (!powered()) return;
      if (address + at != worn_address) bytes.at(address + at) &= page[at];
    }
  }
};
std::vector<uint8_t> TestFlash::bytes;
long TestFlash::steps_left;
int TestFlash::worn_address;
unsigned TestFlash::erased[TestFlash::SECTORS];

// flash FILL BOOTS CUT WORN: as records, over three sectors of flash; in every third boot the
// power fails after CUT steps. Last boot number, how often a record came back that was older
// than the last whole one, erases of the most erased sector.
void flash(std::istringstream &words) {
  TestFlash::bytes.assign(TestFlash::SECTORS * TestFlash::SECTOR_BYTES, next<uint8_t>(words));
  for (unsigned &count : TestFlash::erased) count = 0;
  int boots = next<int>(words);
  int cut = next<int>(words);
  TestFlash::worn_address = next<int>(words);
  typedef FlashMemory<TestFlash> Memory;
  Record record;
  int wrong = 0, kept = 0;
  for (int i = 0; i < boots; ++i) {
    Memory memory;
    memory.begin();
    RecordRing<Memory> ring(memory, 0, static_cast<uint16_t>(TestFlash::bytes.size()));
    ring.load(&record);
    // One that the power cut may or may not have been whole.
    if (record.boot != kept && record.boot != kept + 1) ++wrong;
    kept = record.boot;
    ++record.boot;
    bool fails = cut >= 0 && i % 3 == 2;
    TestFlash::steps_left = fails ? cut : -1;
    ring.begin(record);
    for (int byte = 0; byte < 16 * 16 && ring.write_byte(); ++byte) {
    }
    TestFlash::steps_left = -1;
    if (!fails) kept = record.boot;
  }
  unsigned most = 0;
  for (unsigned count : TestFlash::erased) most = count > most ? count : most;
  std::printf("%d %d %u\n", kept, wrong, most);
}

// begun FILL COUNT: so many times a record is begun, and after 0 to 15 bytes of it another, as when the cutoff opens
// the switch while a command is being kept. How often memory was said to have failed, and a record was not the last.
void begun(std::istringstream &words) {
  TestFlash::bytes.assign(TestFlash::SECTORS * TestFlash::SECTOR_BYTES, next<uint8_t>(words));
  TestFlash::steps_left = TestFlash::worn_address = -1;
  typedef FlashMemory<TestFlash> Memory;
  Memory memory;
  RecordRing<Memory> ring(memory, 0, static_cast<uint16_t>(TestFlash::bytes.size()));
  Record record, kept;
  ring.load(&record);
  int told = 0, wrong = 0;
  for (int i = next<int>(words); i > 0; --i) {
    ring.begin(record);
    for (int byte = i % 16; byte > 0; --byte) ring.write_byte();
    ++record.boot;
    ring.begin(record);
    while (ring.write_byte()) {
    }
    told += ring.take_failure();
    RecordRing<Memory>(memory, 0, static_cast<uint16_t>(TestFlash::bytes.size())).load(&kept);
    wrong += kept.boot != record.boot;
  }
  std::printf("%d %d\n", told, wrong);
}

// A port that takes so many bytes at a time, or none.
struct TestPort {
  std::string text;
  int room = 0;
  int availableForWrite() { return room; }
  size_t write(const uint8_t *bytes, size_t count) {
    text.append(reinterpret_cast<const char *>(bytes), count);
    room -= static_cast<int>(count);
    return count;
  }
};

// ring SEED: 5000 bytes through a ring of 64 to a port that takes them in pieces of any size.
// Bytes lost, bytes out of order.
void ring(std::istringstream &words) {
  uint32_t chance = next<uint32_t>(words);
  TestPort port;
  OutputRing<TestPort, 64> waiting(port);
  int sent = 0, wrong = 0;
  while (sent < 5000) {
    chance = chance * 1664525u + 1013904223u;
    if (waiting.room() > 0 && (chance >> 24) > 60) {
      waiting.write(static_cast<uint8_t>(sent++));
      continue;
    }
    port.room = static_cast<int>(chance >> 16 & 31);
    waiting.service();
  }
  port.room = 64;
  waiting.service();
  for (size_t at = 0; at < port.text.size(); ++at) wrong += port.text[at] != static_cast<char>(at);
  std::printf("%d %d\n", sent - static_cast<int>(port.text.size()), wrong);
}

// serial HEX: the name that a chip's serial number gives.
void serial(std::istringstream &words) {
  std::string hex;
  words >> hex;
  std::vector<uint8_t> bytes = from_hex(hex);
  std::printf("%08X\n", static_cast<unsigned>(name_from_serial(bytes.data(), static_cast<uint8_t>(bytes.size()))));
}

// name FILL: the name kept in a memory of this content, twice: it holds.
void name(std::istringstream &words) {
  TestMemory memory(next<uint8_t>(words));
  uint8_t chance = 0;
  auto draw = [&chance] { return static_cast<uint8_t>(chance += 17); };
  uint32_t first = kept_board_name(memory, draw);
  uint32_t again = kept_board_name(memory, draw);
  std::printf("%08X %08X\n", static_cast<unsigned>(first), static_cast<unsigned>(again));
}

}  // namespace

int main() {
  const std::pair<const char *, void (*)(std::istringstream &)> answers[] = {
      {"crc", crc},       {"fixed", fixed}, {"line", line},     {"scale", scaled}, {"floor", floored},
      {"window", window}, {"total", total}, {"weeks", weeks},   {"clock", clock_of}, {"cutoff", cutoff},
      {"blind", blind},   {"switch", limit}, {"joint", joint},  {"pulse", pulse},  {"ohm", ohm},
      {"parse", parse},   {"records", records}, {"burst", burst}, {"bursts", bursts}, {"leak", leak}, {"worn", worn},
      {"flash", flash}, {"begun", begun}, {"ring", ring}, {"serial", serial}, {"name", name},
  };
  std::string text;
  while (std::getline(std::cin, text)) {
    std::istringstream words(text);
    std::string question;
    words >> question;
    bool known = false;
    for (const auto &answer : answers) {
      if (question != answer.first) continue;
      answer.second(words);
      known = true;
    }
    if (!known) return 2;
  }
  return 0;
}
