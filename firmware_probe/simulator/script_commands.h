/* Which commands a script knows, and what each does to the bench. */
#ifndef SCRIPT_COMMANDS_H
#define SCRIPT_COMMANDS_H

#include <stdbool.h>

/* Runs one line's command on a struct bench (parts.h), at the bench's time; false if it cannot. */
bool script_command(void *bench, const char *text);

#endif
