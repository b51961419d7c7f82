// What a person may want to change before the upload. Everything here can also
// be given to the compiler, such as -DBAUD=500000.
#pragma once

#include <stdint.h>

// Must be the same as the logger's --baud. 500000 and 1000000 divide the
// 16 MHz clock exactly.
#ifndef BAUD
#define BAUD 115200
#endif

// Shunt of the breakout in steps of 0.0001 Ohm: 1000 is the usual "R100".
#ifndef SHUNT_STEPS
#define SHUNT_STEPS 1000
#endif

// INA219 only: 12 bit reads every conversion (about 94 pairs in 100 ms); 9 bit
// converts six times as fast, as much as the I2C bus can carry, with steps
// eight times as coarse.
#ifndef INA219_BITS
#define INA219_BITS 12
#endif

// INA219 only: gain range at the start: 1, 2, 4 or 8 for 40, 80, 160 or 320 mV
// over the shunt. A smaller one has less offset. The sketch widens to 8 by
// itself when a conversion reaches the end of the range, and says so; it never
// narrows by itself, as a pulse would then be lost.
#ifndef INA219_GAIN
#define INA219_GAIN 8
#endif

// INA228: 0 leaves it out. The 28 KiB that an ATmega32U4's boot loader leaves do not hold it, too.
#ifndef WITH_INA228
#if defined(__AVR_ATmega32U4__)
#define WITH_INA228 0
#else
#define WITH_INA228 1
#endif
#endif

// Load switch: 0 not fitted, 1 fitted, 2 look for the 10 kOhm at its pin (pins.h).
#ifndef LOAD_SWITCH
#define LOAD_SWITCH 2
#endif

// Flex rig: the known resistor above each joint, in 0.1 Ohm, and the supply at
// its top. Resistance needs only the resistor, current both. Nothing may be
// connected to AREF: the 1.1 V reference comes out there.
#ifndef JOINT_RESISTOR_TENTHS
#define JOINT_RESISTOR_TENTHS 2200
#endif
#ifndef JOINT_SUPPLY_MV
#define JOINT_SUPPLY_MV 5000
#endif
// From this resistance on a joint counts as open (common practice, no source).
#ifndef JOINT_OPEN_OHM
#define JOINT_OPEN_OHM 10
#endif

// 0 switches the watchdog off: for boards whose boot loader does not stop it
// and would restart for ever after the first time it fires.
#ifndef WATCHDOG
#define WATCHDOG 1
#endif

static_assert(SHUNT_STEPS >= 1 && SHUNT_STEPS <= 65535, "SHUNT_STEPS: 0.0001 to 6.5535 Ohm");
static_assert(INA219_BITS == 9 || INA219_BITS == 12, "INA219_BITS: 9 or 12");
static_assert(INA219_GAIN == 1 || INA219_GAIN == 2 || INA219_GAIN == 4 || INA219_GAIN == 8,
              "INA219_GAIN: 1, 2, 4 or 8");
static_assert(LOAD_SWITCH >= 0 && LOAD_SWITCH <= 2, "LOAD_SWITCH: 0, 1 or 2");
static_assert(JOINT_RESISTOR_TENTHS >= 100 && JOINT_RESISTOR_TENTHS <= 65000,
              "JOINT_RESISTOR_TENTHS: 10 to 6500 Ohm");
static_assert(JOINT_SUPPLY_MV >= 1000 && JOINT_SUPPLY_MV <= 5500, "JOINT_SUPPLY_MV: 1 to 5.5 V");
static_assert(JOINT_OPEN_OHM >= 1 && JOINT_OPEN_OHM <= 1000, "JOINT_OPEN_OHM: 1 to 1000");
