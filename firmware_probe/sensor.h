// INA219, INA226 or INA228 on the I2C bus: finds it, sets it up, hands out each conversion once.
#pragma once

#include <Arduino.h>

#include "burst.h"
#include "flash_text.h"
#include "register_bus.h"
#include "sensor_identity.h"
#include "sensor_kinds.h"

static const uint8_t ADDRESS_LEAST = 0x40;
static const uint8_t ADDRESS_MOST = 0x4F;

// What an INA228 has counted by itself, as its registers have it.
struct OwnCounts {
  int64_t charge;
  int64_t energy;
  int32_t die;
};
static const uint8_t OWN_PARTS = 3;

enum SensorEvent : uint8_t {
  SENSOR_WAITING,   // no new conversion yet
  SENSOR_PAIR,      // bus(), shunt() hold a new pair
  SENSOR_OVERFLOW,  // as SENSOR_PAIR, but the current was beyond the range
  SENSOR_WIDENED,   // as SENSOR_OVERFLOW, and the range is now wider
  SENSOR_SILENT,    // does not answer
  SENSOR_BUS_HUNG,  // the I2C bus was stuck and has been reset
};

class Sensor {
 public:
  void begin() {
    use_settings();
    bus_.begin();
  }

  // Looks at 40h to 4Fh, or at `address` alone (0: all). told: what the host says it is, SENSOR_NONE: nothing.
  // False when there is none; address() is then where something else answered last.
  bool find(SensorKind told, uint8_t told_address) {
    kind_ = SENSOR_NONE;
    address_ = 0;
    bus_.forget_hang();
    uint8_t address = told_address ? told_address : ADDRESS_LEAST;
    uint8_t last = told_address ? told_address : ADDRESS_MOST;
    for (; address <= last && kind_ == SENSOR_NONE && !bus_.hung(); ++address) {
      if (!bus_.answers(address)) continue;
      kind_ = SensorIdentifier(bus_).identify(told, &ids_);
      address_ = address;
    }
    if (!address_) ids_ = SensorIds{IDENTITY_NONE, NO_ID, NO_ID};
    if (bus_.hung()) bus_.free();
    if (kind_ == SENSOR_NONE) return false;
    use_settings();
    if (wide()) begin_ina228();
    configure();
    return true;
  }

  // One try to read a conversion. Takes one register read when none is ready,
  // three when one is: at 400 kHz some 0.1 ms and 0.7 ms.
  SensorEvent poll() {
    bus_.forget_hang();
    SensorEvent event = kind_ == SENSOR_INA219 ? poll_ina219() : poll_flagged();
    if (bus_.hung()) {
      bus_.free();
      return SENSOR_BUS_HUNG;
    }
    return event;
  }

  // False when the sensor has lost its settings, as after a dip of its supply.
  bool still_configured() {
    uint16_t value;
    return !bus_.read(set_.config_register, &value) || value == with_gain(set_.config);
  }

  // BURST_VALUES short conversions of the shunt alone, in the time of a pair and a quarter: 1.3 ms.
  // False when one could not be read, or was at the end of the range. The pair
  // that was being converted is lost.
  bool burst(int16_t *values) {
    uint16_t pace_us = set_.period_us / BURST_VALUES;
    bool good = bus_.write(set_.config_register, with_gain(set_.burst));
    uint32_t due_us = micros() + pace_us;
    for (uint8_t at = 0; at < BURST_VALUES; ++at, due_us += pace_us) {
      while ((int32_t)(micros() - due_us) < 0) {
      }
      int32_t value = 0;
      good = good && read_shunt(&value);
      if (value >= range_counts() || value <= -range_counts()) good = false;
      // Of the INA228 the upper 16 bits, rounded.
      if (wide()) value = (value + 8) >> 4;
      values[at] = (int16_t)value;
    }
    configure();
    return good;
  }

  // A sensor that converts faster than it is read has no shorter conversions.
  bool can_burst() const { return kind_ != SENSOR_INA219 || INA219_BITS == 12; }

  // More than 16 bits.
  bool wide() const { return WITH_INA228 && kind_ == SENSOR_INA228; }

  bool counts_itself() const { return wide(); }

  // One of OWN_PARTS registers, 0.2 ms each. False when it could not be read.
  bool read_own(uint8_t part, OwnCounts *counts) {
    if (part == 0) return bus_.read_40(INA228_CHARGE, &counts->charge);
    if (part == 1) return bus_.read_40(INA228_ENERGY, &counts->energy);
    uint16_t die;
    if (!bus_.read(INA228_DIE, &die)) return false;
    counts->die = (int16_t)die;
    return true;
  }

  SensorKind kind() const { return kind_; }
  uint8_t address() const { return address_; }
  const SensorIds &ids() const { return ids_; }
  int32_t bus() const { return bus_counts_; }
  int32_t shunt() const { return shunt_counts_; }
  // Of the sensor that was found last.
  const SensorUnits &units() const { return set_.units; }
  bool bus_hung() const { return bus_.hung(); }

  // Least count of the shunt that is beyond the range: the converter's end stop.
  int32_t range_counts() const { return range_counts_; }

  // Full scale of the voltage, in mV.
  uint32_t bus_range_mv() const { return 10UL * set_.bus_range_10mv; }

