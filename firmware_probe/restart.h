// Why the board started, who it is, and the watchdog that restarts it.
#pragma once

#include <Arduino.h>
#include <EEPROM.h>

#include "crc16.h"
#include "flash_text.h"
#include "settings.h"

enum RestartCause : uint8_t {
  RESTART_POWER,
  RESTART_RESET,
  RESTART_BROWNOUT,
  RESTART_WATCHDOG,
  RESTART_UNKNOWN,
};

#if defined(__AVR__) && defined(MCUSR)
#include <avr/wdt.h>

static uint8_t restart_flags __attribute__((section(".noinit")));
static uint32_t restart_mark __attribute__((section(".noinit")));
static const uint32_t RESTART_MARK = 0x5AFE1234UL;

// Before anything else: after a watchdog reset it still runs, at its shortest time.
static void note_restart_flags() __attribute__((naked, used, section(".init3")));
static void note_restart_flags() {
  restart_flags = MCUSR;
  MCUSR = 0;
  wdt_disable();
}

// Once a start. Many boot loaders clear the flags. What is left then is whether
// the RAM kept the mark: if not, the power was off.
static RestartCause find_restart_cause() {
  bool marked = restart_mark == RESTART_MARK;
  restart_mark = RESTART_MARK;
  if (restart_flags & _BV(PORF)) return RESTART_POWER;
  if (restart_flags & _BV(BORF)) return RESTART_BROWNOUT;
  if (restart_flags & _BV(WDRF)) return RESTART_WATCHDOG;
  if (restart_flags & _BV(EXTRF)) return RESTART_RESET;
  return marked ? RESTART_UNKNOWN : RESTART_POWER;
}

static void watchdog_start() {
  if (WATCHDOG) wdt_enable(WDTO_2S);
}

static void watchdog_feed() { wdt_reset(); }

#else

static RestartCause find_restart_cause() { return RESTART_UNKNOWN; }
static void watchdog_start() {}
static void watchdog_feed() {}
#endif

struct EepromMemory {
  uint8_t read(uint16_t address) { return EEPROM.read((int)address); }
  void write(uint16_t address, uint8_t value) { EEPROM.update((int)address, value); }
};

// The board's own name: made once, kept in the first bytes of the EEPROM with
// a CRC. Chance comes from converter noise and from how long an EEPROM write
// takes, which another oscillator than the clock decides.
static void make_board_name(uint8_t *bytes) {
  uint16_t noise = 0;
  for (uint8_t i = 0; i < 4; ++i) {
    for (uint8_t j = 0; j < 32; ++j) {
      noise = crc16_add(noise, (uint8_t)(analogRead((uint8_t)(A0 + (j & 3))) ^ micros()));
    }
    bytes[i] = (uint8_t)noise;
    EEPROM.write(i, bytes[i]);
  }
}

static uint32_t board_name() {
  uint8_t bytes[6];
  for (uint8_t i = 0; i < 6; ++i) bytes[i] = EEPROM.read(i);
  if (crc16(bytes, 6) != 0 || (bytes[0] | bytes[1] | bytes[2] | bytes[3]) == 0) {
    make_board_name(bytes);
    uint16_t crc = crc16(bytes, 4);  // high byte first: the CRC of all six is then 0
    EEPROM.write(4, (uint8_t)(crc >> 8));
    EEPROM.write(5, (uint8_t)crc);
  }
  uint32_t name = 0;
  for (uint8_t i = 0; i < 4; ++i) name = name << 8 | bytes[i];
  return name;
}
