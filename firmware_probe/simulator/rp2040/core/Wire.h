// I2C0, master: the calls and return values of the Arduino core for the RP2040.
#pragma once

#include <stddef.h>
#include <stdint.h>

class TwoWire {
 public:
  void begin();
  void end();
  void setClock(uint32_t hertz);
  void setTimeout(uint32_t timeout_ms, bool reset_with_timeout = false);
  bool getTimeoutFlag() const { return timed_out_; }
  void clearTimeoutFlag() { timed_out_ = false; }

  void beginTransmission(uint8_t address);
  size_t write(uint8_t byte);
  // 0: sent; 2, 3: nobody acknowledged address or byte; 4: other; 5: no end in time.
  uint8_t endTransmission(bool stop = true);
  size_t requestFrom(uint8_t address, size_t count);
  size_t requestFrom(uint8_t address, size_t count, bool stop);
  int available() const { return (int)(received_ - taken_); }
  int read() { return taken_ < received_ ? bytes_[taken_++] : -1; }

 private:
  void target(uint8_t address);
  bool waited(uint32_t begin_us);
  uint8_t aborted();

  bool timed_out_ = false;
  bool restart_ = false;  // the last transfer ended without a stop
  uint32_t timeout_us_ = 25000;
  uint32_t hertz_ = 100000;
  uint8_t address_ = 0;
  size_t count_ = 0, received_ = 0, taken_ = 0;
  uint8_t bytes_[32];
};
extern TwoWire Wire;
