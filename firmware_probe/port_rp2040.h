// Boards with an RP2040, with the Arduino core built on the chip maker's library.
#pragma once

#include <Arduino.h>
#include <Wire.h>
#include <hardware/flash.h>
#include <hardware/structs/vreg_and_chip_reset.h>
#include <hardware/watchdog.h>
#include <pico/unique_id.h>

#include "board_name.h"
#include "flash_memory.h"
#include "port_32_bit.h"
#include "restart_cause.h"
#include "settings.h"

// ---- restart ----------------------------------------------------------------

// The chip does not tell a brown-out from power-on. Not every restart by the
// watchdog's circuit is a hang: the boot loader uses it, too.
static RestartCause find_restart_cause() {
  if (watchdog_enable_caused_reboot()) return RESTART_WATCHDOG;
  if (watchdog_caused_reboot()) return RESTART_RESET;
  uint32_t flags = vreg_and_chip_reset_hw->chip_reset;
  if (flags & VREG_AND_CHIP_RESET_CHIP_RESET_HAD_POR_BITS) return RESTART_POWER;
  if (flags & VREG_AND_CHIP_RESET_CHIP_RESET_HAD_RUN_BITS) return RESTART_RESET;
  return RESTART_UNKNOWN;
}

static void watchdog_start() {
  if (WATCHDOG) watchdog_enable(2000, true);
}

static void watchdog_feed() {
  if (WATCHDOG) watchdog_update();
}

// ---- memory -----------------------------------------------------------------

// Where the core keeps its EEPROM: the last sector of the flash.
extern "C" uint8_t _EEPROM_start;

// That sector and the one before it, which belongs to a file system if there is
// one; the sketch has none. Of each, what the ring of records needs.
class PortFlash {
 public:
  static const uint16_t SECTORS = 2;
  static const uint16_t SECTOR_BYTES = 1024;
  static const uint16_t PAGE_BYTES = FLASH_PAGE_SIZE;

  uint8_t read(uint16_t address) {
    return *(const volatile uint8_t *)(XIP_BASE + offset() + place(address));
  }

  void erase(uint16_t sector) {
    pause();
    flash_range_erase(offset() + sector * FLASH_SECTOR_SIZE, FLASH_SECTOR_SIZE);
    go_on();
  }

  void program(uint16_t address, const uint8_t *bytes) {
    pause();
    flash_range_program(offset() + place(address), bytes, FLASH_PAGE_SIZE);
    go_on();
  }

 private:
  static uint32_t offset() {
    return (uint32_t)(uintptr_t)&_EEPROM_start - (SECTORS - 1) * FLASH_SECTOR_SIZE - XIP_BASE;
  }
  static uint32_t place(uint16_t address) {
    return (uint32_t)(address / SECTOR_BYTES) * FLASH_SECTOR_SIZE + address % SECTOR_BYTES;
  }

  // Nothing may be read from the flash meanwhile, no interrupt's code either.
  static void pause() {
    noInterrupts();
    rp2040.idleOtherCore();
  }
  static void go_on() {
    rp2040.resumeOtherCore();
    interrupts();
  }
};

typedef FlashMemory<PortFlash> PortMemory;

static const uint16_t RECORDS_BYTES = PortFlash::SECTORS * PortFlash::SECTOR_BYTES;

static uint32_t board_name(PortMemory &) {
  pico_unique_board_id_t serial;
  pico_get_unique_board_id(&serial);
  return name_from_serial(serial.id, sizeof serial.id);
}

// ---- I2C --------------------------------------------------------------------

// In milliseconds; any register read takes less than one.
static const uint32_t BUS_TIMEOUT_MS = 2;

static void bus_limit_wait() { Wire.setTimeout(BUS_TIMEOUT_MS, false); }

static bool bus_wait_ended() {
  bool ended = Wire.getTimeoutFlag();
  Wire.clearTimeoutFlag();
  return ended;
}
