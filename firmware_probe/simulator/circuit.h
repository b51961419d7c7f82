/* Pack, shunt, load switch and load behind the sensor; the joints of the flex rig.
 *
 *   pack (open-circuit voltage over depth, series resistance) -> VIN+ [shunt] VIN- -> load -> switch -> 0 V
 *
 * The load is a stepped table of currents, repeated, plus a resistor in parallel, plus white
 * noise that depends on nothing but the time and a seed: a run is the same every time.
 */
#ifndef CIRCUIT_H
#define CIRCUIT_H

#include <stdbool.h>
#include <stdint.h>

enum { JOINTS = 4 };

struct table { /* ascending x; y linear between (pack) or stepped (load) */
	double *x, *y;
	int size;
};

struct joint {
	double ohm;
	uint64_t open_until; /* cycle; UINT64_MAX: for good */
	uint64_t open_from;
};

struct circuit {
	struct table pack; /* depth in mAh -> open-circuit volt */
	double pack_v;     /* used if there is no table */
	double pack_ohm;
	double pack_speed; /* the pack empties so many times faster than its current says */
	struct table load; /* microseconds -> mA */
	double load_period_us;
	double load_ma, load_ohm; /* load_ohm 0: no resistor */
	double noise_ma;
	uint64_t noise_seed;
	double shunt_ohm;
	bool swapped;      /* VIN+ and VIN- changed over */
	bool switch_closed;
	bool bypassed;     /* the switch is welded, or a second way goes around it */

	double depth_mah;  /* drawn from the pack, times pack_speed */
	double charge_mah; /* the truth: integral of the current */
	double energy_mwh; /* of pack voltage times current */
	uint64_t integrated_to;

	struct joint joint[JOINTS];
};

void circuit_setup(struct circuit *c);
/* Reads two numbers a line, parted by a comma; false if the file cannot be used. */
bool table_read(struct table *t, const char *path);
/* Drop over the shunt and voltage on the load side at a moment; moves the pack's charge along. */
void circuit_at(void *circuit, uint64_t cycle, double *shunt_v, double *bus_v);
void circuit_set_switch(struct circuit *c, uint64_t cycle, bool closed);
/* Volt at the node of the divider supply_v - series_ohm - node - joint - 0 V. */
double joint_v(const struct joint *j, uint64_t cycle, double supply_v, double series_ohm);

#endif
