// What the board remembers over a reset. Each change writes the next of many
// slots, so that no cell wears out first, and a write that the power cuts
// short leaves the slot before it in force: its CRC does not match.
//
// Memory is any class with uint8_t read(uint16_t), void write(uint16_t, uint8_t) and
// void commit(): what was written is then what is read.
#pragma once

#include <stdint.h>

#include "crc16.h"

struct Record {
  uint16_t boot;
  uint32_t cutoff_uv;
  uint32_t hold_ms;
  uint8_t sensor;  // what the host said it is: kind, and address - 40h + 1 above (0: find it)
  uint8_t opened;  // why the load switch is open, Opened; it stays so until it is told to close
};

enum Opened : uint8_t {
  OPENED_NOT,  // it is closed
  OPENED_NEW,  // nobody ever told it to close
  OPENED_BY_HOST,
  OPENED_BY_CUTOFF,  // only a person closes it
  OPENED_BY_SENSOR,
};

template <class Memory>
class RecordRing {
 public:
  // At most 255 slots are used.
  RecordRing(Memory &memory, uint16_t first_address, uint16_t bytes)
      : memory_(memory),
        first_address_(first_address),
        slots_((uint8_t)(bytes / SLOT_BYTES)),
        slot_((uint8_t)(slots_ - 1)) {}  // so that a new board begins with the first

  // Newest whole record; false, and a new board's, when there is none.
  bool load(Record *record) {
    bool found = false;
    uint8_t bytes[SLOT_BYTES];
    for (uint8_t slot = 0; slot < slots_; ++slot) {
      read_slot(slot, bytes);
      if (!valid(bytes)) continue;
      uint16_t sequence = (uint16_t)unpack(bytes + 1, 2);
      if (found && (int16_t)(uint16_t)(sequence - sequence_) < 0) continue;
      found = true;
      sequence_ = sequence;
      slot_ = slot;
    }
    if (found) {
      read_slot(slot_, bytes);
      record->boot = (uint16_t)unpack(bytes + 3, 2);
      record->cutoff_uv = unpack(bytes + 5, 4) & 0x7FFFFFFUL;
      record->hold_ms = unpack(bytes + 9, 4);
      record->sensor = (uint8_t)((bytes[13] >> 4 & 3) | (bytes[8] >> 3) << 2);
      // Sketches that did not tell why wrote the first bit alone.
      record->opened = !(bytes[13] & 1) ? OPENED_NOT : bytes[13] >> 1 & 7 ? bytes[13] >> 1 & 7 : OPENED_BY_HOST;
    } else {
      *record = Record{0, 0, 0, 0, OPENED_NEW};
    }
    return found;
  }

  // Prepares the next slot; then call write_byte() until it says false.
  void begin(const Record &record) {
    bytes_[0] = LAYOUT;
    pack(bytes_ + 1, (uint16_t)(sequence_ + 1), 2);
    pack(bytes_ + 3, record.boot, 2);
    pack(bytes_ + 5, record.cutoff_uv, 4);
    pack(bytes_ + 9, record.hold_ms, 4);
    bytes_[8] |= (uint8_t)(record.sensor >> 2 << 3);
    bytes_[13] = (uint8_t)((record.opened ? record.opened << 1 | 1 : 0) | (record.sensor & 3) << 4);
    pack(bytes_ + 14, crc16(bytes_, 14), 2);
    slots_tried_ = 0;
    if (position_) next_slot();  // else nothing is in this one yet
  }

  // True once after a cell did not take what was written.
  bool take_failure() {
    bool failed = failed_;
    failed_ = false;
    return failed;
  }

  bool writing() const { return position_ < SLOT_BYTES; }

  // Writes one byte; a slot that does not read back as written is left for the next.
  bool write_byte() {
    if (!writing()) return false;
    memory_.write((uint16_t)(address(slot_) + position_), bytes_[position_]);
    if (++position_ < SLOT_BYTES) return true;
    memory_.commit();
    uint8_t written[SLOT_BYTES];
    read_slot(slot_, written);
    for (uint8_t i = 0; i < SLOT_BYTES; ++i) {
      if (written[i] == bytes_[i]) continue;
      failed_ = true;
      if (slots_tried_ >= slots_) break;
      next_slot();
      return true;
    }
    ++sequence_;
    return false;
  }

  static const uint8_t SLOT_BYTES = 16;

 private:
  // Layout of a slot: this byte (never 0, so that erased and zeroed memory are
  // both invalid), sequence, boot, cutoff, hold, load, CRC; little-endian. The sensor is
  // in bits that cutoff (26) and load (4) leave free.
  static const uint8_t LAYOUT = 1;

  uint16_t address(uint8_t slot) const { return (uint16_t)(first_address_ + slot * SLOT_BYTES); }

  void next_slot() {
    slot_ = (uint8_t)(slot_ + 1 < slots_ ? slot_ + 1 : 0);
    ++slots_tried_;
    position_ = 0;
  }

  void read_slot(uint8_t slot, uint8_t *bytes) {
    for (uint8_t i = 0; i < SLOT_BYTES; ++i) {
      bytes[i] = memory_.read((uint16_t)(address(slot) + i));
    }
  }

  static bool valid(const uint8_t *bytes) {
    return bytes[0] == LAYOUT && crc16(bytes, 14) == (uint16_t)unpack(bytes + 14, 2);
  }

  static void pack(uint8_t *bytes, uint32_t value, uint8_t count) {
    for (; count; --count, value >>= 8) *bytes++ = (uint8_t)value;
  }

  static uint32_t unpack(const uint8_t *bytes, uint8_t count) {
    uint32_t value = 0;
    while (count--) value = value << 8 | bytes[count];
    return value;
  }

  Memory &memory_;
  uint16_t first_address_;
  uint16_t sequence_ = 0;
  uint8_t slots_;
  uint8_t slot_;
  uint8_t slots_tried_ = 0;
  bool failed_ = false;
  uint8_t position_ = SLOT_BYTES;
  uint8_t bytes_[SLOT_BYTES];
};
