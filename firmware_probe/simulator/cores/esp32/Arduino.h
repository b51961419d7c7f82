// Declarations of the ESP32's Arduino core, for compile checks only.
#pragma once

#include "../common.h"

static const uint8_t SDA = 21;
static const uint8_t SCL = 22;

void pinMode(uint8_t pin, uint8_t mode);
void digitalWrite(uint8_t pin, uint8_t level);
int digitalRead(uint8_t pin);
void enableLoopWDT();
void feedLoopWDT();
extern Stream Serial;

class EspClass {
 public:
  uint64_t getEfuseMac();
};
extern EspClass ESP;
