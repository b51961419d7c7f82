// The calls of the C library that the sketch uses: the compile checks and the simulated chip need no more.
#pragma once

#include <stddef.h>

extern "C" {
void *memcpy(void *to, const void *from, size_t count);
void *memset(void *to, int value, size_t count);
}
