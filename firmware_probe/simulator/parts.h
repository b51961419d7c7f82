/* What lies on the bench, and what the script wants of it; moved along by bench.c. */
#ifndef PARTS_H
#define PARTS_H

#include "chip.h"
#include "link.h"
#include "script.h"

struct limit_switch { /* a cam that closes the switch once a turn, with bounce; cycles */
	uint64_t turn_begin, period, bounce, turns;
	unsigned edge;
	bool closed;
};

struct bench {
	struct chip chip;
	struct sensor sensor;
	struct circuit circuit;
	struct link link;
	struct script script;
	struct limit_switch cam;
	const char *port; /* path of the symbolic link; NULL: lock-step */
	FILE *uart, *lines;
	char line[512];
	size_t line_length;
	bool poll_due;
	bool reset_on_open, wants_stall, ended;
	int wants_reset; /* -1: none, else enum reset_cause */
	bool wants_unplug, wants_plug, unplugged, keeps_power;
	unsigned worn_first, worn_count; /* cells of the EEPROM that take nothing */
	uint8_t worn[1024];
	uint64_t end_cycle;
	double pace; /* board seconds per host second; 0: flat out */
};

static inline uint64_t bench_now(const struct bench *b) { return b->chip.avr->cycle; }

#endif
