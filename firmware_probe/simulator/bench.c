/* Runs the sketch's ELF on a simulated bench.
 *
 *   bench ELF SCRIPT OUT [--port LINK] [--pace X] [--seconds S] [--no-reset-on-open] [--eeprom FILE]
 *
 * Without --port: lock-step. Nothing of the host's time enters, two runs are alike to the byte.
 * Writes into the folder OUT: uart.bin (what the board sent), lines.txt (each line with the time
 * of its end in microseconds), events.txt (boots, pins, faults), sensor.bin (every conversion and
 * read, struct sensor_record), truth.txt (key=value: charge that really flowed, and so on).
 */
#define _GNU_SOURCE
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "link_baud.h"
#include "parts.h"
#include "script_commands.h"

static volatile sig_atomic_t interrupted;

static void on_signal(int number)
{
	(void)number;
	interrupted = 1;
}

static uint64_t smaller(uint64_t a, uint64_t b) { return a < b ? a : b; }

static uint64_t run_script(struct bench *b) { return script_run(&b->script, bench_now(b), script_command, b); }

static void transmit(void *param, uint8_t byte)
{
	struct bench *b = param;

	fputc(byte, b->uart);
	if (b->line_length < sizeof b->line && byte != '\n')
		b->line[b->line_length++] = (char)(byte >= ' ' && byte <= '~' ? byte : '?');
	if (byte == '\n') {
		fprintf(b->lines, "%.1f %.*s\n", (double)bench_now(b) / CYCLES_PER_US, (int)b->line_length, b->line);
		b->line_length = 0;
	}
	if (b->port)
		link_transmit(&b->link, byte);
}

/* Contacts close for a fifth of the turn and bounce: five edges within the bounce time instead of one. */
static uint64_t cam_edge(const struct limit_switch *cam, unsigned edge)
{
	static const double bounces[] = {0, 0.1, 0.25, 0.5, 1};
	unsigned edges = cam->bounce ? 5 : 1;
	uint64_t begin = cam->turn_begin + (edge < edges ? 0 : cam->period / 5);

	return begin + (uint64_t)(bounces[edge % edges] * (double)cam->bounce);
}

static uint64_t cam_run(struct bench *b)
{
	struct limit_switch *cam = &b->cam;

	while (cam->turns && cam_edge(cam, cam->edge) <= bench_now(b)) {
		if (cam->edge == 0)
			chip_flex_cycle_begins(&b->chip, ++b->chip.switch_cycles + 1); /* a closure ends a cycle */
		cam->closed = !cam->closed;
		chip_drive_pin(&b->chip, 'D', 2, !cam->closed);
		if (++cam->edge == (cam->bounce ? 10 : 2)) {
			cam->edge = 0;
			cam->turns--;
			cam->turn_begin += cam->period;
		}
	}
	return cam->turns ? cam_edge(cam, cam->edge) : UINT64_MAX;
}

static avr_cycle_count_t tick(avr_t *avr, avr_cycle_count_t when, void *param)
{
	struct bench *b = param;
	uint64_t next = avr->cycle + (b->port ? 16000 : 320000);

	(void)when;
	next = smaller(next, run_script(b));
	next = smaller(next, chip_feed(&b->chip));
	next = smaller(next, cam_run(b));
	b->poll_due = true;
	return next > avr->cycle ? next : avr->cycle + 1;
}

