#include "circuit.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const double CYCLES_PER_HOUR = 3600e6 * 16;

void circuit_setup(struct circuit *c)
{
	*c = (struct circuit){.pack_v = 4.5, .pack_ohm = 0.3, .pack_speed = 1, .shunt_ohm = 0.1, .switch_closed = true};
	for (int i = 0; i < JOINTS; i++)
		c->joint[i].ohm = 0.05;
}

bool table_read(struct table *t, const char *path)
{
	FILE *file = fopen(path, "r");
	double x, y;

	if (!file)
		return false;
	t->size = 0;
	while (fscanf(file, " %lf , %lf", &x, &y) == 2) {
		t->x = realloc(t->x, sizeof(double) * (size_t)(t->size + 1));
		t->y = realloc(t->y, sizeof(double) * (size_t)(t->size + 1));
		t->x[t->size] = x;
		t->y[t->size++] = y;
	}
	fclose(file);
	return t->size > 0;
}

/* Index of the last x not above the value; 0 before the first. */
static int table_index(const struct table *t, double value)
{
	int low = 0, high = t->size - 1;

	while (low < high) {
		int middle = (low + high + 1) / 2;

		if (t->x[middle] <= value)
			low = middle;
		else
			high = middle - 1;
	}
	return low;
}

static double open_circuit_v(const struct circuit *c)
{
	const struct table *t = &c->pack;
	int i;

	if (!t->size)
		return c->pack_v;
	i = table_index(t, c->depth_mah);
	if (i + 1 >= t->size || c->depth_mah < t->x[i])
		return t->y[i];
	return t->y[i] + (t->y[i + 1] - t->y[i]) * (c->depth_mah - t->x[i]) / (t->x[i + 1] - t->x[i]);
}

/* Uniform in -1..1, a function of the time alone (splitmix64). */
static double noise(uint64_t seed, uint64_t cycle)
{
	uint64_t z = (cycle + seed) * 0x9E3779B97F4A7C15u;

	z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9u;
	z = (z ^ z >> 27) * 0x94D049BB133111EBu;
	z ^= z >> 31;
	return (double)(z >> 11) / (double)(1ull << 52) - 1;
}

static double wanted_ma(const struct circuit *c, uint64_t cycle)
{
	double ma = c->load_ma;

	if (c->load.size) {
		double us = (double)cycle / 16;

		ma += c->load.y[table_index(&c->load, c->load_period_us > 0 ? fmod(us, c->load_period_us) : us)];
	}
	if (c->noise_ma > 0)
		ma += c->noise_ma * noise(c->noise_seed, cycle);
	return ma;
}

void circuit_at(void *circuit, uint64_t cycle, double *shunt_v, double *bus_v)
{
	struct circuit *c = circuit;
	double emf_v = open_circuit_v(c), current_a = 0, drop_v, pack_v;

	if (c->switch_closed || c->bypassed) {
		double series_ohm = c->pack_ohm + c->shunt_ohm;

		current_a = wanted_ma(c, cycle) * 1e-3;
		if (c->load_ohm > 0)
			current_a = (current_a + emf_v / c->load_ohm) / (1 + series_ohm / c->load_ohm);
		if (series_ohm > 0 && current_a > emf_v / series_ohm)
			current_a = emf_v / series_ohm; /* a short circuit: the load has no volt left */
	}
	drop_v = current_a * c->shunt_ohm;
	pack_v = emf_v - current_a * c->pack_ohm;
	if (cycle > c->integrated_to) {
		double hours = (double)(cycle - c->integrated_to) / CYCLES_PER_HOUR;

		c->charge_mah += current_a * 1e3 * hours;
		c->energy_mwh += current_a * 1e3 * pack_v * hours;
		c->depth_mah += current_a * 1e3 * hours * c->pack_speed;
		c->integrated_to = cycle;
	}
	*shunt_v = c->swapped ? -drop_v : drop_v;
	*bus_v = c->swapped ? pack_v : pack_v - drop_v;
}

void circuit_set_switch(struct circuit *c, uint64_t cycle, bool closed)
{
	double shunt_v, bus_v;

	circuit_at(c, cycle, &shunt_v, &bus_v);
	c->switch_closed = closed;
}

double joint_v(const struct joint *j, uint64_t cycle, double supply_v, double series_ohm)
{
	if (cycle >= j->open_from && cycle < j->open_until)
		return supply_v;
	return supply_v * j->ohm / (j->ohm + series_ohm);
}
