// Division of signed 64-bit numbers with the rounding stated in the name.
#pragma once

#include <stdint.h>

static inline uint64_t magnitude(int64_t value) {
  return value < 0 ? 0 - (uint64_t)value : (uint64_t)value;
}

// numerator / divisor to the nearest integer, halves away from zero.
// |numerator| + divisor / 2 must stay below 2^63.
static inline int64_t divide_half_away(int64_t numerator, uint64_t divisor) {
  uint64_t quotient = (magnitude(numerator) + divisor / 2) / divisor;
  return numerator < 0 ? -(int64_t)quotient : (int64_t)quotient;
}

// Greatest integer not above numerator / divisor; rest in 0 .. divisor - 1.
static inline int64_t divide_floor(int64_t numerator, uint64_t divisor, uint64_t *rest) {
  uint64_t size = magnitude(numerator);
  uint64_t quotient = size / divisor;
  uint64_t left = size - quotient * divisor;
  if (numerator >= 0) {
    *rest = left;
    return (int64_t)quotient;
  }
  if (left == 0) {
    *rest = 0;
    return -(int64_t)quotient;
  }
  *rest = divisor - left;
  return -(int64_t)quotient - 1;
}
