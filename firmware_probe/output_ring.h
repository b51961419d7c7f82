// Bytes waiting for the UART. Nothing here ever waits: sampling goes on while
// a slow line drains.
#pragma once

#include <stdint.h>

class OutputRing {
 public:
  uint8_t used() const { return (uint8_t)(head_ - tail_); }
  uint8_t room() const { return (uint8_t)(CAPACITY - used()); }

  // Must not be called without room.
  void push(uint8_t byte) { bytes_[head_++] = byte; }

  // Must not be called when empty.
  uint8_t pop() { return bytes_[tail_++]; }

  static const uint8_t CAPACITY = 255;

 private:
  // 8-bit indices wrap by themselves.
  uint8_t bytes_[256];
  uint8_t head_ = 0;
  uint8_t tail_ = 0;
};
