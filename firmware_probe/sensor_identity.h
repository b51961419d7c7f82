// Which sensor is it? By its identification registers, and where it has none by how it behaves.
#pragma once

#include <Arduino.h>

#include "register_bus.h"
#include "settings.h"

enum SensorKind : uint8_t { SENSOR_NONE, SENSOR_INA219, SENSOR_INA226, SENSOR_INA228 };

// How the kind is known.
enum SensorIdentity : uint8_t { IDENTITY_NONE, IDENTITY_NUMBER, IDENTITY_BEHAVIOUR, IDENTITY_TOLD };

// Common to all three, at the same place.
static const uint8_t REGISTER_CONFIG = 0x00;
static const uint16_t CONFIG_RESET = 0x8000;
// Of INA219 and INA226; the last two of the INA226 alone.
static const uint8_t REGISTER_BUS = 0x02;
static const uint8_t INA226_MASK_ENABLE = 0x06;
static const uint16_t INA226_READY = 0x0008;
static const uint16_t NO_ID = 0;

// maker, die: what was read of its identification registers.
struct SensorIds {
  SensorIdentity identity;
  uint16_t maker;
  uint16_t die;
};

class SensorIdentifier {
 public:
  explicit SensorIdentifier(RegisterBus &bus) : bus_(bus) {}

  // Who answers at the bus's present address. told: what the host says it is, SENSOR_NONE: nothing.
  SensorKind identify(SensorKind told, SensorIds *ids) {
    ids_ = ids;
    ids_->identity = IDENTITY_NONE;
    SensorKind named = by_number();
    if (told != SENSOR_NONE) {
      ids_->identity = named == told ? IDENTITY_NUMBER : IDENTITY_TOLD;
      return told;
    }
    if (named != SENSOR_NONE) {
      ids_->identity = IDENTITY_NUMBER;
      return named;
    }
    // Another chip of the maker whose number stands there is another chip.
    if (ids_->maker == TEXAS) return SENSOR_NONE;
    SensorKind like = is_ina219() ? SENSOR_INA219 : is_ina226() ? SENSOR_INA226 : SENSOR_NONE;
    if (like != SENSOR_NONE) ids_->identity = IDENTITY_BEHAVIOUR;
    return like;
  }

 private:
  static const uint16_t TEXAS = 0x5449;
  // INA226 at FEh and FFh, INA228 at 3Eh and 3Fh.
  static const uint8_t REGISTER_MAKER = 0xFE;
  static const uint8_t WIDE_REGISTER_MAKER = 0x3E;
  static const uint8_t REGISTER_CALIBRATION = 0x05;
  static const uint16_t INA219_AFTER_RESET = 0x399F;
  static const uint16_t INA226_AFTER_RESET = 0x4127;
  static const uint16_t INA226_BUS_MOST = 0x7080;  // 36 V, more than it stands
  static const uint32_t INA226_PAIR_US = 4000;     // 2.2 ms after a reset, give or take a clone's clock

  // The lowest four bits of the die's number are its revision.
  SensorKind by_number() {
    if (!read_ids(WIDE_REGISTER_MAKER) || ids_->maker != TEXAS) {
      if (!read_ids(REGISTER_MAKER)) ids_->maker = ids_->die = NO_ID;
      return ids_->maker == TEXAS && ids_->die >> 4 == 0x226 ? SENSOR_INA226 : SENSOR_NONE;
    }
    return WITH_INA228 && ids_->die >> 4 == 0x228 ? SENSOR_INA228 : SENSOR_NONE;
  }

  bool read_ids(uint8_t first) {
    return bus_.read(first, &ids_->maker) && bus_.read((uint8_t)(first + 1), &ids_->die);
  }

  // What is there after a reset and what then stays of a calibration of FFFFh. Read first: whatever else
  // lives at this address should not be written to.
  bool resets_to(uint16_t mask, uint16_t before, uint16_t after, uint16_t calibration) {
    uint16_t value;
    return bus_.read(REGISTER_CONFIG, &value) && (value & mask) == before &&
           bus_.write(REGISTER_CONFIG, CONFIG_RESET) &&
           bus_.read(REGISTER_CONFIG, &value) && value == after &&
           bus_.write(REGISTER_CALIBRATION, 0xFFFF) &&
           bus_.read(REGISTER_CALIBRATION, &value) && value == calibration;
  }

  // The lowest bit of its calibration cannot be set, nor the two highest of its configuration.
  bool is_ina219() { return resets_to(0xC000, 0, INA219_AFTER_RESET, 0xFFFE); }

  // The highest bit of its calibration cannot be set; bits 14 to 12 of its configuration are 100. It tells of a
  // conversion in time, once, and its voltage is one that it stands.
  bool is_ina226() {
    uint16_t mask, bus;
    if (!resets_to(0x7000, 0x4000, INA226_AFTER_RESET, 0x7FFF)) return false;
    uint32_t began_us = micros();
    do {
      if (micros() - began_us > INA226_PAIR_US || !bus_.read(INA226_MASK_ENABLE, &mask)) return false;
    } while (!(mask & INA226_READY));
    return bus_.read(INA226_MASK_ENABLE, &mask) && !(mask & INA226_READY) && bus_.read(REGISTER_BUS, &bus) &&
           bus <= INA226_BUS_MOST;
  }

  RegisterBus &bus_;
  SensorIds *ids_ = nullptr;
};
