// Collects bytes from the host into a line, checks it and reads the command.
#pragma once

#include <stdint.h>
#include <string.h>

#include "burst.h"
#include "crc16.h"
#include "flash_text.h"

static const uint8_t COMMAND_MAX_BYTES = 80;  // with the LF

enum CommandKind : uint8_t {
  COMMAND_IDENTIFY,
  COMMAND_WINDOW,
  COMMAND_START,
  COMMAND_STOP,
  COMMAND_BURST,
  COMMAND_LOAD,
  COMMAND_CUTOFF,
  COMMAND_FLEX_START,
  COMMAND_FLEX_STOP,
  COMMAND_SENSOR,
  COMMAND_ADDRESS,
  COMMAND_UNKNOWN,
};

enum CommandError : uint8_t {
  ERROR_NONE,
  ERROR_CRC,
  ERROR_UNKNOWN,
  ERROR_FIELD,
  ERROR_RANGE,
  ERROR_BUSY,
  ERROR_FITTED,
  ERROR_TRIPPED,
};

static const uint32_t WINDOW_MIN_US = 10000UL;
static const uint32_t WINDOW_MAX_US = 60000000UL;
static const uint32_t CUTOFF_MAX_UV = 40960000UL;  // end of the wider sensor's range
static const uint32_t FLEX_PERIOD_MIN_MS = 100;
static const uint32_t FLEX_PERIOD_MAX_MS = 600000UL;
static const uint8_t FLEX_JOINTS_MAX = 4;

struct FlexOrder {
  bool servo;  // else the limit switch counts
  uint8_t joints;
  uint8_t angle_a_degrees;
  uint8_t angle_b_degrees;
  uint32_t cycles;
  uint32_t period_ms;
  uint32_t dwell_ms;
  uint32_t stop_open_us;  // 0: never
};

struct Command {
  CommandKind kind;
  CommandError error;
  const char *name;  // as received, valid until the next byte is fed
  uint8_t name_length;
  union {
    uint32_t window_us;
    uint32_t burst_us;  // 0: none
    struct {
      bool load_closed;
      bool by_person;
    };
    struct {
      uint32_t cutoff_uv;
      uint32_t hold_ms;
    };
    uint8_t sensor;   // kind, 0: as it is found
    uint8_t address;  // 0: any
    FlexOrder flex;
  };
};

class CommandParser {
 public:
  // True when the byte completed a line that needs an answer: call read() before
  // the next byte.
  bool feed(uint8_t byte) {
    if (byte != '\n') {
      if (length_ < COMMAND_MAX_BYTES) line_[length_] = (char)byte;
      if (length_ < 255) ++length_;
      return false;
    }
    bool too_long = length_ >= COMMAND_MAX_BYTES;
    if (!too_long && length_ && line_[length_ - 1] == '\r') --length_;
    return length_ != 0;
  }

  // What the complete line says: command().
  void read() {
    read_line(length_ < COMMAND_MAX_BYTES ? length_ : 0);
    length_ = 0;
  }

  const Command &command() const { return command_; }

 private:
  void read_line(uint8_t length) {
    command_.kind = COMMAND_UNKNOWN;
    command_.error = ERROR_CRC;
    command_.name = "?";
    command_.name_length = 1;
    if (!check(length)) return;
    end_ = line_ + body_length_;
    next_ = line_;
    const char *name;
    uint8_t name_length;
    take(&name, &name_length);
    command_.name = name;
    command_.name_length = name_length;
    command_.error = ERROR_NONE;
    read_fields();
  }

