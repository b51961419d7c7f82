// Boards with a SAMD21, with the Arduino core for it.
#pragma once

#include <Arduino.h>
#include <Wire.h>

#include "board_name.h"
#include "flash_memory.h"
#include "port_32_bit.h"
#include "restart_cause.h"
#include "settings.h"

// ---- restart ----------------------------------------------------------------

static RestartCause find_restart_cause() {
  uint8_t flags = PM->RCAUSE.reg;
  if (flags & PM_RCAUSE_POR) return RESTART_POWER;
  if (flags & (PM_RCAUSE_BOD12 | PM_RCAUSE_BOD33)) return RESTART_BROWNOUT;
  if (flags & PM_RCAUSE_WDT) return RESTART_WATCHDOG;
  if (flags & (PM_RCAUSE_EXT | PM_RCAUSE_SYST)) return RESTART_RESET;
  return RESTART_UNKNOWN;
}

// Generator 2 of the clocks: the low-power oscillator, 32.768 kHz / 32.
static void watchdog_start() {
  if (!WATCHDOG) return;
  GCLK->GENDIV.reg = GCLK_GENDIV_ID(2) | GCLK_GENDIV_DIV(4);  // 2 to the power of 4 + 1
  GCLK->GENCTRL.reg =
      GCLK_GENCTRL_ID(2) | GCLK_GENCTRL_GENEN | GCLK_GENCTRL_SRC_OSCULP32K | GCLK_GENCTRL_DIVSEL;
  while (GCLK->STATUS.bit.SYNCBUSY) {
  }
  GCLK->CLKCTRL.reg = GCLK_CLKCTRL_ID_WDT | GCLK_CLKCTRL_CLKEN | GCLK_CLKCTRL_GEN_GCLK2;
  WDT->CTRL.reg = 0;
  while (WDT->STATUS.bit.SYNCBUSY) {
  }
  WDT->CONFIG.reg = WDT_CONFIG_PER_2K;
  WDT->CTRL.reg = WDT_CTRL_ENABLE;
  while (WDT->STATUS.bit.SYNCBUSY) {
  }
}

static void watchdog_feed() {
  if (WATCHDOG && !WDT->STATUS.bit.SYNCBUSY) WDT->CLEAR.reg = WDT_CLEAR_CLEAR_KEY;
}

// ---- memory -----------------------------------------------------------------

// The last rows of the program flash: a new upload may erase them.
class PortFlash {
 public:
  static const uint16_t SECTORS = 4;
  static const uint16_t SECTOR_BYTES = 256;  // a row: four pages
  static const uint16_t PAGE_BYTES = 64;

  uint8_t read(uint16_t address) { return *(volatile uint8_t *)(begin() + address); }

  void erase(uint16_t sector) {
    command(begin() + (uint32_t)sector * SECTOR_BYTES, NVMCTRL_CTRLA_CMD_ER);
  }

  // The page buffer takes words, not bytes.
  void program(uint16_t address, const uint8_t *bytes) {
    uint32_t page = begin() + address;
    NVMCTRL->CTRLB.bit.MANW = 1;
    command(page, NVMCTRL_CTRLA_CMD_PBC);
    for (uint8_t at = 0; at < PAGE_BYTES; at += 4) {
      uint32_t word;
      memcpy(&word, bytes + at, 4);
      *(volatile uint32_t *)(page + at) = word;
    }
    command(page, NVMCTRL_CTRLA_CMD_WP);
  }

 private:
  static uint32_t begin() {
    return (uint32_t)NVMCTRL->PARAM.bit.NVMP * PAGE_BYTES - (uint32_t)SECTORS * SECTOR_BYTES;
  }

  static void command(uint32_t address, uint16_t what) {
    while (!NVMCTRL->INTFLAG.bit.READY) {
    }
    NVMCTRL->ADDR.reg = address / 2;
    NVMCTRL->CTRLA.reg = (uint16_t)(NVMCTRL_CTRLA_CMDEX_KEY | what);
    while (!NVMCTRL->INTFLAG.bit.READY) {
    }
  }
};

typedef FlashMemory<PortFlash> PortMemory;

static const uint16_t RECORDS_BYTES = PortFlash::SECTORS * PortFlash::SECTOR_BYTES;

static uint32_t board_name(PortMemory &) {
  static const uint32_t places[] = {0x0080A00C, 0x0080A040, 0x0080A044, 0x0080A048};
  uint32_t serial[4];
  for (uint8_t at = 0; at < 4; ++at) serial[at] = *(volatile uint32_t *)places[at];
  return name_from_serial((const uint8_t *)serial, sizeof serial);
}

// ---- I2C --------------------------------------------------------------------

// This core's Wire has no limit of its own: what hangs in it ends by the watchdog.
static void bus_limit_wait() {}

static bool bus_wait_ended() { return digitalRead(SDA) == LOW || digitalRead(SCL) == LOW; }
