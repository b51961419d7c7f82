// Declarations of the SAMD21's Arduino core and registers (SAM D21 data sheet, from memory), for compile checks only.
#pragma once

#include "../common.h"

static const uint8_t SDA = 20;
static const uint8_t SCL = 21;

void pinMode(uint32_t pin, uint32_t mode);
void digitalWrite(uint32_t pin, uint32_t level);
int digitalRead(uint32_t pin);
extern Stream Serial;

struct Pm {
  uint8_t before[0x38];
  struct { volatile uint8_t reg; } RCAUSE;
};
#define PM ((Pm *)0x40000400u)
#define PM_RCAUSE_POR (1u << 0)
#define PM_RCAUSE_BOD12 (1u << 1)
#define PM_RCAUSE_BOD33 (1u << 2)
#define PM_RCAUSE_EXT (1u << 4)
#define PM_RCAUSE_WDT (1u << 5)
#define PM_RCAUSE_SYST (1u << 6)

struct Gclk {
  uint8_t ctrl;
  union { struct { volatile uint8_t : 7, SYNCBUSY : 1; } bit; volatile uint8_t reg; } STATUS;
  struct { volatile uint16_t reg; } CLKCTRL;
  struct { volatile uint32_t reg; } GENCTRL;
  struct { volatile uint32_t reg; } GENDIV;
};
#define GCLK ((Gclk *)0x40000C00u)
#define GCLK_GENDIV_ID(value) ((uint32_t)(value))
#define GCLK_GENDIV_DIV(value) ((uint32_t)(value) << 8)
#define GCLK_GENCTRL_ID(value) ((uint32_t)(value))
#define GCLK_GENCTRL_SRC_OSCULP32K (3u << 8)
#define GCLK_GENCTRL_GENEN (1u << 16)
#define GCLK_GENCTRL_DIVSEL (1u << 20)
#define GCLK_CLKCTRL_ID_WDT 3u
#define GCLK_CLKCTRL_GEN_GCLK2 (2u << 8)
#define GCLK_CLKCTRL_CLKEN (1u << 14)

struct Wdt {
  struct { volatile uint8_t reg; } CTRL;
  struct { volatile uint8_t reg; } CONFIG;
  uint8_t between[5];
  union { struct { volatile uint8_t : 7, SYNCBUSY : 1; } bit; volatile uint8_t reg; } STATUS;
  struct { volatile uint8_t reg; } CLEAR;
};
#define WDT ((Wdt *)0x40001000u)
#define WDT_CTRL_ENABLE (1u << 1)
#define WDT_CONFIG_PER_2K 8u
#define WDT_CLEAR_CLEAR_KEY 0xA5u

struct Nvmctrl {
  struct { volatile uint16_t reg; } CTRLA;
  uint16_t between_0;
  union { struct { volatile uint32_t : 7, MANW : 1; } bit; volatile uint32_t reg; } CTRLB;
  union { struct { volatile uint32_t NVMP : 16, PSZ : 3; } bit; volatile uint32_t reg; } PARAM;
  uint32_t between_1[2];
  union { struct { volatile uint8_t READY : 1; } bit; volatile uint8_t reg; } INTFLAG;
  uint8_t between_2[7];
  struct { volatile uint32_t reg; } ADDR;
};
#define NVMCTRL ((Nvmctrl *)0x41004000u)
#define NVMCTRL_CTRLA_CMD_ER 0x02u
#define NVMCTRL_CTRLA_CMD_WP 0x04u
#define NVMCTRL_CTRLA_CMD_PBC 0x44u
#define NVMCTRL_CTRLA_CMDEX_KEY 0xA500u
