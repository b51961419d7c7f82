// Throws random and damaged input at the command parser, and random numbers at the line writer.
//
//   fuzz SEED COMMANDS LINES
//
// Prints counts, one "name value" a line, for test_firmware_fuzz.py to judge. Exits with 1 as
// soon as something comes out that must not: a whole command not understood, a line that is not
// as PROTOCOL.md says. The same seed gives the same input.

#include <cinttypes>
#include <cstdio>
#include <cstdlib>
#include <cstring>

#include "command_parser.h"
#include "line_writer.h"

namespace {

struct Random {
  uint64_t state;
  uint64_t next() {  // xorshift64*
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return state * 2685821657736338717ULL;
  }
  uint32_t below(uint32_t limit) { return (uint32_t)(((next() >> 32) * limit) >> 32); }
};

struct Bytes {
  uint8_t data[160];
  unsigned count = 0;
  void add(uint8_t byte) {
    if (count < sizeof data) data[count++] = byte;
  }
  void add(const char *text) {
    while (*text) add((uint8_t)*text++);
  }
};

// By the definition, bit by bit, as a second opinion.
uint16_t crc_by_bits(const uint8_t *bytes, unsigned count) {
  uint16_t crc = 0;
  for (unsigned i = 0; i < count; ++i) {
    crc = (uint16_t)(crc ^ bytes[i] << 8);
    for (int bit = 0; bit < 8; ++bit) crc = (uint16_t)(crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1);
  }
  return crc;
}

void add_crc(Bytes *line) {
  char text[6];
  std::snprintf(text, sizeof text, "*%04X", crc_by_bits(line->data, line->count));
  line->add(text);
}

struct Expected {
  CommandKind kind;
  uint32_t value[8];
};

Bytes whole_command(Random *random, Expected *expected) {
  char text[100];
  uint32_t *v = expected->value;
  switch (random->below(8)) {
    case 0: expected->kind = COMMAND_IDENTIFY; std::strcpy(text, "identify"); break;
    case 1: expected->kind = COMMAND_START; std::strcpy(text, "start"); break;
    case 2: expected->kind = COMMAND_STOP; std::strcpy(text, "stop"); break;
    case 3: expected->kind = COMMAND_FLEX_STOP; std::strcpy(text, "flex-stop"); break;
    case 4:
      expected->kind = COMMAND_WINDOW;
      v[0] = 10000 + random->below(59990001);
      std::snprintf(text, sizeof text, "window,%" PRIu32, v[0]);
      break;
    case 5:
      expected->kind = COMMAND_LOAD;
      v[0] = random->below(2);
      std::snprintf(text, sizeof text, "load,%" PRIu32, v[0]);
      break;
    case 6:
      expected->kind = COMMAND_CUTOFF;
      v[0] = random->below(40960001);
      v[1] = (uint32_t)random->next() >> random->below(32);
      std::snprintf(text, sizeof text, "cutoff,%" PRIu32 ".%06" PRIu32 ",%" PRIu32, v[0] / 1000000,
                    v[0] % 1000000, v[1]);
      break;
    default:
      expected->kind = COMMAND_FLEX_START;
      v[0] = random->below(2);
      v[1] = 1 + (((uint32_t)random->next() >> random->below(32)) & 0xFFFFFFFEu);
      v[2] = 100 + random->below(599901);
      v[3] = random->below(v[2] / 2 + 1);
      v[4] = random->below(181);
      v[5] = random->below(181);
      v[6] = 1 + random->below(4);
      v[7] = (uint32_t)random->next() >> random->below(32);
      std::snprintf(text, sizeof text,
                    "flex-start,%s,%" PRIu32 ",%" PRIu32 ",%" PRIu32 ",%" PRIu32 ",%" PRIu32
                    ",%" PRIu32 ",%" PRIu32,
                    v[0] ? "servo" : "switch", v[1], v[2], v[3], v[4], v[5], v[6], v[7]);
  }
  Bytes line;
  line.add(text);
  add_crc(&line);
  return line;
}

bool as_expected(const Command &command, const Expected &expected) {
  const uint32_t *v = expected.value;
  if (command.error != ERROR_NONE || command.kind != expected.kind) return false;
  switch (command.kind) {
    case COMMAND_WINDOW: return command.window_us == v[0];
    case COMMAND_LOAD: return command.load_closed == (v[0] == 1);
    case COMMAND_CUTOFF: return command.cutoff_uv == v[0] && command.hold_ms == v[1];
    case COMMAND_FLEX_START: {
      const FlexOrder &flex = command.flex;
      return flex.servo == (v[0] == 1) && flex.cycles == v[1] && flex.period_ms == v[2] &&
             flex.dwell_ms == v[3] && flex.angle_a_degrees == v[4] && flex.angle_b_degrees == v[5] &&
             flex.joints == v[6] && flex.stop_open_us == v[7];
    }
    default: return true;
  }
}

// At most 16 bits in a row are changed: every such error is found by a 16-bit CRC.
void flip_burst(Bytes *line, Random *random) {
  unsigned bits = 8 * line->count;
  unsigned from = random->below(bits);
  unsigned length = 1 + random->below(16);
  for (unsigned i = 0; i < length && from + i < bits; ++i) {
    if (i && random->below(2)) continue;
    line->data[(from + i) / 8] ^= (uint8_t)(0x80 >> (from + i) % 8);
  }
}

void damage(Bytes *line, Random *random) {
  for (unsigned times = 1 + random->below(4); times; --times) {
    if (line->count == 0) return;
    unsigned at = random->below(line->count);
    switch (random->below(5)) {
      case 0: line->data[at] = (uint8_t)random->next(); break;
      case 1: line->data[at] = (uint8_t)(0x20 + random->below(0x5F)); break;
      case 2:  // lost byte
        std::memmove(line->data + at, line->data + at + 1, line->count - at - 1);
        --line->count;
        break;
      case 3:  // byte twice
        if (line->count == sizeof line->data) break;
        std::memmove(line->data + at + 1, line->data + at, line->count - at);
        ++line->count;
        break;
      default: line->count = at; break;  // cut off
    }
  }
}

bool has_line_end(const Bytes &line) {
  return std::memchr(line.data, '\n', line.count) || std::memchr(line.data, '\r', line.count);
}

bool same(const Bytes &a, const Bytes &b) {
  return a.count == b.count && std::memcmp(a.data, b.data, a.count) == 0;
}

struct Counts {
  uint64_t whole, burst, burst_accepted, damaged, damaged_accepted, damaged_obeyed, noise, noise_accepted;
};

class CommandFuzz {
 public:
  explicit CommandFuzz(uint64_t seed) : random_{seed} {}

