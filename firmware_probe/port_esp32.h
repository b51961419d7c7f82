// Boards with an ESP32 of any kind, with the Arduino core for it.
#pragma once

#include <Arduino.h>
#include <Preferences.h>
#include <Wire.h>
#include <esp_system.h>

#include "board_name.h"
#include "output_ring.h"
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

static const uint16_t RECORDS_ADDRESS = 0;
static const uint16_t RECORDS_BYTES = PortMemory::BYTES;
static const uint32_t MEMORY_BYTE_US = 0;

static uint32_t board_name(PortMemory &) {
  uint64_t serial = ESP.getEfuseMac();
  return name_from_serial((const uint8_t *)&serial, sizeof serial);
}

// ---- serial port ------------------------------------------------------------

typedef OutputRing<decltype(Serial), 1024> PortOutput;
static PortOutput port_output(Serial);

static bool output_room(uint8_t bytes) { return port_output.room() >= bytes; }
static void output_service() { port_output.service(); }

// The core's buffer holds more than a command line.
static bool serial_overran() { return false; }

// ---- I2C --------------------------------------------------------------------

// In milliseconds; any register read takes less than one.
static const uint16_t BUS_TIMEOUT_MS = 2;

static void bus_limit_wait() { Wire.setTimeOut(BUS_TIMEOUT_MS); }

static bool bus_wait_ended() { return digitalRead(SDA) == LOW || digitalRead(SCL) == LOW; }

static uint8_t bus_request(uint8_t address, uint8_t count) {
  return (uint8_t)Wire.requestFrom(address, (size_t)count);
}
