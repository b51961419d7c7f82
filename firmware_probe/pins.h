// Which pin does what, in the numbers of the board's core. SDA and SCL are those of its
// Wire: A4 and A5 on Uno- and Nano-class boards, GP4 and GP5 on most with an RP2040.
#pragma once

#include <stdint.h>

// Gate of the load switch (n-channel, logic-level MOSFET). High closes it. The
// 10 kOhm from this pin to ground is needed: it keeps the switch open while the
// chip is in reset, and tells the sketch at boot that a switch is fitted at all.
#ifndef LOAD_SWITCH_PIN
#if defined(ARDUINO_ARCH_ESP32)
#define LOAD_SWITCH_PIN 4  // 3 receives from the computer
#else
#define LOAD_SWITCH_PIN 3
#endif
#endif
static const uint8_t PIN_LOAD_SWITCH = LOAD_SWITCH_PIN;

// Limit switch to ground, normally open; the chip's own pull-up is used.
// One closure is one flex cycle.
static const uint8_t PIN_LIMIT_SWITCH = 2;

// Servo signal: output A of timer 1 on the ATmega328P.
static const uint8_t PIN_SERVO = 9;

// Joints 1 to 4: 5 V - known resistor - pin - joint - ground. A0 is joint 1.
static const uint8_t PIN_FIRST_JOINT = 14;
static const uint8_t JOINTS_MAX = 4;