static double host_s(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void nap(double seconds)
{
	struct timespec t = {.tv_sec = (time_t)seconds, .tv_nsec = (long)((seconds - (double)(time_t)seconds) * 1e9)};

	nanosleep(&t, NULL);
}

/* Between two steps of the core: the host's bytes, its opening of the port, and its clock. */
static void poll_host(struct bench *b, double begun_s)
{
	uint8_t bytes[256];
	unsigned room = chip_rx_room(&b->chip);
	int got;

	if (link_opened(&b->link)) {
		chip_event(&b->chip, "host opened the port");
		if (b->reset_on_open && !b->unplugged)
			b->wants_reset = RESET_EXTERNAL; /* DTR, which does not cross a pty */
	}
	b->chip.host_baud = link_baud(b->link.master);
	got = link_read(&b->link, bytes, room < sizeof bytes ? room : sizeof bytes);
	for (int i = 0; i < got; i++)
		chip_receive(&b->chip, bytes[i]);
	while (link_full(&b->link) && !interrupted) { /* the host is slow: board time stands still, nothing is lost */
		nap(1e-3);
		link_opened(&b->link);
	}
	if (b->pace > 0) {
		double ahead_s = (double)bench_now(b) / (16e6 * b->pace) - (host_s() - begun_s);

		if (ahead_s > 2e-3)
			nap(ahead_s < 0.1 ? ahead_s : 0.1);
	}
}

static void unplug(struct bench *b)
{
	b->wants_unplug = false;
	if (b->port)
		link_unplug(&b->link);
	if (b->keeps_power)
		return;
	b->unplugged = true;
	avr_reset(b->chip.avr); /* pins float, the load switch opens */
	chip_settle(&b->chip);
	b->sensor.present = false;
	chip_event(&b->chip, "unplugged");
}

static bool plug(struct bench *b)
{
	b->wants_plug = false;
	if (b->port && !link_plug(&b->link, b->port))
		return false;
	if (b->unplugged) {
		b->unplugged = false;
		b->sensor.present = true;
		b->wants_reset = RESET_POWER;
	}
	return true;
}

/* Worn cells take nothing. */
static void keep_worn(struct bench *b)
{
	avr_eeprom_desc_t cells = {.ee = b->worn, .offset = (uint16_t)b->worn_first, .size = b->worn_count};

	avr_ioctl(b->chip.avr, AVR_IOCTL_EEPROM_SET, &cells);
}

static bool run(struct bench *b)
{
	avr_t *avr = b->chip.avr;
	double begun_s = host_s();

	while (!b->ended && !interrupted && avr->cycle < b->end_cycle) {
		if (b->unplugged) {
			avr->cycle += 16000;
			sensor_advance(&b->sensor, avr->cycle);
			run_script(b);
			b->poll_due = true;
		} else {
			int state;

			if (b->chip.before_main)
				chip_watch_main(&b->chip);
			state = avr_run(avr);
			if (state == cpu_Done || state == cpu_Crashed)
				return false;
			if (b->worn_count)
				keep_worn(b);
			if (b->chip.just_reset)
				chip_settle(&b->chip);
		}
		if (!b->poll_due)
			continue;
		b->poll_due = false;
		if (b->port)
			poll_host(b, begun_s);
		if (b->wants_stall && chip_stall(&b->chip))
			b->wants_stall = false;
		b->poll_due = b->wants_stall;
		if (b->wants_unplug)
			unplug(b);
		if (b->wants_plug && !plug(b))
			return false;
		if (b->wants_reset >= 0) {
			chip_reset(&b->chip, (enum reset_cause)b->wants_reset);
			b->wants_reset = -1;
			chip_settle(&b->chip);
		}
	}
	return true;
}

static void eeprom_file(struct bench *b, const char *path, bool save)
{
	uint8_t bytes[1024];
	avr_eeprom_desc_t all = {.ee = bytes, .offset = 0, .size = sizeof bytes};
	FILE *file = fopen(path, save ? "wb" : "rb");

	if (!file)
		return;
	if (save) {
		avr_ioctl(b->chip.avr, AVR_IOCTL_EEPROM_GET, &all); /* says -1 even when it did it */
		fwrite(bytes, 1, sizeof bytes, file);
	}
	if (!save && fread(bytes, 1, sizeof bytes, file) == sizeof bytes)
		avr_ioctl(b->chip.avr, AVR_IOCTL_EEPROM_SET, &all);
	fclose(file);
}

static FILE *open_in(const char *folder, const char *name)
{
	char path[1024];
	FILE *file;

	snprintf(path, sizeof path, "%s/%s", folder, name);
	file = fopen(path, "wb");
	if (!file) {
		perror(path);
		exit(2);
	}
	return file;
}

static void write_truth(struct bench *b, const char *folder)
{
	FILE *file = open_in(folder, "truth.txt");
	double shunt_v, bus_v;

	sensor_advance(&b->sensor, bench_now(b));
	circuit_at(&b->circuit, bench_now(b), &shunt_v, &bus_v);
	fprintf(file, "time_us=%.4f\n", (double)bench_now(b) / CYCLES_PER_US);
	fprintf(file, "charge_mah=%.9f\nenergy_mwh=%.9f\ndepth_mah=%.6f\n", b->circuit.charge_mah, b->circuit.energy_mwh,
		b->circuit.depth_mah);
	fprintf(file, "conversions=%llu\n", (unsigned long long)b->sensor.conversions);
	fprintf(file, "switch_closed=%d\n", b->circuit.switch_closed);
	fprintf(file, "servo_cycles=%llu\n", (unsigned long long)b->chip.servo_cycles);
	fprintf(file, "switch_cycles=%llu\n", (unsigned long long)b->chip.switch_cycles);
	fprintf(file, "rx_overruns=%lu\n", b->chip.rx_overruns);
	fprintf(file, "sent_to_nobody=%lu\n", b->link.dropped);
	fprintf(file, "ram_bytes=%u\n", b->chip.avr->ramend - b->chip.avr->ioend - chip_ram_untouched(&b->chip));
	fclose(file);
}

static int usage(void)
{
	fputs("usage: bench ELF SCRIPT OUT [--port LINK] [--pace X] [--seconds S] [--no-reset-on-open] [--eeprom FILE]\n", stderr);
	return 2;
}

int main(int argc, char **argv)
{
	static struct bench b;
	const char *eeprom = NULL, *folder;
	bool good;

	if (argc < 4)
		return usage();
	folder = argv[3];
	b.end_cycle = UINT64_MAX;
	b.wants_reset = RESET_POWER;
	b.reset_on_open = true;
	b.link.master = -1;
	for (int i = 4; i < argc; i++) {
		if (!strcmp(argv[i], "--no-reset-on-open"))
			b.reset_on_open = false;
		else if (i + 1 == argc)
			return usage();
		else if (!strcmp(argv[i], "--port"))
			b.port = argv[++i];
		else if (!strcmp(argv[i], "--pace"))
			b.pace = atof(argv[++i]);
		else if (!strcmp(argv[i], "--seconds"))
			b.end_cycle = (uint64_t)(atof(argv[++i]) * 16e6);
		else if (!strcmp(argv[i], "--eeprom"))
			eeprom = argv[++i];
		else
			return usage();
	}
	circuit_setup(&b.circuit);
	b.sensor.input = circuit_at;
	b.sensor.input_param = &b.circuit;
	b.chip.sensor = &b.sensor;
	b.chip.circuit = &b.circuit;
	b.chip.transmit = transmit;
	b.chip.transmit_param = &b;
	b.chip.tick = tick;
	b.chip.tick_param = &b;
	if (!script_read(&b.script, argv[2]) || !chip_setup(&b.chip, argv[1])) {
		fprintf(stderr, "bench: cannot read %s or %s\n", argv[1], argv[2]);
		return 2;
	}
	b.uart = open_in(folder, "uart.bin");
	b.lines = open_in(folder, "lines.txt");
	b.chip.events = open_in(folder, "events.txt");
	b.sensor.log = open_in(folder, "sensor.bin");
	setvbuf(b.chip.events, NULL, _IOLBF, 0); /* a test may watch it */
	signal(SIGTERM, on_signal);
	signal(SIGINT, on_signal);
	if (eeprom)
		eeprom_file(&b, eeprom, false);
	sensor_setup(&b.sensor, SENSOR_INA219, 0x40, 0);
	run_script(&b); /* the bench as it is before the power comes on */
	chip_reset(&b.chip, RESET_POWER);
	b.wants_reset = -1;
	chip_settle(&b.chip);
	if (b.port && !link_plug(&b.link, b.port)) {
		fprintf(stderr, "bench: cannot make the port %s\n", b.port);
		return 2;
	}
	good = run(&b);
	write_truth(&b, folder);
	sensor_flush(&b.sensor);
	if (eeprom)
		eeprom_file(&b, eeprom, true);
	fclose(b.uart);
	fclose(b.lines);
	fclose(b.chip.events);
	fclose(b.sensor.log);
	if (b.port && b.link.master >= 0)
		link_unplug(&b.link);
	if (!good)
		fprintf(stderr, "bench: the program crashed at cycle %llu\n", (unsigned long long)b.chip.avr->cycle);
	return good ? 0 : 3;
}
