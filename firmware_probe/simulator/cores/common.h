// What all Arduino cores declare. Of the cores here nothing is behind it; the simulated RP2040 has its own (rp2040/core).
#pragma once

#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define HIGH 1
#define LOW 0
#define INPUT 0
#define OUTPUT 1
#define INPUT_PULLUP 2

unsigned long micros();
void delayMicroseconds(unsigned int us);
void noInterrupts();
void interrupts();

// Of the class Print and Stream; the cores' ports derive from it.
class Stream {
 public:
  void begin(unsigned long baud);
  virtual int available();
  virtual int read();
  virtual int availableForWrite();
  virtual size_t write(uint8_t byte);
  virtual size_t write(const uint8_t *bytes, size_t count);
};
