// Writes one line of the protocol, field by field: body*CCCC and LF, the CRC kept
// along the way. Output is any class with void write(uint8_t).
#pragma once

#include <stdint.h>

#include "crc16.h"
#include "division.h"
#include "flash_text.h"

static const uint64_t POWERS_OF_TEN[] FLASH_TABLE = {
    1ULL,
    10ULL,
    100ULL,
    1000ULL,
    10000ULL,
    100000ULL,
    1000000ULL,
    10000000ULL,
    100000000ULL,
    1000000000ULL,
    10000000000ULL,
    100000000000ULL,
    1000000000000ULL,
    10000000000000ULL,
    100000000000000ULL,
    1000000000000000ULL,
    10000000000000000ULL,
    100000000000000000ULL,
    1000000000000000000ULL,
    10000000000000000000ULL,
};

template <class Output>
class LineWriter {
 public:
  explicit LineWriter(Output &output) : output_(output) {}

  // Ends what half a line may stand on the wire, without a line of its own.
  void end_foreign() { output_.write((uint8_t)'\n'); }

  void begin(const char *kind_in_flash) {
    crc_ = 0;
    text(kind_in_flash);
  }

  void put(char character) {
    crc_ = crc16_add(crc_, (uint8_t)character);
    output_.write((uint8_t)character);
  }

  void comma() { put(','); }

  void text(const char *in_flash) {
    while (char character = (char)flash_byte(in_flash++)) put(character);
  }

  // One of several words with a space between, counted from 0: shorter than a text for each.
  void word(const char *words_in_flash, uint8_t number) {
    while (char character = (char)flash_byte(words_in_flash++)) {
      if (character == ' ') {
        if (!number--) return;
      } else if (!number) {
        put(character);
      }
    }
  }

  void text_from_ram(const char *characters, uint8_t count) {
    while (count--) put(*characters++);
  }

  void hex(uint32_t value, uint8_t digits) {
    while (digits--) put(hex_digit((uint8_t)(value >> (4 * digits))));
  }

  void number(uint64_t value) { decimal(value, 0); }

  // Integer in steps of 10^-decimals: fixed(-1234, 3) is -1.234.
  void fixed(int64_t value, uint8_t decimals) {
    if (value < 0) put('-');
    decimal(magnitude(value), decimals);
  }

  void end() {
    uint16_t crc = crc_;
    output_.write('*');
    for (uint8_t digits = 4; digits--;) {
      output_.write((uint8_t)hex_digit((uint8_t)(crc >> (4 * digits))));
    }
    output_.write('\n');
  }

 private:
  static char hex_digit(uint8_t nibble) {
    nibble &= 0x0F;
    return (char)(nibble < 10 ? '0' + nibble : 'A' - 10 + nibble);
  }

  // Digits by subtraction: at most nine subtractions each, where a 64-bit
  // division by ten costs ten times as much on an 8-bit chip.
  void decimal(uint64_t rest, uint8_t decimals) {
    bool started = false;
    uint8_t place = 9;
    if (rest >> 32) {
      for (place = 19; place >= 9; --place) {
        uint64_t power;
        flash_copy(&power, &POWERS_OF_TEN[place], sizeof power);
        char digit = '0';
        for (; rest >= power; rest -= power) ++digit;
        started = put_digit(digit, place, decimals, started);
      }
    }
    uint32_t low = (uint32_t)rest;
    for (; place != 255; --place) {
      uint32_t power = flash_low_word(&POWERS_OF_TEN[place]);
      char digit = '0';
      for (; low >= power; low -= power) ++digit;
      started = put_digit(digit, place, decimals, started);
    }
  }

  bool put_digit(char digit, uint8_t place, uint8_t decimals, bool started) {
    if (digit == '0' && !started && place > decimals) return false;
    put(digit);
    if (decimals && place == decimals) put('.');
    return true;
  }

  Output &output_;
  uint16_t crc_ = 0;
};
