// Registers of the RP2040 (data sheet, chapters 2 to 4), as far as core.cpp uses them.
#pragma once

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))
// The same register where writing sets or clears the bits that are 1.
#define SET_BITS(address) REGISTER((address) + 0x2000)
#define CLEAR_BITS(address) REGISTER((address) + 0x3000)

static const uint32_t CLOCKS = 0x40008000;
static const uint32_t CLK_REF_CTRL = CLOCKS + 0x30, CLK_REF_SELECTED = CLOCKS + 0x38;
static const uint32_t CLK_SYS_CTRL = CLOCKS + 0x3C, CLK_SYS_SELECTED = CLOCKS + 0x44;
static const uint32_t CLK_PERI_CTRL = CLOCKS + 0x48;
static const uint32_t RESETS = 0x4000C000, RESETS_DONE = RESETS + 8;
static const uint32_t RESET_I2C0 = 1 << 3, RESET_IO_BANK0 = 1 << 5, RESET_PADS_BANK0 = 1 << 8;
static const uint32_t RESET_PLL_SYS = 1 << 12, RESET_UART0 = 1 << 22;
static const uint32_t IO_BANK0 = 0x40014000;
static const uint32_t PADS_BANK0 = 0x4001C000;
static const uint32_t XOSC = 0x40024000;
static const uint32_t PLL_SYS = 0x40028000;
static const uint32_t UART0 = 0x40034000;
static const uint32_t I2C0 = 0x40044000;
static const uint32_t TIMER_RAW_LOW = 0x40054028;
static const uint32_t WATCHDOG_BLOCK = 0x40058000;
static const uint32_t SIO = 0xD0000000;

// I2C0 (Synopsys DW_apb_i2c)
static const uint32_t IC_CON = I2C0 + 0x00, IC_TAR = I2C0 + 0x04, IC_DATA_CMD = I2C0 + 0x10;
static const uint32_t IC_FS_SCL_HCNT = I2C0 + 0x1C, IC_FS_SCL_LCNT = I2C0 + 0x20;
static const uint32_t IC_RAW_INTR_STAT = I2C0 + 0x34, IC_RX_TL = I2C0 + 0x38, IC_TX_TL = I2C0 + 0x3C;
static const uint32_t IC_CLR_TX_ABRT = I2C0 + 0x54, IC_CLR_STOP_DET = I2C0 + 0x60;
static const uint32_t IC_ENABLE = I2C0 + 0x6C, IC_RXFLR = I2C0 + 0x78, IC_FS_SPKLEN = I2C0 + 0xA0;
static const uint32_t IC_TX_ABRT_SOURCE = I2C0 + 0x80;
static const uint32_t INTR_TX_EMPTY = 1 << 4, INTR_TX_ABRT = 1 << 6, INTR_STOP_DET = 1 << 9;
static const uint32_t CMD_READ = 1 << 8, CMD_STOP = 1 << 9, CMD_RESTART = 1 << 10;

// A flash chip that is not on any real one: bench.mjs (offset, source, count; 1 erases, 2 programs).
static const uint32_t BENCH_FLASH = 0x40068000;
static const uint32_t BENCH_SERIAL = 0x40068010;  // eight bytes
