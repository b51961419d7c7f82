# Compiles the sketch, unchanged, for the simulated RP2040, with core/ in the place of the Arduino core.
#
#   make -f firmware_probe/simulator/rp2040/firmware.mk BUILD=/tmp/rp2040
#   make ... RP2040_HERTZ=125000000 FIRMWARE_FLAGS='-DBAUD=500000'
#
# Needs (Debian's names): gcc-arm-none-eabi make; no C library (core/core.cpp has the two calls)

RP2040_DIR := $(abspath $(dir $(lastword $(MAKEFILE_LIST))))
SKETCH_DIR := $(abspath $(RP2040_DIR)/../..)
BUILD ?= build
FIRMWARE_FLAGS ?=
# The crystal's 12 MHz by default: the simulation keeps up with real time, and what can be done there can be done at 125 MHz.
RP2040_HERTZ ?= 12000000

RP2040_COMMON := -mcpu=cortex-m0plus -mthumb -Os -g -ffunction-sections -fdata-sections -ffreestanding -nostdinc++ \
  -DARDUINO=10819 -DARDUINO_ARCH_RP2040 -DF_CPU=$(RP2040_HERTZ) -I$(RP2040_DIR)/core -I$(RP2040_DIR)/../cores
RP2040_CXX := arm-none-eabi-g++ -std=gnu++17 -fno-exceptions -fno-rtti -fno-threadsafe-statics \
  -fno-use-cxa-atexit $(RP2040_COMMON) -Wall -Wextra -Werror

.PHONY: firmware
firmware: $(BUILD)/firmware.bin

$(BUILD)/%.o: $(RP2040_DIR)/core/%.cpp $(wildcard $(RP2040_DIR)/core/*.h $(RP2040_DIR)/core/*/*.h)
	@mkdir -p $(@D)
	$(RP2040_CXX) -c $< -o $@

$(BUILD)/firmware_probe.o: $(SKETCH_DIR)/firmware_probe.ino $(wildcard $(SKETCH_DIR)/*.h)
	@mkdir -p $(@D)
	$(RP2040_CXX) $(FIRMWARE_FLAGS) -x c++ -include Arduino.h -c $< -o $@

$(BUILD)/firmware.elf: $(addprefix $(BUILD)/,start.o core.o firmware_probe.o)
	$(RP2040_CXX) -nostdlib -Wl,--gc-sections -Wl,--no-warn-rwx-segments \
	  -T $(RP2040_DIR)/core/memory.ld -o $@ $^ -lgcc
	@arm-none-eabi-size $@

$(BUILD)/firmware.bin: $(BUILD)/firmware.elf
	arm-none-eabi-objcopy -O binary $< $@

# The parts of the bench beside the chip, as a module for Node.
$(BUILD)/parts.node: $(RP2040_DIR)/parts.c $(wildcard $(RP2040_DIR)/../*.c $(RP2040_DIR)/../*.h)
	@mkdir -p $(@D)
	$(CC) -std=gnu11 -O2 -Wall -Wextra -Werror -shared -fPIC -o $@ $< \
	  $(wildcard $(RP2040_DIR)/../sensor*.c) $(addprefix $(RP2040_DIR)/../,circuit.c link.c part_commands.c) -lutil -lm
