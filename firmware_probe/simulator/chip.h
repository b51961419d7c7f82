/* The ATmega328P on libsimavr: loads the sketch, corrects what simavr 1.6 gets wrong, and
 * connects the sensor, the circuit and the host's bytes to its pins. */
#ifndef CHIP_H
#define CHIP_H

#include <avr_adc.h>
#include <avr_eeprom.h>
#include <avr_extint.h>
#include <avr_ioport.h>
#include <avr_timer.h>
#include <avr_twi.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "baud.h"
#include "circuit.h"
#include "sensor.h"

enum bus_fault { BUS_FREE, BUS_SDA_LOW, BUS_SCL_LOW };
enum reset_cause { RESET_POWER, RESET_EXTERNAL, RESET_BROWNOUT };
enum { RX_QUEUE = 1 << 16 };

struct flex_open { /* a joint that opens in a stated cycle */
	int joint;
	uint64_t cycle, delay_us, length_us;
};

struct main_poke { /* RAM that is changed when the program reaches main, after each reset */
	char symbol[64];
	int bytes;
	uint64_t value;
};

struct chip {
	avr_t *avr;
	avr_twi_t *twi;
	avr_uart_t *uart;
	avr_adc_t *adc;
	elf_firmware_t firmware;
	struct sensor *sensor;
	struct circuit *circuit;
	FILE *events;

	enum bus_fault bus_fault;
	int clocks_to_free; /* SDA low: the device lets go after so many clocks; 0: never */
	uint64_t bus_free_at; /* end of the last stop condition and of the pause after it */

	/* host to board */
	uint8_t rx[RX_QUEUE];
	unsigned rx_head, rx_tail;
	uint64_t rx_next; /* cycle at which the next byte's start bit may begin */
	unsigned host_baud; /* 0: whatever the board uses */
	struct baud_line to_board, to_host;
	unsigned long rx_overruns;
	void (*transmit)(void *param, uint8_t byte);
	void *transmit_param;

	/* flex rig */
	unsigned adc_reference_mv;
	uint64_t servo_rise;
	double servo_us, servo_home_us; /* pulse width now, and before the first move */
	bool servo_away;
	uint64_t servo_cycles, switch_cycles;
	struct flex_open opens[64];
	int open_count;

	struct main_poke main_pokes[8];
	int main_poke_count;
	bool before_main;
	avr_flashaddr_t main_pc;

	bool just_reset, stalled;
	uint8_t stall_saved[2];
	avr_flashaddr_t stall_pc;
	uint8_t *ram_at_boot;
	void (*core_reset)(struct avr_t *avr);
	avr_cycle_timer_t tick;
	void *tick_param;
	uint8_t external_mask[3], external_value[3]; /* ports B, C, D: pins driven from outside */
};

/* The one chip of this process: link-time wraps and simavr's reset hook have no parameter. */
extern struct chip *the_chip;

bool chip_setup(struct chip *chip, const char *elf_path);
void chip_reset(struct chip *chip, enum reset_cause cause);
/* To be called between two steps of the core; re-asserts pins after a reset. */
void chip_settle(struct chip *chip);
void chip_drive_pin(struct chip *chip, char port, int pin, bool level);
/* Hangs the program where it is until a reset; false while an interrupt is being served. */
bool chip_stall(struct chip *chip);
/* Writes little-endian bytes at a RAM symbol of the sketch; false if there is no such symbol. */
bool chip_poke(struct chip *chip, const char *symbol, int bytes, uint64_t value);
/* To be called before each step while chip->before_main: runs the pokes when main is reached. */
void chip_watch_main(struct chip *chip);
void chip_set_adc_reference(struct chip *chip, unsigned mv);
void chip_bus_fault(struct chip *chip, enum bus_fault fault, int clocks_to_free);
void chip_receive(struct chip *chip, uint8_t byte);
/* Feeds bytes that are due; gives the cycle of the next one, UINT64_MAX if none. */
uint64_t chip_feed(struct chip *chip);
unsigned chip_rx_room(const struct chip *chip);
/* A flex cycle begins: opens joints that were asked for in it. */
void chip_flex_cycle_begins(struct chip *chip, uint64_t cycle);
/* Bytes of SRAM never written since power-on, between data and deepest stack. */
unsigned chip_ram_untouched(const struct chip *chip);
void chip_event(struct chip *chip, const char *format, ...) __attribute__((format(printf, 2, 3)));

#endif
