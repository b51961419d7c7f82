/* What happens on the bench, and when: one command a line, "microseconds command arguments". */
#ifndef SCRIPT_H
#define SCRIPT_H

#include <stdbool.h>
#include <stdint.h>

struct script_line {
	uint64_t cycle;
	char *text; /* command and arguments */
};

struct script {
	struct script_line *line;
	int size, next;
};

/* Reads and sorts by time, keeping the order of equal times. */
bool script_read(struct script *s, const char *path);
/* Does what a line says; false if it cannot. */
typedef bool (*script_command_t)(void *param, const char *text);
/* Gives the command all that is due; gives the cycle of the next line, UINT64_MAX if none. Ends the process on a bad line. */
uint64_t script_run(struct script *s, uint64_t now, script_command_t command, void *param);

#endif
