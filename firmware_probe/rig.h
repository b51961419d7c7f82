// The flex rig's hardware: servo pulse from timer 1, joints on the converter's
// interrupt. Where the chip has no such timer or pin, the rig is "not fitted".
#pragma once

#include <Arduino.h>

#include "flex_cycle.h"
#include "pins.h"
#include "settings.h"

#if defined(__AVR_ATmega328P__) || defined(__AVR_ATmega328__) || \
    defined(__AVR_ATmega168__) || defined(__AVR_ATmega168P__)
#define RIG_FITTED 1

// 50 pulses a second, set in half microseconds: timer 1 mode 14, clock / 8.
static const uint16_t SERVO_PERIOD_HALF_US = 40000;

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

// Takes effect with the next pulse.
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
static constexpr uint16_t joint_open_from =
    joint_open_sample(JOINT_OPEN_OHM, JOINT_RESISTOR_TENTHS);
static uint8_t joint_converting = 0;

static void joint_convert(uint8_t joint) {
  ADMUX = _BV(REFS0) | joint;  // supply is the reference: the ratio is what counts
  ADCSRA |= _BV(ADSC);
}

// 104 us a sample: four joints get 2400 samples a second each.
ISR(ADC_vect) {
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
  ADCSRA |= _BV(ADIE);
  joint_convert(0);
}

static void joints_stop() { ADCSRA &= (uint8_t)~_BV(ADIE); }

static void joint_end_cycle(uint8_t joint, JointCycle *cycle, uint32_t *whole_us) {
  noInterrupts();
  joint_watch[joint].end_cycle(micros(), cycle, whole_us);
  interrupts();
}

#else
#define RIG_FITTED 0

static void servo_start(uint16_t) {}
static void servo_move(uint16_t) {}
static void servo_stop() {}
static void joints_start(uint8_t) {}
static void joints_stop() {}
static void joint_end_cycle(uint8_t, JointCycle *, uint32_t *) {}
#endif
