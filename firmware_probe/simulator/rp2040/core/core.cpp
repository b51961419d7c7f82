// The few calls of the core that the sketch uses, over the registers of the RP2040.
#include <Arduino.h>
#include <Wire.h>
#include <hardware/flash.h>
#include <hardware/watchdog.h>
#include <pico/unique_id.h>

#include "registers.h"

SerialPort Serial;
TwoWire Wire;
Chip rp2040;

static const uint32_t XOSC_HERTZ = 12000000;

static void release(uint32_t blocks) {
  CLEAR_BITS(RESETS) = blocks;
  while ((REGISTER(RESETS_DONE) & blocks) != blocks) {
  }
}

static void reset_and_release(uint32_t blocks) {
  SET_BITS(RESETS) = blocks;
  release(blocks);
}

// Everything from the crystal; F_CPU above its frequency from the PLL (data sheet 2.18: 12 MHz x 125 / 6 / 2).
void clocks_begin() {
  REGISTER(XOSC) = 0xAA0;
  REGISTER(XOSC + 0x0C) = 47;
  SET_BITS(XOSC) = 0xFAB << 12;
  while (!(REGISTER(XOSC + 4) >> 31)) {
  }
  REGISTER(CLK_REF_CTRL) = 2;
  while (!(REGISTER(CLK_REF_SELECTED) & 1 << 2)) {
  }
#if F_CPU > 12000000
  static_assert(F_CPU == 125000000, "12 or 125 MHz");
  reset_and_release(RESET_PLL_SYS);
  REGISTER(PLL_SYS) = 1;
  REGISTER(PLL_SYS + 8) = 125;
  CLEAR_BITS(PLL_SYS + 4) = 1 << 0 | 1 << 5;
  while (!(REGISTER(PLL_SYS) >> 31)) {
  }
  REGISTER(PLL_SYS + 0x0C) = 6 << 16 | 2 << 12;
  CLEAR_BITS(PLL_SYS + 4) = 1 << 3;
  REGISTER(CLK_SYS_CTRL) = 0;
  REGISTER(CLK_SYS_CTRL) = 1;
  while (!(REGISTER(CLK_SYS_SELECTED) & 1 << 1)) {
  }
#endif
  REGISTER(CLK_PERI_CTRL) = 1 << 11;
  REGISTER(WATCHDOG_BLOCK + 0x2C) = XOSC_HERTZ / 1000000 | 1 << 9;
  release(RESET_IO_BANK0 | RESET_PADS_BANK0);
}

// ---- pins -------------------------------------------------------------------

static void pin_function(uint8_t pin, uint32_t function) {
  REGISTER(IO_BANK0 + 8u * pin + 4) = function;
}

static void pin_pull(uint8_t pin, bool up) {
  REGISTER(PADS_BANK0 + 4u + 4u * pin) = 0x52 | (up ? 8 : 0);  // input on, 4 mA, hysteresis
}

void pinMode(uint8_t pin, uint8_t mode) {
  pin_pull(pin, mode == INPUT_PULLUP);
  REGISTER(SIO + (mode == OUTPUT ? 0x24 : 0x28)) = 1u << pin;
  pin_function(pin, 5);
}

void digitalWrite(uint8_t pin, uint8_t level) { REGISTER(SIO + (level ? 0x14 : 0x18)) = 1u << pin; }

int digitalRead(uint8_t pin) { return REGISTER(SIO + 4) >> pin & 1; }

// ---- time, interrupts -------------------------------------------------------

unsigned long micros() { return REGISTER(TIMER_RAW_LOW); }

void delayMicroseconds(unsigned int us) {
  for (uint32_t begin = micros(); micros() - begin <= us;) {
  }
}

void noInterrupts() { __asm volatile("cpsid i" ::: "memory"); }
void interrupts() { __asm volatile("cpsie i" ::: "memory"); }

// ---- serial port ------------------------------------------------------------

