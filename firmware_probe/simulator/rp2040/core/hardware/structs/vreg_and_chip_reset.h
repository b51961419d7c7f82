// RP2040 data sheet, 2.10.7: VREG_AND_CHIP_RESET.
#pragma once

#include <stdint.h>

struct vreg_and_chip_reset_hw_t {
  volatile uint32_t vreg;
  volatile uint32_t bod;
  volatile uint32_t chip_reset;
};
#define vreg_and_chip_reset_hw ((vreg_and_chip_reset_hw_t *)0x40064000u)
#define VREG_AND_CHIP_RESET_CHIP_RESET_HAD_POR_BITS 0x00000100u
#define VREG_AND_CHIP_RESET_CHIP_RESET_HAD_RUN_BITS 0x00010000u