  // Characters, length and CRC. `identify` alone may come without a CRC, so
  // that it can be typed into a serial monitor.
  bool check(uint8_t length) {
    if (length == 8 && is(line_, length, FLASH_TEXT("identify"))) {
      body_length_ = length;
      return true;
    }
    if (length < 6 || line_[length - 5] != '*') return false;
    body_length_ = (uint8_t)(length - 5);
    uint16_t crc = 0;
    for (uint8_t i = 0; i < body_length_; ++i) {
      char character = line_[i];
      if (character < 0x20 || character > 0x7E || character == '*') return false;
      crc = crc16_add(crc, (uint8_t)character);
    }
    uint16_t sent = 0;
    for (uint8_t i = (uint8_t)(body_length_ + 1); i < length; ++i) {
      uint8_t digit;
      if (!hex_digit(line_[i], &digit)) return false;
      sent = (uint16_t)(sent << 4 | digit);
    }
    return sent == crc;
  }

  void read_fields() {
    if (named(FLASH_TEXT("identify"), COMMAND_IDENTIFY, 0)) return;
    if (named(FLASH_TEXT("start"), COMMAND_START, 0)) return;
    if (named(FLASH_TEXT("stop"), COMMAND_STOP, 0)) return;
    if (named(FLASH_TEXT("flex-stop"), COMMAND_FLEX_STOP, 0)) return;
    if (named(FLASH_TEXT("window"), COMMAND_WINDOW, 1)) {
      command_.window_us = number(WINDOW_MIN_US, WINDOW_MAX_US);
    } else if (named(FLASH_TEXT("burst"), COMMAND_BURST, 1)) {
      command_.burst_us = number(0, WINDOW_MAX_US);
      if (command_.burst_us && command_.burst_us < BURST_MIN_US) fail(ERROR_RANGE);
    } else if (named(FLASH_TEXT("load"), COMMAND_LOAD, 1)) {
      command_.load_closed = number(0, 1) == 1;
      command_.by_person = next_is_one();
    } else if (named(FLASH_TEXT("cutoff"), COMMAND_CUTOFF, 2)) {
      command_.cutoff_uv = volt_uv(CUTOFF_MAX_UV);
      command_.hold_ms = number(0, UINT32_MAX);
    } else if (named(FLASH_TEXT("sensor"), COMMAND_SENSOR, 1)) {
      command_.sensor = sensor_kind();
    } else if (named(FLASH_TEXT("address"), COMMAND_ADDRESS, 1)) {
      command_.address = sensor_address();
    } else if (named(FLASH_TEXT("flex-start"), COMMAND_FLEX_START, 8)) {
      read_flex_order();
    } else {
      command_.error = ERROR_UNKNOWN;
    }
  }

  // Is this the command's name? Then it must have its fields; more are for later versions.
  bool named(const char *name_in_flash, CommandKind kind, uint8_t fields) {
    if (!is(command_.name, command_.name_length, name_in_flash)) return false;
    command_.kind = kind;
    for (const char *at = line_; at < end_ && fields; ++at) {
      if (*at == ',') --fields;
    }
    if (fields) fail(ERROR_FIELD);
    return true;
  }

  void read_flex_order() {
    FlexOrder &order = command_.flex;
    const char *drive;
    uint8_t length;
    take(&drive, &length);
    order.servo = is(drive, length, FLASH_TEXT("servo"));
    if (!order.servo && !is(drive, length, FLASH_TEXT("switch"))) fail(ERROR_FIELD);
    order.cycles = number(1, UINT32_MAX);
    order.period_ms = number(FLEX_PERIOD_MIN_MS, FLEX_PERIOD_MAX_MS);
    order.dwell_ms = number(0, FLEX_PERIOD_MAX_MS);
    order.angle_a_degrees = (uint8_t)number(0, 180);
    order.angle_b_degrees = (uint8_t)number(0, 180);
    order.joints = (uint8_t)number(1, FLEX_JOINTS_MAX);
    order.stop_open_us = number(0, UINT32_MAX);
    if (2 * order.dwell_ms > order.period_ms) fail(ERROR_RANGE);
  }

