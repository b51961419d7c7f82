// Bytes that wait until the port takes them, for chips that have the RAM: the
// cores' own buffers differ, and some make the sketch wait.
//
// Port is any class with int availableForWrite() and size_t write(const uint8_t *, size_t).
#pragma once

#include <stddef.h>
#include <stdint.h>

template <class Port, uint16_t SIZE>
class OutputRing {
 public:
  explicit OutputRing(Port &port) : port_(port) {}

  // Whoever writes asks room() before.
  void write(uint8_t byte) {
    if (waiting_ == SIZE) return;
    bytes_[(first_ + waiting_) % SIZE] = byte;
    ++waiting_;
  }

  uint16_t room() const { return (uint16_t)(SIZE - waiting_); }

  // As much as the port takes at once.
  void service() {
    while (waiting_) {
      int room = port_.availableForWrite();
      if (room <= 0) return;
      uint16_t whole = (uint16_t)(SIZE - first_ < waiting_ ? SIZE - first_ : waiting_);
      uint16_t taken = (uint16_t)port_.write(bytes_ + first_, room < whole ? (size_t)room : whole);
      if (taken == 0) return;  // nobody reads
      first_ = (uint16_t)((first_ + taken) % SIZE);
      waiting_ = (uint16_t)(waiting_ - taken);
    }
  }

 private:
  Port &port_;
  uint16_t first_ = 0;
  uint16_t waiting_ = 0;
  uint8_t bytes_[SIZE];
};
