// Boards with an ESP32 of any kind, with the Arduino core for it.
#pragma once

#include <Arduino.h>
#include <Preferences.h>
#include <Wire.h>
#include <esp_system.h>

#include "board_name.h"
#include "port_32_bit.h"
#include "restart_cause.h"
#include "settings.h"

// ---- restart ----------------------------------------------------------------

static RestartCause find_restart_cause() {
  switch (esp_reset_reason()) {
    case ESP_RST_POWERON: return RESTART_POWER;
    case ESP_RST_BROWNOUT: return RESTART_BROWNOUT;
    case ESP_RST_INT_WDT:
    case ESP_RST_TASK_WDT:
    case ESP_RST_WDT:
    case ESP_RST_PANIC: return RESTART_WATCHDOG;
    case ESP_RST_EXT:
    case ESP_RST_SW: return RESTART_RESET;
    default: return RESTART_UNKNOWN;
  }
}

// The core's own watchdog of loop(), some seconds.
static void watchdog_start() {
  if (WATCHDOG) enableLoopWDT();
}

static void watchdog_feed() {
  if (WATCHDOG) feedLoopWDT();
}

// ---- memory -----------------------------------------------------------------

// The core's key-value store spreads wear and outlives a power cut by itself: the
// ring is one value of a few records in it.
class PortMemory {
 public:
  void begin() {
    store_.begin("drawbench", false);
    load();
  }

  uint8_t read(uint16_t address) { return bytes_[address]; }
  void write(uint16_t address, uint8_t value) { bytes_[address] = value; }

  void commit() {
    store_.putBytes("records", bytes_, BYTES);
    load();  // what is read is what was kept
  }

  static const uint16_t BYTES = 64;

 private:
  void load() {
    memset(bytes_, 0xFF, BYTES);
    store_.getBytes("records", bytes_, BYTES);
  }

  Preferences store_;
  uint8_t bytes_[BYTES];
};

static const uint16_t RECORDS_BYTES = PortMemory::BYTES;

static uint32_t board_name(PortMemory &) {
  uint64_t serial = ESP.getEfuseMac();
  return name_from_serial((const uint8_t *)&serial, sizeof serial);
}

// ---- I2C --------------------------------------------------------------------

// In milliseconds; any register read takes less than one.
static const uint16_t BUS_TIMEOUT_MS = 2;

static void bus_limit_wait() { Wire.setTimeOut(BUS_TIMEOUT_MS); }

static bool bus_wait_ended() { return digitalRead(SDA) == LOW || digitalRead(SCL) == LOW; }
