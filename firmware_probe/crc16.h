// CRC-16/XMODEM: polynomial 1021h, initial value 0, not reflected, no final
// exclusive-or. CRC of "123456789" is 31C3h (published check value).
#pragma once

#include <stdint.h>

// CRC of a text that is one byte longer. Same result as eight shifts and
// conditional exclusive-ors with 1021h, without a table.
static inline uint16_t crc16_add(uint16_t crc, uint8_t byte) {
  crc = (uint16_t)((crc >> 8) | (crc << 8));
  crc ^= byte;
  crc ^= (uint16_t)((crc & 0xFF) >> 4);
  crc ^= (uint16_t)(crc << 12);
  crc ^= (uint16_t)((crc & 0xFF) << 5);
  return crc;
}

static inline uint16_t crc16(const uint8_t *bytes, uint16_t count) {
  uint16_t crc = 0;
  for (uint16_t i = 0; i < count; ++i) crc = crc16_add(crc, bytes[i]);
  return crc;
}
