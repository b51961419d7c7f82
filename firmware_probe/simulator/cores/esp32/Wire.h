// Declarations of the ESP32 core's Wire, for compile checks only.
#pragma once

#include <Arduino.h>

class TwoWire : public Stream {
 public:
  bool begin();
  bool end();
  bool setClock(uint32_t hertz);
  void setTimeOut(uint16_t timeout_ms);
  void beginTransmission(uint8_t address);
  uint8_t endTransmission(bool stop);
  uint8_t endTransmission(void);
  size_t requestFrom(uint8_t address, size_t count, bool stop);
  size_t requestFrom(uint8_t address, size_t count);
  using Stream::write;
  size_t write(uint8_t byte) override;
  int read() override;
};
extern TwoWire Wire;
