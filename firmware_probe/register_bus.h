// Registers of a chip on the I2C bus: read, write, and a bus that hangs is freed.
#pragma once

#include <Arduino.h>
#include <Wire.h>

#include "port.h"

class RegisterBus {
 public:
  void begin() {
    Wire.begin();
    set_up();
  }

  // Whoever is spoken to from here on. True when it is there.
  __attribute__((noinline)) bool answers(uint8_t address) {
    address_ = address;
    pointer_ = POINTER_UNKNOWN;
    Wire.beginTransmission(address_);
    bool answered = Wire.endTransmission() == 0;
    note_timeout();
    return answered;
  }

  // 16 bits, high byte first. The register pointer stays where it was, so that
  // polling the same register needs no pointer write.
  __attribute__((noinline)) bool read(uint8_t number, uint16_t *value) {
    if (pointer_ != number) {
      Wire.beginTransmission(address_);
      Wire.write(number);
      if (Wire.endTransmission(false) != 0) return failed();
      pointer_ = number;
    }
    uint8_t bytes = (uint8_t)(2 + more_);
    if (bus_request(address_, bytes) != bytes) return failed();
    uint8_t high = (uint8_t)Wire.read();
    *value = (uint16_t)((uint16_t)high << 8 | (uint8_t)Wire.read());
    return true;
  }

  // 24 bits, of which the lowest four are not used: 20 bits, signed.
  bool read_20(uint8_t number, int32_t *value) {
    uint16_t high;
    if (!read_of(3, number, &high)) return false;
    *value = (int32_t)(int16_t)high * 16 + ((uint8_t)Wire.read() >> 4);
    return true;
  }

  // 40 bits; the highest as a sign.
  bool read_40(uint8_t number, int64_t *value) {
    uint16_t high;
    if (!read_of(5, number, &high)) return false;
    uint32_t low = 0;
    for (uint8_t at = 0; at < 3; ++at) low = low << 8 | (uint8_t)Wire.read();
    *value = (int64_t)(int16_t)high * (1L << 24) + low;
    return true;
  }

  __attribute__((noinline)) bool write(uint8_t number, uint16_t value) {
    Wire.beginTransmission(address_);
    Wire.write(number);
    Wire.write((uint8_t)(value >> 8));
    Wire.write((uint8_t)value);
    if (Wire.endTransmission() != 0) return failed();
    pointer_ = number;
    return true;
  }

  uint8_t address() const { return address_; }
  bool hung() const { return hung_; }
  void forget_hang() { hung_ = false; }

  // Nine clocks let a sensor that was cut off in the middle of a byte finish it.
  void free() {
    Wire.end();
    pinMode(SDA, INPUT_PULLUP);
    for (uint8_t clock = 0; clock < 9; ++clock) {
      digitalWrite(SCL, LOW);
      pinMode(SCL, OUTPUT);
      delayMicroseconds(5);
      pinMode(SCL, INPUT_PULLUP);
      delayMicroseconds(5);
    }
    // Stop condition: data rises while the clock is high.
    digitalWrite(SDA, LOW);
    pinMode(SDA, OUTPUT);
    delayMicroseconds(5);
    pinMode(SDA, INPUT_PULLUP);
    begin();
  }

 private:
  void set_up() {
    Wire.setClock(400000UL);
    bus_limit_wait();
    pointer_ = POINTER_UNKNOWN;
  }

  // The first two of so many bytes; the others wait in Wire.
  bool read_of(uint8_t bytes, uint8_t number, uint16_t *value) {
    more_ = (uint8_t)(bytes - 2);
    bool good = read(number, value);
    more_ = 0;
    return good;
  }

  bool failed() {
    pointer_ = POINTER_UNKNOWN;
    note_timeout();
    return false;
  }

  void note_timeout() {
    if (bus_wait_ended()) hung_ = true;
  }

  static const uint8_t POINTER_UNKNOWN = 0xAA;

  uint8_t address_ = 0;
  uint8_t more_ = 0;  // bytes of a register than two
  uint8_t pointer_ = 0;  // begin() says that it is not known
  bool hung_ = false;
};
