// The board's own name: from the chip's serial number where it has one, else made
// by chance once and kept, with a CRC, in the first bytes of the memory.
#pragma once

#include <stdint.h>

#include "crc16.h"

static const uint8_t NAME_BYTES = 4;
static const uint8_t KEPT_NAME_BYTES = NAME_BYTES + 2;

// chance: uint8_t(), another byte at each call. Memory: as for records (record_ring.h).
template <class Memory, class Chance>
uint32_t kept_board_name(Memory &memory, Chance chance) {
  uint8_t bytes[KEPT_NAME_BYTES];
  for (uint8_t i = 0; i < KEPT_NAME_BYTES; ++i) bytes[i] = memory.read(i);
  if (crc16(bytes, KEPT_NAME_BYTES) != 0 || (bytes[0] | bytes[1] | bytes[2] | bytes[3]) == 0) {
    for (uint8_t i = 0; i < NAME_BYTES; ++i) {
      bytes[i] = chance();
      memory.write(i, bytes[i]);
    }
    uint16_t crc = crc16(bytes, NAME_BYTES);  // high byte first: the CRC of all six is then 0
    memory.write(NAME_BYTES, (uint8_t)(crc >> 8));
    memory.write(NAME_BYTES + 1, (uint8_t)crc);
  }
  uint32_t name = 0;
  for (uint8_t i = 0; i < NAME_BYTES; ++i) name = name << 8 | bytes[i];
  return name;
}

// FNV-1a, 32 bit (RFC draft-eastlake-fnv): near serial numbers give names far apart. Never 0.
inline uint32_t name_from_serial(const uint8_t *serial, uint8_t count) {
  uint32_t name = 2166136261UL;
  while (count--) name = (name ^ *serial++) * 16777619UL;
  return name ? name : 1;
}
