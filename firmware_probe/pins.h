// Which pin does what. Uno- and Nano-class boards; SDA and SCL are A4 and A5.
#pragma once

#include <stdint.h>

// Gate of the load switch (n-channel, logic-level MOSFET). High closes it. The
// 10 kOhm from this pin to ground is needed: it keeps the switch open while the
// chip is in reset, and tells the sketch at boot that a switch is fitted at all.
static const uint8_t PIN_LOAD_SWITCH = 3;

// Limit switch to ground, normally open; the chip's own pull-up is used.
// One closure is one flex cycle.
static const uint8_t PIN_LIMIT_SWITCH = 2;

// Servo signal: output A of timer 1 on the ATmega328P.
static const uint8_t PIN_SERVO = 9;

// Joints 1 to 4: 5 V - known resistor - pin - joint - ground. A0 is joint 1.
static const uint8_t PIN_FIRST_JOINT = 14;
static const uint8_t JOINTS_MAX = 4;
