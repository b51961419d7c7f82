// What the ports of the 32-bit chips have in common: RAM for what waits to be sent,
// memory that is written at once, a Wire that counts in size_t.
#pragma once

#include <Arduino.h>
#include <Wire.h>

#include "output_ring.h"

static const uint16_t RECORDS_ADDRESS = 0;
static const uint32_t MEMORY_BYTE_US = 0;

typedef OutputRing<decltype(Serial), 1024> PortOutput;
static PortOutput port_output(Serial);

static bool output_room(uint8_t bytes) { return port_output.room() >= bytes; }
static void output_service() { port_output.service(); }

// USB makes the host wait; the ESP32's UART has a buffer that holds more than a command line.
static bool serial_overran() { return false; }

static uint8_t bus_request(uint8_t address, uint8_t count) {
  return (uint8_t)Wire.requestFrom(address, (size_t)count);
}