  // Usual time between two conversions, in microseconds.
  uint16_t period_us() const { return set_.period_us; }

 private:
  static const uint8_t REGISTER_SHUNT = 0x01;
  static const uint8_t REGISTER_POWER = 0x03;
  static const uint8_t INA228_SHUNT = 0x04;
  static const uint8_t INA228_BUS = 0x05;
  static const uint8_t INA228_DIE = 0x06;
  static const uint8_t INA228_ENERGY = 0x09;
  static const uint8_t INA228_CHARGE = 0x0A;
  static const uint8_t INA228_DIAGNOSIS = 0x0B;

  static const uint8_t GAIN_BITS_WIDEST = 3;
  static const uint8_t GAIN_BITS_AT_START = INA219_GAIN == 8 ? 3 : INA219_GAIN == 4 ? 2 : INA219_GAIN == 2 ? 1 : 0;

  static const uint16_t INA219_READY = 0x0002;
  static const uint16_t INA219_MATH_OVERFLOW = 0x0001;
  static const uint16_t INA228_CLEAR = 0x4000;  // its accumulators
  static const uint16_t INA228_READY = 0x0002;
  static const uint16_t INA228_LATCHED = 0x8001;  // reading the register clears the ready flag

  void use_settings() {
    const SensorSettings *settings = wide()                   ? &INA228_SETTINGS
                                     : kind_ == SENSOR_INA226 ? &INA226_SETTINGS
                                                              : &INA219_SETTINGS;
    flash_copy(&set_, settings, sizeof set_);
    set_gain(kind_ == SENSOR_INA219 ? GAIN_BITS_AT_START : 0);
  }

  void set_gain(uint8_t bits) {
    gain_bits_ = bits;
    range_counts_ = set_.range_counts << bits;
  }

  uint16_t with_gain(uint16_t word) const { return (uint16_t)(word | (uint16_t)gain_bits_ << 11); }

  bool read_shunt(int32_t *counts) {
    if (wide()) return bus_.read_20(INA228_SHUNT, counts);
    uint16_t word;
    if (!bus_.read(REGISTER_SHUNT, &word)) return false;
    *counts = (int16_t)word;
    return true;
  }

  // All as after power on, accumulators from nought.
  void begin_ina228() {
    bus_.write(REGISTER_CONFIG, CONFIG_RESET);
    bus_.write(REGISTER_CONFIG, INA228_CLEAR);
    bus_.write(INA228_DIAGNOSIS, INA228_LATCHED);
  }

  void configure() {
    bus_.write(set_.calibration_register, set_.calibration);
    bus_.write(set_.config_register, with_gain(set_.config));
  }

  SensorEvent judge(bool beyond) {
    if (!wide()) {
      int16_t end = (int16_t)range_counts_, shunt = (int16_t)shunt_counts_;
      if (!beyond && shunt < end && shunt > -end) return SENSOR_PAIR;
    } else if (shunt_counts_ < range_counts_ && shunt_counts_ > -range_counts_) {
      return SENSOR_PAIR;
    }
    if (kind_ != SENSOR_INA219 || gain_bits_ == GAIN_BITS_WIDEST) return SENSOR_OVERFLOW;
    set_gain(GAIN_BITS_WIDEST);
    configure();
    return SENSOR_WIDENED;
  }

  // The bus register holds the ready flag, reading the power register clears it.
  // The shunt is read first: it is the first to be overwritten.
  SensorEvent poll_ina219() {
    uint16_t bus, power;
    if (!bus_.read(REGISTER_BUS, &bus)) return SENSOR_SILENT;
    if (!(bus & INA219_READY)) return SENSOR_WAITING;
    if (!read_shunt(&shunt_counts_)) return SENSOR_SILENT;
    if (!bus_.read(REGISTER_POWER, &power)) return SENSOR_SILENT;
    bus_counts_ = bus >> 3;
    return judge(bus & INA219_MATH_OVERFLOW);
  }

  // Reading the INA226's mask register, or the INA228's latched diagnosis, hands out the ready flag and clears it.
  SensorEvent poll_flagged() {
    bool wide = this->wide();
    uint16_t flags, bus;
    if (!bus_.read(wide ? INA228_DIAGNOSIS : INA226_MASK_ENABLE, &flags)) return SENSOR_SILENT;
    if (!(flags & (wide ? INA228_READY : INA226_READY))) return SENSOR_WAITING;
    if (!read_shunt(&shunt_counts_)) return SENSOR_SILENT;
    if (wide) {
      if (!bus_.read_20(INA228_BUS, &bus_counts_)) return SENSOR_SILENT;
      if (bus_counts_ < 0) bus_counts_ = 0;
    } else {
      if (!bus_.read(REGISTER_BUS, &bus)) return SENSOR_SILENT;
      bus_counts_ = bus;
    }
    return judge(false);
  }

  RegisterBus bus_;
  SensorIds ids_{IDENTITY_NONE, NO_ID, NO_ID};
  SensorKind kind_ = SENSOR_NONE;
  uint8_t address_ = 0;
  uint8_t gain_bits_ = 0;
  int32_t range_counts_ = 0;
  int32_t bus_counts_ = 0;
  int32_t shunt_counts_ = 0;
  SensorSettings set_{};
};
