// Declarations of the SAMD core's Wire, for compile checks only.
#pragma once

#include <Arduino.h>

class TwoWire : public Stream {
 public:
  void begin();
  void end();
  void setClock(uint32_t hertz);
  void beginTransmission(uint8_t address);
  uint8_t endTransmission(bool stop);
  uint8_t endTransmission(void);
  uint8_t requestFrom(uint8_t address, size_t count, bool stop);
  uint8_t requestFrom(uint8_t address, size_t count);
  using Stream::write;
  size_t write(uint8_t byte) override;
  int read() override;
};
extern TwoWire Wire;
