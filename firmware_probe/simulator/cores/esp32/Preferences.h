// Declarations of the ESP32 core's Preferences, for compile checks only.
#pragma once

#include <Arduino.h>

class Preferences {
 public:
  bool begin(const char *name, bool read_only = false);
  size_t putBytes(const char *key, const void *value, size_t count);
  size_t getBytes(const char *key, void *value, size_t count);
};