// The UART (ARM PL011) has 32 bytes of its own each way, and no more is used.
void SerialPort::begin(unsigned long baud) {
  reset_and_release(RESET_UART0);
  uint32_t divisor_64 = (uint32_t)(((uint64_t)F_CPU * 4 + baud / 2) / baud);
  REGISTER(UART0 + 0x24) = divisor_64 >> 6;
  REGISTER(UART0 + 0x28) = divisor_64 & 63;
  REGISTER(UART0 + 0x2C) = 3 << 5 | 1 << 4;  // 8 bits, FIFOs
  REGISTER(UART0 + 0x30) = 1 << 9 | 1 << 8 | 1;
  pin_function(0, 2);
  pin_function(1, 2);
}

int SerialPort::available() { return REGISTER(UART0 + 0x18) & 1 << 4 ? 0 : 1; }
int SerialPort::read() { return available() ? (int)(REGISTER(UART0) & 0xFF) : -1; }
int SerialPort::availableForWrite() { return REGISTER(UART0 + 0x18) & 1 << 5 ? 0 : 1; }

size_t SerialPort::write(uint8_t byte) {
  while (!availableForWrite()) {
  }
  REGISTER(UART0) = byte;
  return 1;
}

size_t SerialPort::write(const uint8_t *bytes, size_t count) {
  for (size_t at = 0; at < count; ++at) write(bytes[at]);
  return count;
}

// ---- I2C --------------------------------------------------------------------

void TwoWire::begin() {
  reset_and_release(RESET_I2C0);
  REGISTER(IC_ENABLE) = 0;
  REGISTER(IC_CON) = 1 << 8 | 1 << 6 | 1 << 5 | 2 << 1 | 1;  // TX_EMPTY_CTRL, master, restart, fast
  REGISTER(IC_TX_TL) = 0;
  REGISTER(IC_RX_TL) = 0;
  setClock(hertz_);
  pin_pull(SDA, true);
  pin_pull(SCL, true);
  pin_function(SDA, 3);
  pin_function(SCL, 3);
  restart_ = false;
}

void TwoWire::end() {
  REGISTER(IC_ENABLE) = 0;
  SET_BITS(RESETS) = RESET_I2C0;
}

void TwoWire::setClock(uint32_t hertz) {
  hertz_ = hertz;
  uint32_t period = (F_CPU + hertz / 2) / hertz;
  uint32_t low = period * 3 / 5;
  REGISTER(IC_ENABLE) = 0;
  REGISTER(IC_FS_SCL_HCNT) = period - low;
  REGISTER(IC_FS_SCL_LCNT) = low;
  REGISTER(IC_FS_SPKLEN) = low < 16 ? 1 : low / 16;
  REGISTER(IC_ENABLE) = 1;
}

void TwoWire::setTimeout(uint32_t timeout_ms, bool) { timeout_us_ = timeout_ms * 1000; }

void TwoWire::beginTransmission(uint8_t address) {
  address_ = address;
  count_ = 0;
}

size_t TwoWire::write(uint8_t byte) {
  if (count_ == sizeof bytes_) return 0;
  bytes_[count_++] = byte;
  return 1;
}

void TwoWire::target(uint8_t address) {
  REGISTER(IC_ENABLE) = 0;
  REGISTER(IC_TAR) = address;
  REGISTER(IC_ENABLE) = 1;
}

bool TwoWire::waited(uint32_t begin_us) {
  if ((uint32_t)micros() - begin_us < timeout_us_) return false;
  timed_out_ = true;
  restart_ = false;
  return true;
}

// Reads and clears why the transfer was given up; 0: it was not.
uint8_t TwoWire::aborted() {
  if (!(REGISTER(IC_RAW_INTR_STAT) & INTR_TX_ABRT)) return 0;
  uint32_t source = REGISTER(IC_TX_ABRT_SOURCE);
  (void)REGISTER(IC_CLR_TX_ABRT);
  restart_ = false;
  return source & 1 ? 2 : source & 1 << 3 ? 3 : 4;
}