  bool one() {
    Expected expected = {};
    Bytes line = whole_command(&random_, &expected);
    const Bytes original = line;
    switch (random_.below(8)) {
      case 0:
        ++counts.whole;
        feed(line);
        return answered_ == 1 && as_expected(parser_.command(), expected);
      case 1:
      case 2:
        flip_burst(&line, &random_);
        if (has_line_end(line)) return true;
        ++counts.burst;
        feed(line);
        counts.burst_accepted += accepted_;
        return true;
      case 3:
      case 4:
      case 5:
        damage(&line, &random_);
        if (has_line_end(line) || same(line, original)) return true;
        ++counts.damaged;
        feed(line);
        if (!accepted_ || is_bare_identify(line)) return true;
        ++counts.damaged_accepted;
        counts.damaged_obeyed += parser_.command().error == ERROR_NONE;
        return true;
      case 6:  // a wrong body under a right CRC: fields, not the CRC, have to hold
        line.count -= 5;
        damage(&line, &random_);
        add_crc(&line);
        feed(line);
        return true;
      default:  // noise, line ends and all
        line.count = 0;
        for (unsigned count = random_.below(120); count; --count) line.add((uint8_t)random_.next());
        ++counts.noise;
        feed(line);
        counts.noise_accepted += accepted_;
        return true;
    }
  }

  Counts counts = {};

 private:
  static bool is_bare_identify(const Bytes &line) {
    return line.count == 8 && std::memcmp(line.data, "identify", 8) == 0;
  }

