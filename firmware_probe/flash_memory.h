// Records in program flash, for chips without EEPROM. What was written waits until
// commit(); a sector is erased only when its first byte is written, so that the
// record in force, which is in another sector or further down in the same one,
// outlives a power cut at any moment. Bits that do not take show when it is read.
//
// Flash is any class with
//   static const uint16_t SECTORS, SECTOR_BYTES     what is used of each sector
//   uint8_t read(uint16_t address)
//   void erase(uint16_t sector)                     all FFh
//   void program(uint16_t address, uint8_t value)   bits can only become 0; done at flush() at the latest
//   void flush()
#pragma once

#include <stdint.h>

template <class Flash, uint8_t WRITE_MAX>
class FlashMemory {
 public:
  void begin() {}

  uint8_t read(uint16_t address) { return flash_.read(address); }

  // One address after the other, at most WRITE_MAX until commit().
  void write(uint16_t address, uint8_t value) {
    if (count_ == 0) first_ = address;
    if (count_ < WRITE_MAX) bytes_[count_++] = value;
  }

  void commit() {
    for (uint8_t at = 0; at < count_; ++at) {
      uint16_t address = (uint16_t)(first_ + at);
      if (address % Flash::SECTOR_BYTES == 0) clear(address / Flash::SECTOR_BYTES);
    }
    for (uint8_t at = 0; at < count_; ++at) {
      if (bytes_[at] != 0xFF) flash_.program((uint16_t)(first_ + at), bytes_[at]);
    }
    flash_.flush();
    count_ = 0;
  }

 private:
  void clear(uint16_t sector) {
    for (uint16_t at = 0; at < Flash::SECTOR_BYTES; ++at) {
      if (flash_.read((uint16_t)(sector * Flash::SECTOR_BYTES + at)) == 0xFF) continue;
      flash_.erase(sector);
      return;
    }
  }

  Flash flash_;
  uint16_t first_ = 0;
  uint8_t count_ = 0;
  uint8_t bytes_[WRITE_MAX];
};