uint8_t TwoWire::endTransmission(bool stop) {
  // The controller cannot send an address alone: one byte is asked for instead.
  if (count_ == 0) return requestFrom(address_, 1, true) == 1 ? 0 : timed_out_ ? 5 : 2;
  target(address_);
  uint32_t begin_us = micros();
  for (size_t at = 0; at < count_; ++at) {
    bool last = at + 1 == count_;
    REGISTER(IC_DATA_CMD) =
        bytes_[at] | (at == 0 && restart_ ? CMD_RESTART : 0) | (last && stop ? CMD_STOP : 0);
    // Without a stop the bus is held, with the byte perhaps still on its way.
    while (!(REGISTER(IC_RAW_INTR_STAT) & (last && stop ? INTR_STOP_DET | INTR_TX_ABRT
                                                        : INTR_TX_EMPTY | INTR_TX_ABRT))) {
      if (waited(begin_us)) return 5;
    }
    if (uint8_t why = aborted()) return why;
  }
  if (stop) (void)REGISTER(IC_CLR_STOP_DET);
  restart_ = !stop;
  return 0;
}

size_t TwoWire::requestFrom(uint8_t address, size_t count) { return requestFrom(address, count, true); }

size_t TwoWire::requestFrom(uint8_t address, size_t count, bool stop) {
  received_ = taken_ = 0;
  if (count > sizeof bytes_) count = sizeof bytes_;
  target(address);
  uint32_t begin_us = micros();
  for (size_t at = 0; at < count; ++at) {
    REGISTER(IC_DATA_CMD) = CMD_READ | (at == 0 && restart_ ? CMD_RESTART : 0) |
                            (at + 1 == count && stop ? CMD_STOP : 0);
    while (!REGISTER(IC_RXFLR)) {
      if (aborted()) return 0;
      if (waited(begin_us)) return 0;
    }
    bytes_[received_++] = (uint8_t)REGISTER(IC_DATA_CMD);
  }
  while (stop && !(REGISTER(IC_RAW_INTR_STAT) & INTR_STOP_DET)) {
    if (waited(begin_us)) return 0;
  }
  (void)REGISTER(IC_CLR_STOP_DET);
  restart_ = !stop;
  return received_;
}

// ---- flash, watchdog, serial number -----------------------------------------

void flash_range_erase(uint32_t offset, size_t count) {
  REGISTER(BENCH_FLASH) = offset;
  REGISTER(BENCH_FLASH + 8) = count;
  REGISTER(BENCH_FLASH + 12) = 1;
}

void flash_range_program(uint32_t offset, const uint8_t *bytes, size_t count) {
  REGISTER(BENCH_FLASH) = offset;
  REGISTER(BENCH_FLASH + 4) = (uint32_t)bytes;
  REGISTER(BENCH_FLASH + 8) = count;
  REGISTER(BENCH_FLASH + 12) = 2;
}

static const uint32_t WATCHDOG_OWN = 0x6AB73121;  // kept in scratch register 4 by the maker's library
static uint32_t watchdog_load = 0;

// Counts two a microsecond (erratum RP2040-E1).
void watchdog_enable(uint32_t delay_ms, bool) {
  watchdog_load = delay_ms * 2000;
  REGISTER(WATCHDOG_BLOCK + 0x1C) = WATCHDOG_OWN;
  watchdog_update();
  SET_BITS(WATCHDOG_BLOCK) = 1u << 30;
}

void watchdog_update() { REGISTER(WATCHDOG_BLOCK + 4) = watchdog_load; }
bool watchdog_caused_reboot() { return REGISTER(WATCHDOG_BLOCK + 8) != 0; }
bool watchdog_enable_caused_reboot() {
  return watchdog_caused_reboot() && REGISTER(WATCHDOG_BLOCK + 0x1C) == WATCHDOG_OWN;
}

void pico_get_unique_board_id(pico_unique_board_id_t *serial) {
  for (uint8_t at = 0; at < 8; ++at) {
    serial->id[at] = (uint8_t)(REGISTER(BENCH_SERIAL + (at & 4)) >> 8 * (at & 3));
  }
}

// ---- what the compiler calls ------------------------------------------------

extern "C" {
void *memcpy(void *to, const void *from, size_t count) {
  for (size_t at = 0; at < count; ++at) ((volatile uint8_t *)to)[at] = ((const uint8_t *)from)[at];
  return to;
}

void *memset(void *to, int value, size_t count) {
  for (size_t at = 0; at < count; ++at) ((volatile uint8_t *)to)[at] = (uint8_t)value;
  return to;
}
}