  uint8_t sensor_kind() {
    const char *field;
    uint8_t length;
    take(&field, &length);
    // Kinds in the order of SensorKind, with a space between.
    const char *words = FLASH_TEXT("auto INA219 INA226 INA228");
    uint8_t kind = 0;
    for (uint8_t at = 0;; ++words) {
      char expected = (char)flash_byte(words);
      bool ends = expected == ' ' || expected == '\0';
      if (ends && at == length) return kind;
      if (expected == '\0') break;
      if (ends) {
        ++kind;
        at = 0;
      } else {
        at = at < length && field[at] == expected ? (uint8_t)(at + 1) : NO_MATCH;
      }
    }
    fail(ERROR_FIELD);
    return 0;
  }

  // Two upper-case hex digits, 40 to 4F.
  uint8_t sensor_address() {
    const char *field;
    uint8_t length;
    take(&field, &length);
    if (is(field, length, FLASH_TEXT("auto"))) return 0;
    uint8_t high, low;
    if (length != 2 || !hex_digit(field[0], &high) || !hex_digit(field[1], &low)) {
      fail(ERROR_FIELD);
      return 0;
    }
    if (high != 4) fail(ERROR_RANGE);
    return (uint8_t)(high << 4 | low);
  }

  static bool hex_digit(char digit, uint8_t *value) {
    if (digit >= '0' && digit <= '9') {
      *value = (uint8_t)(digit - '0');
    } else if (digit >= 'A' && digit <= 'F') {
      *value = (uint8_t)(digit - 'A' + 10);
    } else {
      return false;
    }
    return true;
  }

  // First error wins.
  void fail(CommandError error) {
    if (command_.error == ERROR_NONE) command_.error = error;
  }

  // Next field; empty past the end.
  void take(const char **field, uint8_t *length) {
    *field = next_;
    while (next_ < end_ && *next_ != ',') ++next_;
    *length = (uint8_t)(next_ - *field);
    if (next_ < end_) ++next_;
  }

  // The next field is a lone 1.
  bool next_is_one() {
    const char *field;
    uint8_t length;
    take(&field, &length);
    return length == 1 && *field == '1';
  }

  static bool is(const char *field, uint8_t length, const char *word_in_flash) {
    for (; length; --length, ++field, ++word_in_flash) {
      char expected = (char)flash_byte(word_in_flash);
      if (expected == '\0' || *field != expected) return false;
    }
    return flash_byte(word_in_flash) == '\0';
  }

  // Digits only, within limits. Returns least on any error.
  uint32_t number(uint32_t least, uint32_t greatest) {
    const char *field;
    uint8_t length;
    take(&field, &length);
    return digits(field, length, least, greatest);
  }

  uint32_t digits(const char *field, uint8_t length, uint32_t least, uint32_t greatest) {
    if (length == 0 || length > 10) fail(ERROR_FIELD);
    uint32_t value = 0;
    bool too_great = false;
    for (; length; --length, ++field) {
      if (*field < '0' || *field > '9') {
        fail(ERROR_FIELD);
        return least;
      }
      uint8_t digit = (uint8_t)(*field - '0');
      if (value > 429496729UL || (value == 429496729UL && digit > 5)) too_great = true;
      value = value * 10 + digit;
    }
    if (too_great || value < least || value > greatest) {
      fail(ERROR_RANGE);
      return least;
    }
    return value;
  }

  // Volt with exactly six decimals, in microvolt.
  uint32_t volt_uv(uint32_t greatest) {
    const char *field;
    uint8_t length;
    take(&field, &length);
    if (length < 8 || field[length - 7] != '.') {
      fail(ERROR_FIELD);
      return 0;
    }
    uint32_t volt = digits(field, (uint8_t)(length - 7), 0, greatest / 1000000UL);
    uint32_t microvolt = digits(field + length - 6, 6, 0, 999999UL);
    uint32_t value = volt * 1000000UL + microvolt;
    if (value > greatest) {
      fail(ERROR_RANGE);
      return 0;
    }
    return value;
  }

  static const uint8_t NO_MATCH = 0xFF;

  char line_[COMMAND_MAX_BYTES];
  uint8_t length_ = 0;
  uint8_t body_length_ = 0;
  const char *next_ = line_;
  const char *end_ = line_;
  Command command_;
};
