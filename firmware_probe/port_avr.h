// Boards with an AVR: EEPROM, reset flags, watchdog, UART, Wire of the AVR core.
#pragma once

#include <Arduino.h>
#include <EEPROM.h>
#include <Wire.h>

#include "board_name.h"
#include "restart_cause.h"
#include "settings.h"

// ---- restart ----------------------------------------------------------------

#if defined(MCUSR)
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

// ---- memory -----------------------------------------------------------------

struct PortMemory {
  void begin() {}
  uint8_t read(uint16_t address) { return EEPROM.read((int)address); }
  void write(uint16_t address, uint8_t value) { EEPROM.update((int)address, value); }
  void commit() {}
};

static const uint16_t RECORDS_ADDRESS = 16;
static const uint16_t RECORDS_BYTES = 62 * 16;
// A byte takes 3.4 ms to write; meanwhile another write would wait.
static const uint32_t MEMORY_BYTE_US = 4000;

// From converter noise and from how long an EEPROM write takes, which another
// oscillator than the clock decides.
struct Chance {
  uint16_t noise = 0;
  uint8_t operator()() {
    for (uint8_t j = 0; j < 32; ++j) {
      noise = crc16_add(noise, (uint8_t)(analogRead((uint8_t)(A0 + (j & 3))) ^ micros()));
    }
    return (uint8_t)noise;
  }
};

static uint32_t board_name(PortMemory &memory) { return kept_board_name(memory, Chance()); }

// ---- serial port ------------------------------------------------------------

// The UART's own buffer is all: no RAM for another.
typedef decltype(Serial) PortOutput;
#define port_output Serial

static bool output_room(uint8_t bytes) { return Serial.availableForWrite() >= bytes; }
static void output_service() {}

// A full buffer drops what comes next without a word.
static bool serial_overran() {
#if defined(SERIAL_RX_BUFFER_SIZE)
  return Serial.available() >= SERIAL_RX_BUFFER_SIZE - 1;
#else
  return false;
#endif
}

// ---- I2C --------------------------------------------------------------------

// Longer than any register read, shorter than the 1.024 ms in which the board's
// clock would lose a tick while the I2C interrupt waits.
static const uint16_t BUS_TIMEOUT_US = 800;

// Without a limit Wire waits for ever at a bus that hangs. Not every AVR core's
// Wire has one, and of those that have it not all say so in a macro.
template <class Bus>
auto limit_bus_wait(Bus &bus, int) -> decltype(bus.setWireTimeout(0UL, true)) {
  bus.setWireTimeout(BUS_TIMEOUT_US, true);
}
template <class Bus>
void limit_bus_wait(Bus &, long) {}

template <class Bus>
auto take_bus_timeout(Bus &bus, int) -> decltype(bus.getWireTimeoutFlag()) {
  bool ended = bus.getWireTimeoutFlag();
  bus.clearWireTimeoutFlag();
  return ended;
}
template <class Bus>
bool take_bus_timeout(Bus &, long) {
  return false;
}

static void bus_limit_wait() { limit_bus_wait(Wire, 0); }

// True once after a transfer that was given up because the bus hung.
static bool bus_wait_ended() { return take_bus_timeout(Wire, 0); }

static uint8_t bus_request(uint8_t address, uint8_t count) {
  return Wire.requestFrom(address, count);
}
