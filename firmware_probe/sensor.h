// INA219 or INA226 on the I2C bus: finds it, sets it up, hands out each conversion once.
#pragma once

#include <Arduino.h>

#include "burst.h"
#include "flash_text.h"
#include "register_bus.h"
#include "sensor_units.h"
#include "settings.h"

static const SensorUnits INA219_UNITS FLASH_TABLE = ina219_units(SHUNT_STEPS);
static const SensorUnits INA226_UNITS FLASH_TABLE = ina226_units(SHUNT_STEPS);

enum SensorKind : uint8_t { SENSOR_NONE, SENSOR_INA219, SENSOR_INA226 };

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

  // Looks at 40h to 4Fh. False when there is none.
  bool find() {
    kind_ = SENSOR_NONE;
    bus_.forget_hang();
    for (uint8_t address = 0x40; address <= 0x4F && kind_ == SENSOR_NONE && !bus_.hung(); ++address) {
      if (!bus_.answers(address)) continue;
      if (is_ina226()) {
        kind_ = SENSOR_INA226;
      } else if (is_ina219()) {
        kind_ = SENSOR_INA219;
        gain_ = INA219_GAIN;
      }
    }
    if (bus_.hung()) bus_.free();
    if (kind_ == SENSOR_NONE) return false;
    use_units();
    configure();
    return true;
  }

  // One try to read a conversion. Takes one register read when none is ready,
  // three when one is: at 400 kHz some 0.1 ms and 0.7 ms.
  SensorEvent poll() {
    bus_.forget_hang();
    SensorEvent event = kind_ == SENSOR_INA226 ? poll_ina226() : poll_ina219();
    if (bus_.hung()) {
      bus_.free();
      return SENSOR_BUS_HUNG;
    }
    return event;
  }

  // False when the sensor has lost its settings, as after a dip of its supply.
  bool still_configured() {
    uint16_t value;
    return !bus_.read(REGISTER_CONFIG, &value) || value == config_word();
  }

  // BURST_VALUES short conversions of the shunt alone, in the time of a pair and a quarter: 1.3 ms.
  // False when one could not be read, or was at the end of the range. The pair
  // that was being converted is lost.
  bool burst(int16_t *values) {
    uint16_t pace_us = period_us() / BURST_VALUES;
    bool good = bus_.write(REGISTER_CONFIG, burst_word());
    uint32_t due_us = micros() + pace_us;
    for (uint8_t at = 0; at < BURST_VALUES; ++at, due_us += pace_us) {
      while ((int32_t)(micros() - due_us) < 0) {
      }
      uint16_t value;
      good = good && bus_.read(REGISTER_SHUNT, &value);
      values[at] = good ? (int16_t)value : 0;
      if (values[at] >= range_counts() || values[at] <= -range_counts()) good = false;
    }
    configure();
    return good;
  }

  // A sensor that converts faster than it is read has no shorter conversions.
  bool can_burst() const { return kind_ == SENSOR_INA226 || INA219_BITS == 12; }

  SensorKind kind() const { return kind_; }
  uint8_t address() const { return kind_ == SENSOR_NONE ? 0 : bus_.address(); }
  uint16_t bus() const { return bus_counts_; }
  int16_t shunt() const { return shunt_counts_; }
  // Of the sensor that was found last.
  const SensorUnits &units() const { return units_; }
  bool bus_hung() const { return bus_.hung(); }

  // Least count of the shunt that is beyond the range: the converter's end stop.
  int16_t range_counts() const {
    return kind_ == SENSOR_INA226 ? INT16_MAX : (int16_t)(4000 * gain_);
  }

  // Full scale of the voltage, in mV.
  uint16_t bus_range_mv() const { return kind_ == SENSOR_INA226 ? 40960 : 32000; }

  // Usual time between two conversions, in microseconds. The sensor's own clock
  // may be a tenth off (INA219: 586 us at most for 532, TI SBOS448).
  uint16_t period_us() const {
    if (kind_ == SENSOR_INA226) return 2 * 588;
    return INA219_BITS == 12 ? 2 * 532 : 2 * 84;
  }

 private:
  static const uint8_t REGISTER_CONFIG = 0x00;
  static const uint8_t REGISTER_SHUNT = 0x01;
  static const uint8_t REGISTER_BUS = 0x02;
  static const uint8_t REGISTER_POWER = 0x03;
  static const uint8_t REGISTER_CALIBRATION = 0x05;
  static const uint8_t INA226_MASK_ENABLE = 0x06;
  static const uint8_t INA226_MANUFACTURER = 0xFE;
  static const uint8_t INA226_DIE = 0xFF;

  static const uint16_t INA219_RESET = 0x8000;
  static const uint16_t INA219_AFTER_RESET = 0x399F;
  static const uint16_t INA219_READY = 0x0002;
  static const uint16_t INA219_MATH_OVERFLOW = 0x0001;
  static const uint16_t INA226_READY = 0x0008;

  void use_units() {
    flash_copy(&units_, kind_ == SENSOR_INA226 ? &INA226_UNITS : &INA219_UNITS, sizeof units_);
  }

  // The lowest four bits of the die's number are its revision.
  bool is_ina226() {
    uint16_t manufacturer, die;
    return bus_.read(INA226_MANUFACTURER, &manufacturer) && manufacturer == 0x5449 &&
           bus_.read(INA226_DIE, &die) && die >> 4 == 0x226;
  }

  // It has no identification: the settings after a reset and the calibration
  // register, whose lowest bit cannot be set, give it away.
  bool is_ina219() {
    uint16_t config, calibration;
    // Read first: the two highest bits are never set, and whatever else lives at
    // this address should not be written to.
    return bus_.read(REGISTER_CONFIG, &config) && (config & 0xC000) == 0 &&
           bus_.write(REGISTER_CONFIG, INA219_RESET) &&
           bus_.read(REGISTER_CONFIG, &config) && config == INA219_AFTER_RESET &&
           bus_.write(REGISTER_CALIBRATION, 0xFFFF) &&
           bus_.read(REGISTER_CALIBRATION, &calibration) && calibration == 0xFFFE;
  }

  // Shunt and bus one after the other without end; widest bus range.
  uint16_t config_word() const {
    if (kind_ == SENSOR_INA226) {
      return 0x4000 | 3 << 6 | 3 << 3 | 7;  // no averaging, 588 us each
    }
    uint16_t gain_bits = gain_ == 8 ? 3 : gain_ == 4 ? 2 : gain_ == 2 ? 1 : 0;
    uint16_t converter = INA219_BITS == 12 ? 3 : 0;
    return (uint16_t)(1 << 13 | gain_bits << 11 | converter << 7 | converter << 3 | 7);
  }

  // The shunt alone, without end: INA219 9 bit, 84 us; INA226 140 us.
  uint16_t burst_word() const {
    return (uint16_t)(kind_ == SENSOR_INA226 ? (config_word() & ~(7 << 3 | 7)) | 5
                                             : (config_word() & ~(15 << 3 | 7)) | 5);
  }

  // The calibration makes the sensor's own current register equal to the shunt
  // register, so that its arithmetic cannot overflow before the converter does.
  void configure() {
    bus_.write(REGISTER_CALIBRATION, kind_ == SENSOR_INA226 ? 2048 : 4096);
    bus_.write(REGISTER_CONFIG, config_word());
  }

  SensorEvent judge(bool beyond) {
    if (!beyond && shunt_counts_ < range_counts() && shunt_counts_ > -range_counts()) return SENSOR_PAIR;
    if (kind_ == SENSOR_INA226 || gain_ == 8) return SENSOR_OVERFLOW;
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

  RegisterBus bus_;
  SensorKind kind_ = SENSOR_NONE;
  uint8_t gain_ = INA219_GAIN;
  uint16_t bus_counts_ = 0;
  int16_t shunt_counts_ = 0;
  SensorUnits units_;
};
