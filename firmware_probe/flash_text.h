// Constant text and tables stay in flash on AVR, where RAM is 2 kB. On the host
// and on other boards they are ordinary constants.
#pragma once

#if defined(__AVR__)
#include <avr/pgmspace.h>
#define FLASH_TABLE PROGMEM
#define FLASH_TEXT(text) PSTR(text)
#define flash_byte(address) pgm_read_byte(address)
#define flash_low_word(address) pgm_read_dword(address)
#define flash_copy(to, from, count) memcpy_P(to, from, count)
#else
#include <string.h>
#define FLASH_TABLE
#define FLASH_TEXT(text) (text)
#define flash_byte(address) (*(const uint8_t *)(address))
#define flash_low_word(address) ((uint32_t)*(address))
#define flash_copy(to, from, count) memcpy(to, from, count)
#endif
