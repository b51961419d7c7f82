# Compiles the sketch for the ATmega328P with a distribution's avr-gcc and
# Arduino core, and checks its size. Included by the simulator's makefile, or
# used alone:
#
#   make -f firmware_probe/simulator/firmware.mk BUILD=/tmp/probe firmware
#   make -f ... BUILD=/tmp/probe9 FIRMWARE_FLAGS='-DINA219_BITS=9 -DBAUD=500000' firmware
#
# FIRMWARE_FLAGS: settings of settings.h. ELF: $(BUILD)/firmware.elf.

FIRMWARE_DIR := $(abspath $(dir $(lastword $(MAKEFILE_LIST)))/..)
BUILD ?= build
ARDUINO_AVR ?= /usr/share/arduino/hardware/arduino/avr
FIRMWARE_MCU ?= atmega328p
FIRMWARE_VARIANT ?= standard
FIRMWARE_BOARD ?= AVR_UNO
FIRMWARE_FLAGS ?=
# For the core too: a board with USB of its own wants -DUSB_VID=... -DUSB_PID=...
FIRMWARE_CORE_FLAGS ?=
# 29 KiB of the 30 KiB that the boot loader of the smallest board of the class leaves; 2 KiB of RAM
# less the deepest stack (tests/firmware_probe/simulator/test_bench.py measures it).
FIRMWARE_FLASH_MAX ?= 29696
FIRMWARE_RAM_MAX ?= 1400

FIRMWARE_CORE := $(ARDUINO_AVR)/cores/arduino
FIRMWARE_WIRE := $(ARDUINO_AVR)/libraries/Wire/src
FIRMWARE_COMMON := -mmcu=$(FIRMWARE_MCU) -DF_CPU=16000000UL -DARDUINO=10819 \
  -DARDUINO_$(FIRMWARE_BOARD) -DARDUINO_ARCH_AVR -DDECIMAL_DIG=__DECIMAL_DIG__ $(FIRMWARE_CORE_FLAGS) \
  -Os -g -ffunction-sections -fdata-sections -flto \
  -I$(FIRMWARE_CORE) -I$(ARDUINO_AVR)/variants/$(FIRMWARE_VARIANT) -I$(FIRMWARE_WIRE) \
  -I$(ARDUINO_AVR)/libraries/EEPROM/src
FIRMWARE_CXX := avr-g++ -std=gnu++11 -fpermissive -fno-exceptions -fno-threadsafe-statics \
  $(FIRMWARE_COMMON)
FIRMWARE_CC := avr-gcc -std=gnu11 $(FIRMWARE_COMMON)

FIRMWARE_OBJECTS := $(BUILD)/firmware_probe.ino.o $(BUILD)/core/Wire.cpp.o $(BUILD)/core/twi.c.o
# The core goes into an archive, as in the IDE, so that only what is used is linked.
FIRMWARE_CORE_OBJECTS := $(addprefix $(BUILD)/core/,$(addsuffix .o,$(notdir \
  $(wildcard $(FIRMWARE_CORE)/*.cpp $(FIRMWARE_CORE)/*.c))))

vpath %.cpp $(FIRMWARE_CORE) $(FIRMWARE_WIRE)
vpath %.c $(FIRMWARE_CORE) $(FIRMWARE_WIRE)/utility

.PHONY: firmware
firmware: $(BUILD)/firmware.elf

$(BUILD)/core/%.cpp.o: %.cpp
	@mkdir -p $(@D)
	$(FIRMWARE_CXX) -w -c $< -o $@

$(BUILD)/core/%.c.o: %.c
	@mkdir -p $(@D)
	$(FIRMWARE_CC) -w -c $< -o $@

$(BUILD)/firmware_probe.ino.o: $(FIRMWARE_DIR)/firmware_probe.ino $(wildcard $(FIRMWARE_DIR)/*.h)
	@mkdir -p $(@D)
	$(FIRMWARE_CXX) $(FIRMWARE_FLAGS) -Wall -Wextra -Werror -x c++ -include Arduino.h -c $< -o $@

$(BUILD)/core.a: $(FIRMWARE_CORE_OBJECTS)
	@rm -f $@
	avr-gcc-ar rcs $@ $^

$(BUILD)/firmware.elf: $(FIRMWARE_OBJECTS) $(BUILD)/core.a
	$(FIRMWARE_CXX) -fuse-linker-plugin -Wl,--gc-sections -o $@ $^ -lm
	@avr-size -A $@ | awk -v flash_max=$(FIRMWARE_FLASH_MAX) -v ram_max=$(FIRMWARE_RAM_MAX) \
	  '$$1 == ".text" { flash += $$2 } \
	   $$1 == ".data" { flash += $$2; ram += $$2 } \
	   $$1 == ".bss" || $$1 == ".noinit" { ram += $$2 } \
	   END { printf "flash %d of %d bytes, RAM %d of %d bytes\n", flash, flash_max, ram, ram_max; \
	         exit flash > flash_max || ram > ram_max }' || { rm -f $@; exit 1; }
