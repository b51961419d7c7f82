// What differs from chip to chip, chosen by the core's macros. Each chip's port_*.h has
// (those of 32 bits some of it from port_32_bit.h):
//
//   find_restart_cause(), watchdog_start(), watchdog_feed()
//   PortMemory        bytes that outlive a reset: begin(), read(), write(), commit()
//   RECORDS_ADDRESS, RECORDS_BYTES, MEMORY_BYTE_US   room for the records, and how long a byte takes
//   board_name(memory)
//   PortOutput, port_output, output_room(), output_service()   bytes to the host
//   serial_overran()  received bytes were lost
//   bus_limit_wait(), bus_wait_ended(), bus_request()   what the cores' Wire does not have in common
//
// Pins: pins.h. Constant text and tables: flash_text.h. The flex rig: rig.h.
#pragma once

#if defined(__AVR__)
#include "port_avr.h"
#elif defined(ARDUINO_ARCH_RP2040)
#include "port_rp2040.h"
#elif defined(ARDUINO_ARCH_SAMD) && !defined(__SAMD51__)
#include "port_samd21.h"
#elif defined(ARDUINO_ARCH_ESP32)
#include "port_esp32.h"
#else
#error "There is no port for this chip: write a port_*.h, port.h says what is in it."
#endif
