/* What a script's commands do to the sensor and the circuit: the same on every bench, whatever the chip. */
#ifndef PART_COMMANDS_H
#define PART_COMMANDS_H

#include "circuit.h"
#include "sensor.h"

struct parts {
	struct sensor *sensor;
	struct circuit *circuit;
	uint64_t now;
};

/* Brings the sensor up to now, then runs one line's command; false if it is none of these, or cannot be done. */
bool part_command(const struct parts *p, const char *text);

#endif
