// Why the board started; the chip's port finds out.
#pragma once

#include <stdint.h>

enum RestartCause : uint8_t {
  RESTART_POWER,
  RESTART_RESET,
  RESTART_BROWNOUT,
  RESTART_WATCHDOG,
  RESTART_UNKNOWN,
};
