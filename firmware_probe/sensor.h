// INA219, INA226 or INA228 on the I2C bus: finds it, sets it up, hands out each conversion once.
#pragma once

#include <Arduino.h>

#include "burst.h"
#include "flash_text.h"
#include "register_bus.h"
#include "sensor_identity.h"
#include "sensor_units.h"
#include "settings.h"

static const SensorUnits INA219_UNITS FLASH_TABLE = ina219_units(SHUNT_STEPS);
static const SensorUnits INA226_UNITS FLASH_TABLE = ina226_units(SHUNT_STEPS);
static const SensorUnits INA228_UNITS FLASH_TABLE = ina228_units(SHUNT_STEPS);

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
    use_units();
    bus_.begin();
  }

  // Looks at 40h to 4Fh, or at `address` alone (0: all). told: what the host says it is, SENSOR_NONE: nothing.
  // False when there is none; address() is then where something else answered.
  bool find(SensorKind told, uint8_t told_address) {
    kind_ = SENSOR_NONE;
    address_ = 0;
    bus_.forget_hang();
    uint8_t address = told_address ? told_address : ADDRESS_LEAST;
    uint8_t last = told_address ? told_address : ADDRESS_MOST;
    for (; address <= last && kind_ == SENSOR_NONE && !bus_.hung(); ++address) {
      if (!bus_.answers(address)) continue;
      SensorIds ids;
      kind_ = SensorIdentifier(bus_).identify(told, &ids);
      if (kind_ == SENSOR_NONE && address_) continue;
      address_ = address;
      ids_ = ids;
    }
    if (!address_) ids_ = SensorIds{IDENTITY_NONE, NO_ID, NO_ID};
    if (bus_.hung()) bus_.free();
    if (kind_ == SENSOR_NONE) return false;
    gain_ = INA219_GAIN;
    use_units();
    if (kind_ == SENSOR_INA228) begin_ina228();
    configure();
    return true;
  }

  // One try to read a conversion. Takes one register read when none is ready,
  // three when one is: at 400 kHz some 0.1 ms and 0.7 ms.
  SensorEvent poll() {
    bus_.forget_hang();
    SensorEvent event = kind_ == SENSOR_INA219   ? poll_ina219()
                        : kind_ == SENSOR_INA226 ? poll_ina226()
                                                 : poll_ina228();
    if (bus_.hung()) {
      bus_.free();
      return SENSOR_BUS_HUNG;
    }
    return event;
  }

  // False when the sensor has lost its settings, as after a dip of its supply.
  bool still_configured() {
    uint16_t value;
    return !bus_.read(config_register(), &value) || value == config_word();
  }

  // BURST_VALUES short conversions of the shunt alone, in the time of a pair and a quarter: 1.3 ms.
  // False when one could not be read, or was at the end of the range. The pair
  // that was being converted is lost.
  bool burst(int16_t *values) {
    uint16_t pace_us = period_us() / BURST_VALUES;
    bool good = bus_.write(config_register(), burst_word());
    uint32_t due_us = micros() + pace_us;
    for (uint8_t at = 0; at < BURST_VALUES; ++at, due_us += pace_us) {
      while ((int32_t)(micros() - due_us) < 0) {
      }
      int32_t value = 0;
      good = good && read_short(&value);
      int32_t most = kind_ == SENSOR_INA219 ? range_counts() : INT16_MAX;
      if (value >= most || value <= -most) good = false;
      values[at] = good ? (int16_t)value : 0;
    }
    configure();
    return good;
  }

  // A sensor that converts faster than it is read has no shorter conversions.
  bool can_burst() const { return kind_ != SENSOR_INA219 || INA219_BITS == 12; }

  bool counts_itself() const { return kind_ == SENSOR_INA228; }

  // One of OWN_PARTS registers, 0.2 ms each. False when it could not be read.
  bool read_own(uint8_t part, OwnCounts *counts) {
    if (part == 0) return bus_.read_40(INA228_CHARGE, &counts->charge);
    if (part == 1) {
      if (!bus_.read_40(INA228_ENERGY, &counts->energy)) return false;
      counts->energy &= 0xFFFFFFFFFFLL;  // has no sign
      return true;
    }
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
  const SensorUnits &units() const { return units_; }
  bool bus_hung() const { return bus_.hung(); }

  // Least count of the shunt that is beyond the range: the converter's end stop.
  int32_t range_counts() const {
    return kind_ == SENSOR_INA219 ? 4000L * gain_ : kind_ == SENSOR_INA226 ? INT16_MAX : 0x7FFFFL;
  }

  // Full scale of the voltage, in mV.
  uint32_t bus_range_mv() const {
    return kind_ == SENSOR_INA228 ? 85000UL : kind_ == SENSOR_INA226 ? 40960UL : 32000UL;
  }

  // Usual time between two conversions, in microseconds. The sensor's own clock
  // may be a tenth off (INA219: 586 us at most for 532, TI SBOS448).
  uint16_t period_us() const {
    if (kind_ == SENSOR_INA228) return 2 * 540 + 50;  // and its temperature
    if (kind_ == SENSOR_INA226) return 2 * 588;
    return INA219_BITS == 12 ? 2 * 532 : 2 * 84;
  }

 private:
  static const uint8_t REGISTER_SHUNT = 0x01;
  static const uint8_t REGISTER_BUS = 0x02;
  static const uint8_t REGISTER_POWER = 0x03;
  static const uint8_t REGISTER_CALIBRATION = 0x05;
  static const uint8_t INA226_MASK_ENABLE = 0x06;
  static const uint8_t INA228_ADC = 0x01;
  static const uint8_t INA228_CALIBRATION = 0x02;
  static const uint8_t INA228_SHUNT = 0x04;
  static const uint8_t INA228_BUS = 0x05;
  static const uint8_t INA228_DIE = 0x06;
  static const uint8_t INA228_ENERGY = 0x09;
  static const uint8_t INA228_CHARGE = 0x0A;
  static const uint8_t INA228_DIAGNOSIS = 0x0B;

  static const uint16_t INA219_READY = 0x0002;
  static const uint16_t INA219_MATH_OVERFLOW = 0x0001;
  static const uint16_t INA226_READY = 0x0008;
  static const uint16_t INA228_CLEAR = 0x4000;  // its accumulators
  static const uint16_t INA228_READY = 0x0002;
  static const uint16_t INA228_LATCHED = 0x8001;  // reading the register clears the ready flag

  void use_units() {
    const SensorUnits *units = kind_ == SENSOR_INA228   ? &INA228_UNITS
                               : kind_ == SENSOR_INA226 ? &INA226_UNITS
                                                        : &INA219_UNITS;
    flash_copy(&units_, units, sizeof units_);
  }

  // Shunt and bus one after the other without end; widest bus range.
  uint16_t config_word() const {
    if (kind_ == SENSOR_INA228) {
      return 0xF000 | 4 << 9 | 4 << 6;  // and its temperature; no averaging, 540, 540 and 50 us
    }
    if (kind_ == SENSOR_INA226) {
      return 0x4000 | 3 << 6 | 3 << 3 | 7;  // no averaging, 588 us each
    }
    uint16_t gain_bits = gain_ == 8 ? 3 : gain_ == 4 ? 2 : gain_ == 2 ? 1 : 0;
    uint16_t converter = INA219_BITS == 12 ? 3 : 0;
    return (uint16_t)(1 << 13 | gain_bits << 11 | converter << 7 | converter << 3 | 7);
  }

  // The shunt alone, without end: INA219 9 bit, 84 us; INA226 140 us; INA228 84 us.
  uint16_t burst_word() const {
    if (kind_ == SENSOR_INA228) return 0xA000 | 1 << 6;
    return (uint16_t)(kind_ == SENSOR_INA226 ? (config_word() & ~(7 << 3 | 7)) | 5
                                             : (config_word() & ~(15 << 3 | 7)) | 5);
  }

  // A short conversion: the shunt register, of the INA228 its upper 16 bits, rounded.
  bool read_short(int32_t *value) {
    if (kind_ == SENSOR_INA228) {
      bool good = bus_.read_20(INA228_SHUNT, value);
      *value = (*value + 8) >> 4;
      return good;
    }
    uint16_t word = 0;
    bool good = bus_.read(REGISTER_SHUNT, &word);
    *value = (int16_t)word;
    return good;
  }

  uint8_t config_register() const { return kind_ == SENSOR_INA228 ? INA228_ADC : REGISTER_CONFIG; }

  // All as after power on, accumulators from nought.
  void begin_ina228() {
    bus_.write(REGISTER_CONFIG, CONFIG_RESET);
    bus_.write(REGISTER_CONFIG, INA228_CLEAR);
    bus_.write(INA228_DIAGNOSIS, INA228_LATCHED);
  }

  // The calibration makes the sensor's own current register equal to the shunt
  // register, so that its arithmetic cannot overflow before the converter does.
  __attribute__((noinline)) void configure() {
    bus_.write(kind_ == SENSOR_INA228 ? INA228_CALIBRATION : REGISTER_CALIBRATION,
               kind_ == SENSOR_INA226 ? 2048 : 4096);
    bus_.write(config_register(), config_word());
  }

  SensorEvent judge(bool beyond) {
    if (!beyond && shunt_counts_ < range_counts() && shunt_counts_ > -range_counts()) return SENSOR_PAIR;
    if (kind_ != SENSOR_INA219 || gain_ == 8) return SENSOR_OVERFLOW;
    gain_ = 8;
    configure();
    return SENSOR_WIDENED;
  }

  // The bus register holds the ready flag, reading the power register clears it.
  // The shunt is read first: it is the first to be overwritten.
  SensorEvent poll_ina219() {
    uint16_t bus, shunt, power;
    if (!bus_.read(REGISTER_BUS, &bus)) return SENSOR_SILENT;
    if (!(bus & INA219_READY)) return SENSOR_WAITING;
    if (!bus_.read(REGISTER_SHUNT, &shunt)) return SENSOR_SILENT;
    if (!bus_.read(REGISTER_POWER, &power)) return SENSOR_SILENT;
    bus_counts_ = bus >> 3;
    shunt_counts_ = (int16_t)shunt;
    return judge(bus & INA219_MATH_OVERFLOW);
  }

  // Reading the mask register hands out the ready flag and clears it.
  SensorEvent poll_ina226() {
    uint16_t mask, bus, shunt;
    if (!bus_.read(INA226_MASK_ENABLE, &mask)) return SENSOR_SILENT;
    if (!(mask & INA226_READY)) return SENSOR_WAITING;
    if (!bus_.read(REGISTER_SHUNT, &shunt)) return SENSOR_SILENT;
    if (!bus_.read(REGISTER_BUS, &bus)) return SENSOR_SILENT;
    bus_counts_ = bus;
    shunt_counts_ = (int16_t)shunt;
    return judge(false);
  }

  // Reading the latched diagnosis hands out the ready flag and clears it.
  SensorEvent poll_ina228() {
    uint16_t diagnosis;
    int32_t bus, shunt;
    if (!bus_.read(INA228_DIAGNOSIS, &diagnosis)) return SENSOR_SILENT;
    if (!(diagnosis & INA228_READY)) return SENSOR_WAITING;
    if (!bus_.read_20(INA228_SHUNT, &shunt)) return SENSOR_SILENT;
    if (!bus_.read_20(INA228_BUS, &bus)) return SENSOR_SILENT;
    bus_counts_ = bus < 0 ? 0 : bus;
    shunt_counts_ = shunt;
    return judge(false);
  }

  RegisterBus bus_;
  SensorIds ids_{IDENTITY_NONE, NO_ID, NO_ID};
  SensorKind kind_ = SENSOR_NONE;
  uint8_t address_ = 0;
  uint8_t gain_ = INA219_GAIN;
  int32_t bus_counts_ = 0;
  int32_t shunt_counts_ = 0;
  SensorUnits units_;
};
