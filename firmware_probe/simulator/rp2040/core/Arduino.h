// As much of the Arduino core for the RP2040 as the sketch uses, written over the chip's
// registers for the simulated chip. For tests only: it is not the core that a person installs.
#pragma once

#include "../../cores/common.h"

static const uint8_t SDA = 4;
static const uint8_t SCL = 5;

void pinMode(uint8_t pin, uint8_t mode);
void digitalWrite(uint8_t pin, uint8_t level);
int digitalRead(uint8_t pin);

// UART0, GP0 and GP1.
class SerialPort {
 public:
  void begin(unsigned long baud);
  int available();
  int read();
  int availableForWrite();
  size_t write(uint8_t byte);
  size_t write(const uint8_t *bytes, size_t count);
};
extern SerialPort Serial;

// The other core is asleep in the boot ROM.
struct Chip {
  void idleOtherCore() {}
  void resumeOtherCore() {}
};
extern Chip rp2040;
