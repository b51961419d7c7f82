// Records in program flash, for chips without EEPROM. What was written waits until
// commit(); a sector is erased only when its first byte is written, so that the
// record in force, which is in another sector or further down in the same one,
// outlives a power cut at any moment. Bits that do not take show when it is read.
//
// Flash is any class with
//   static const uint16_t SECTORS, SECTOR_BYTES     what is used of each sector
//   static const uint16_t PAGE_BYTES                what is programmed at once
//   uint8_t read(uint16_t address)
//   void erase(uint16_t sector)                     all FFh
//   void program(uint16_t address, const uint8_t *bytes)   a page from its begin; bits can only become 0
#pragma once

#include <stdint.h>
#include <string.h>

template <class Flash>
class FlashMemory {
 public:
  void begin() {}

  uint8_t read(uint16_t address) { return flash_.read(address); }

  // One address after the other until commit(). What goes beyond a page does not wait for it.
  void write(uint16_t address, uint8_t value) {
    if (first_ == NOTHING || address / Flash::PAGE_BYTES != first_ / Flash::PAGE_BYTES) {
      commit();
      first_ = address;
      memset(page_, 0xFF, sizeof page_);
    }
    page_[address % Flash::PAGE_BYTES] = value;
  }

  void commit() {
    if (first_ == NOTHING) return;
    if (first_ % Flash::SECTOR_BYTES == 0) clear(first_ / Flash::SECTOR_BYTES);
    flash_.program((uint16_t)(first_ - first_ % Flash::PAGE_BYTES), page_);
    first_ = NOTHING;
  }

 private:
  static const uint16_t NOTHING = UINT16_MAX;

  void clear(uint16_t sector) {
    for (uint16_t at = 0; at < Flash::SECTOR_BYTES; ++at) {
      if (flash_.read((uint16_t)(sector * Flash::SECTOR_BYTES + at)) == 0xFF) continue;
      flash_.erase(sector);
      return;
    }
  }

  Flash flash_;
  uint16_t first_ = NOTHING;  // address of what waits
  uint8_t page_[Flash::PAGE_BYTES];
};