  void feed(const Bytes &line) {
    answered_ = 0;
    accepted_ = false;
    for (unsigned i = 0; i < line.count; ++i) take(line.data[i]);
    take('\n');
  }

  void take(uint8_t byte) {
    if (!parser_.feed(byte)) return;
    parser_.read();
    ++answered_;
    const Command &command = parser_.command();
    if (command.error != ERROR_CRC) accepted_ = true;
    // The answer repeats the name: it has to be in the parser's memory.
    for (uint8_t i = 0; i < command.name_length; ++i) sink_ += (uint8_t)command.name[i];
  }

  Random random_;
  CommandParser parser_;
  int answered_ = 0;
  bool accepted_ = false;
  unsigned sink_ = 0;
};

struct LineOutput {
  uint8_t bytes[400];
  unsigned count;
  void write(uint8_t byte) {
    if (count == sizeof bytes) std::abort();
    bytes[count++] = byte;
  }
};

// A line of random fields reads back as the numbers that went in.
bool line_reads_back(Random *random) {
  LineOutput out;
  out.count = 0;
  LineWriter<LineOutput> writer(out);
  uint64_t number = random->next() >> random->below(64);
  int64_t value = (int64_t)random->next() >> random->below(64);
  uint8_t decimals = (uint8_t)random->below(7);
  uint32_t word = (uint32_t)random->next();
  writer.begin("w");
  writer.comma();
  writer.number(number);
  writer.comma();
  writer.fixed(value, decimals);
  writer.comma();
  writer.hex(word, 8);
  writer.end();
  if (out.count < 8 || out.bytes[out.count - 1] != '\n' || out.bytes[out.count - 6] != '*') return false;
  unsigned body = out.count - 6;
  for (unsigned i = 0; i < body; ++i) {
    if (out.bytes[i] < 0x20 || out.bytes[i] > 0x7E || out.bytes[i] == '*') return false;
  }
  out.bytes[out.count - 1] = 0;
  char *text = (char *)out.bytes;
  if (std::strtoul(text + body + 1, nullptr, 16) != crc_by_bits(out.bytes, body)) return false;
  char *end;
  if (std::strtoull(text + 2, &end, 10) != number || *end != ',') return false;
  // Without its point the fixed number is the integer again.
  char digits[40];
  unsigned count = 0, after_point = 0;
  bool point = false;
  for (++end; *end != ',' && count < sizeof digits - 1; ++end) {
    if (*end == '.') {
      point = true;
    } else {
      digits[count++] = *end;
      after_point += point;
    }
  }
  digits[count] = 0;
  return std::strtoll(digits, nullptr, 10) == value && after_point == decimals &&
         std::strtoul(end + 1, nullptr, 16) == word;
}

}  // namespace

int main(int count, char **arguments) {
  if (count != 4) return 2;
  uint64_t seed = std::strtoull(arguments[1], nullptr, 10);
  uint64_t commands = std::strtoull(arguments[2], nullptr, 10);
  uint64_t lines = std::strtoull(arguments[3], nullptr, 10);
  CommandFuzz fuzz(seed);
  for (uint64_t i = 0; i < commands; ++i) {
    if (!fuzz.one()) {
      std::printf("command %" PRIu64 " was not understood\n", i);
      return 1;
    }
  }
  Random random = {seed};
  for (uint64_t i = 0; i < lines; ++i) {
    if (!line_reads_back(&random)) {
      std::printf("line %" PRIu64 " does not read back\n", i);
      return 1;
    }
  }
  const Counts &counts = fuzz.counts;
  std::printf("whole %" PRIu64 "\nburst %" PRIu64 "\nburst_accepted %" PRIu64 "\ndamaged %" PRIu64
              "\ndamaged_accepted %" PRIu64 "\ndamaged_obeyed %" PRIu64 "\nnoise %" PRIu64
              "\nnoise_accepted %" PRIu64 "\n",
              counts.whole, counts.burst, counts.burst_accepted, counts.damaged,
              counts.damaged_accepted, counts.damaged_obeyed, counts.noise, counts.noise_accepted);
  return 0;
}
