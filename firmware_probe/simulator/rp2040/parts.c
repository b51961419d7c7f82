/* What lies on the bench beside the chip, for bench.mjs: the sensor, the circuit and the host's port of
 * the other bench (../sensor.c, ../circuit.c, ../link.c, ../part_commands.c), as a module of Node's stable C interface. */
#include <signal.h>
#include <stdio.h>
#include <string.h>

#include "../circuit.h"
#include "../link.h"
#include "../part_commands.h"

/* Node-API, version 1: the few declarations that are needed, so that no headers are. */
typedef struct napi_env__ *napi_env;
typedef struct napi_value__ *napi_value;
typedef struct napi_callback_info__ *napi_callback_info;
typedef napi_value (*napi_callback)(napi_env, napi_callback_info);
extern int napi_create_function(napi_env, const char *, size_t, napi_callback, void *, napi_value *);
extern int napi_set_named_property(napi_env, napi_value, const char *, napi_value);
extern int napi_get_cb_info(napi_env, napi_callback_info, size_t *, napi_value *, napi_value *, void **);
extern int napi_get_value_double(napi_env, napi_value, double *);
extern int napi_get_value_string_utf8(napi_env, napi_value, char *, size_t, size_t *);
extern int napi_create_double(napi_env, double, napi_value *);

static struct sensor sensor;
static struct circuit circuit;
static struct link host = {.master = -1};
static volatile sig_atomic_t interrupted;

enum { NUMBERS = 3, TEXT = 1024 };

struct call {
	double number[NUMBERS];
	char text[TEXT];
};

static uint64_t cycle(const struct call *c) { return (uint64_t)c->number[0]; }

/* command(cycle, text): 1 if a part of the bench knows it and can do it. */
static double command(struct call *c)
{
	struct parts parts = {.sensor = &sensor, .circuit = &circuit, .now = cycle(c)};

	return part_command(&parts, c->text);
}

/* ---- the chip's pins ----------------------------------------------------- */

static double i2c_start(struct call *c) { return sensor_i2c_start(&sensor, (uint8_t)c->number[1], cycle(c)); }
static double i2c_write(struct call *c) { return sensor_i2c_write(&sensor, (uint8_t)c->number[1], cycle(c)); }
static double i2c_read(struct call *c) { return sensor_i2c_read(&sensor, cycle(c)); }

static double i2c_stop(struct call *c)
{
	(void)c;
	sensor_i2c_stop(&sensor);
	return 0;
}

static double load_switch(struct call *c)
{
	sensor_advance(&sensor, cycle(c)); /* what went before belongs to the old state */
	circuit_set_switch(&circuit, cycle(c), c->number[1] != 0);
	return 0;
}

static double power_on(struct call *c)
{
	sensor_power_on(&sensor, cycle(c));
	return 0;
}

/* ---- the host's port ----------------------------------------------------- */

static double plug(struct call *c)
{
	static char path[TEXT];

	strcpy(path, c->text);
	return link_plug(&host, path);
}

static double unplug(struct call *c)
{
	(void)c;
	link_unplug(&host);
	return 0;
}

static double host_opened(struct call *c)
{
	(void)c;
	return link_opened(&host);
}

static double transmit(struct call *c)
{
	link_transmit(&host, (uint8_t)c->number[0]);
	return 0;
}

static double full(struct call *c)
{
	(void)c;
	return link_full(&host);
}

static double receive(struct call *c)
{
	uint8_t byte;

	(void)c;
	return link_read(&host, &byte, 1) == 1 ? byte : -1;
}

static void on_signal(int number)
{
	(void)number;
	interrupted = 1;
}

static double was_interrupted(struct call *c)
{
	(void)c;
	return interrupted;
}

/* ---- beginning and end --------------------------------------------------- */

/* begin(cycle, folder): the bench before the power comes on. */
static double begin(struct call *c)
{
	char path[TEXT + 16];

	snprintf(path, sizeof path, "%s/sensor.bin", c->text);
	sensor.log = fopen(path, "wb");
	circuit_setup(&circuit);
	sensor.input = circuit_at;
	sensor.input_param = &circuit;
	sensor_setup(&sensor, SENSOR_INA219, 0x40, cycle(c));
	signal(SIGTERM, on_signal);
	signal(SIGINT, on_signal);
	return sensor.log != NULL;
}

/* end(cycle, folder): writes the rest of the sensor's log and what really flowed. */
static double end(struct call *c)
{
	char path[TEXT + 16];
	double shunt_v, bus_v;
	FILE *file;

	sensor_advance(&sensor, cycle(c));
	circuit_at(&circuit, cycle(c), &shunt_v, &bus_v);
	sensor_flush(&sensor);
	fclose(sensor.log);
	snprintf(path, sizeof path, "%s/truth.txt", c->text);
	file = fopen(path, "w");
	if (!file)
		return 0;
	fprintf(file, "time_us=%.4f\n", (double)cycle(c) / CYCLES_PER_US);
	fprintf(file, "charge_mah=%.9f\nenergy_mwh=%.9f\ndepth_mah=%.6f\n", circuit.charge_mah, circuit.energy_mwh, circuit.depth_mah);
	fprintf(file, "conversions=%llu\nswitch_closed=%d\n", (unsigned long long)sensor.conversions, circuit.switch_closed);
	fprintf(file, "sent_to_nobody=%lu\n", host.dropped);
	fclose(file);
	if (host.master >= 0)
		link_unplug(&host);
	return 1;
}

/* ---- Node ---------------------------------------------------------------- */

typedef double (*part_t)(struct call *);

/* Numbers in their order, and the one text. */
static napi_value called(napi_env env, napi_callback_info info)
{
	size_t count = NUMBERS;
	napi_value given[NUMBERS], result = NULL;
	struct call call = {0};
	void *part;

	napi_get_cb_info(env, info, &count, given, NULL, &part);
	for (size_t i = 0; i < count && i < NUMBERS; i++)
		if (napi_get_value_double(env, given[i], &call.number[i]) != 0)
			napi_get_value_string_utf8(env, given[i], call.text, sizeof call.text, NULL);
	napi_create_double(env, ((part_t)part)(&call), &result);
	return result;
}

__attribute__((visibility("default"))) napi_value napi_register_module_v1(napi_env env, napi_value exports)
{
	static const struct { const char *name; part_t part; } parts[] = {
		{"begin", begin}, {"end", end}, {"command", command}, {"powerOn", power_on}, {"loadSwitch", load_switch},
		{"i2cStart", i2c_start}, {"i2cWrite", i2c_write}, {"i2cRead", i2c_read}, {"i2cStop", i2c_stop},
		{"plug", plug}, {"unplug", unplug}, {"hostOpened", host_opened}, {"transmit", transmit}, {"full", full},
		{"receive", receive}, {"interrupted", was_interrupted},
	};

	for (size_t i = 0; i < sizeof parts / sizeof *parts; i++) {
		napi_value function;

		napi_create_function(env, parts[i].name, strlen(parts[i].name), called, (void *)parts[i].part, &function);
		napi_set_named_property(env, exports, parts[i].name, function);
	}
	return exports;
}
