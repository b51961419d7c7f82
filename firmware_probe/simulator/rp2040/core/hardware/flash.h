// The chip maker's calls for the program flash. The simulator has no flash chip behind its
// registers: bench.mjs does what they ask for.
#pragma once

#include <stddef.h>
#include <stdint.h>

#define FLASH_PAGE_SIZE 256u
#define FLASH_SECTOR_SIZE 4096u
#define XIP_BASE 0x10000000u

void flash_range_erase(uint32_t offset, size_t count);
void flash_range_program(uint32_t offset, const uint8_t *bytes, size_t count);
