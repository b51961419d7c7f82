// The flex rig's hardware: servo pulse from timer 1, joints read in the interrupt
// of timer 2. Where the chip has no such timer or pin, the rig is "not fitted".
#pragma once

#include <Arduino.h>

#include "flex_cycle.h"
#include "pins.h"
#include "settings.h"

#if defined(__AVR_ATmega328P__) || defined(__AVR_ATmega328__)
#define RIG_FITTED 1

// 50 pulses a second, set in half microseconds: timer 1 mode 14, clock / 8.
static const uint16_t SERVO_PERIOD_HALF_US = 40000;
// Timer count after the end of the longest pulse.
static const uint16_t SERVO_REST = 5000 * (F_CPU / 8000000UL) / 2;

static void servo_start(uint16_t pulse_half_us) {
  TCCR1B = 0;
  TCNT1 = 0;
  ICR1 = SERVO_PERIOD_HALF_US * (F_CPU / 8000000UL) / 2 - 1;
  OCR1A = pulse_half_us * (F_CPU / 8000000UL) / 2 - 1;
  digitalWrite(PIN_SERVO, LOW);
  pinMode(PIN_SERVO, OUTPUT);
  TCCR1A = _BV(COM1A1) | _BV(WGM11);
  TCCR1B = _BV(WGM13) | _BV(WGM12) | _BV(CS11);
}

// True once between any two pulses: the moment to move.
static bool servo_between_pulses() {
  static bool seen = false;
  if (TCNT1 < SERVO_REST) {
    seen = false;
    return false;
  }
  if (seen) return false;
  seen = true;
  return true;
}

static void servo_move(uint16_t pulse_half_us) {
  OCR1A = pulse_half_us * (F_CPU / 8000000UL) / 2 - 1;
}

// No pulses: the servo rests.
static void servo_stop() {
  TCCR1A = 0;
  TCCR1B = 0;
}

static JointWatch joint_watch[JOINTS_MAX];
static uint8_t joints_watched = 0;
static uint16_t joint_open_from = 0;
static uint16_t joint_ratio_16 = 0;  // 1.1 V reference / supply, times 16384
static uint8_t joint_converting = 0;

static const uint8_t ADC_AGAINST_SUPPLY = _BV(REFS0);
static const uint8_t ADC_AGAINST_OWN = _BV(REFS1) | _BV(REFS0);
static const uint8_t ADC_OWN_REFERENCE = 14;  // the 1.1 V as a channel

// Once at boot: the reference pin's capacitor takes some 10 ms to change over.
static void joints_begin() {
  ADMUX = ADC_AGAINST_SUPPLY | ADC_OWN_REFERENCE;
  uint16_t sum = 0;
  for (uint8_t sample = 0; sample < 32; ++sample) {
    ADCSRA |= _BV(ADSC);
    while (ADCSRA & _BV(ADSC)) {
    }
    if (sample >= 16) sum += ADC;  // the first are still settling
  }
  joint_ratio_16 = sum ? sum : 3604;  // 1.1 V of 5 V
  joint_open_from = joint_open_sample(JOINT_OPEN_OHM, JOINT_RESISTOR_TENTHS, joint_ratio_16);
  ADMUX = ADC_AGAINST_OWN;
}

static void joint_convert(uint8_t joint) {
  ADMUX = ADC_AGAINST_OWN | joint;
  ADCSRA |= _BV(ADSC);
}

// One sample every 200 us, of each joint in turn: four get 1250 a second each.
// The conversion that the last call began took 104 us. More would slow down the
// reading of the sensor.
static const uint16_t JOINT_SAMPLE_US = 200;

ISR(TIMER2_COMPA_vect) {
  uint16_t sample = ADC;
  uint8_t joint = joint_converting;
  joint_converting = (uint8_t)(joint + 1 < joints_watched ? joint + 1 : 0);
  joint_convert(joint_converting);
  JointWatch &watch = joint_watch[joint];
  bool open = sample >= joint_open_from;
  watch.add(sample, open, open || watch.is_open() ? micros() : 0);
}

static void joints_start(uint8_t joints) {
  for (uint8_t joint = 0; joint < joints; ++joint) {
    pinMode((uint8_t)(PIN_FIRST_JOINT + joint), INPUT);
    joint_watch[joint].start();
  }
  joints_watched = joints;
  joint_converting = 0;
  joint_convert(0);
  TCCR2A = _BV(WGM21);            // up to OCR2A, over and over
  TCCR2B = _BV(CS21) | _BV(CS20);  // clock / 32
  OCR2A = JOINT_SAMPLE_US * (F_CPU / 1000000UL) / 32 - 1;
  TCNT2 = 0;
  TIFR2 = _BV(OCF2A);
  TIMSK2 = _BV(OCIE2A);
}

static void joints_stop() { TIMSK2 = 0; }

static void joint_end_cycle(uint8_t joint, JointCycle *cycle, uint32_t *whole_us) {
  noInterrupts();
  joint_watch[joint].end_cycle(micros(), cycle, whole_us);
  interrupts();
}

#else
#define RIG_FITTED 0

static void servo_start(uint16_t) {}
static bool servo_between_pulses() { return false; }
static void servo_move(uint16_t) {}
static void servo_stop() {}
static const uint16_t joint_ratio_16 = 0;
static void joints_begin() {}
static void joints_start(uint8_t) {}
static void joints_stop() {}
static void joint_end_cycle(uint8_t, JointCycle *, uint32_t *) {}
#endif
