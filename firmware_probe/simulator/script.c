#define _POSIX_C_SOURCE 200809L
#include "script.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cycles.h"

bool script_read(struct script *s, const char *path)
{
	FILE *file = fopen(path, "r");
	char *text = NULL, *command;
	size_t capacity = 0;

	if (!file)
		return false;
	while (getline(&text, &capacity, file) > 0) {
		text[strcspn(text, "\r\n")] = 0;
		if (!*text || *text == '#')
			continue;
		s->line = realloc(s->line, sizeof *s->line * (size_t)(s->size + 1));
		s->line[s->size].cycle = strtoull(text, &command, 10) * CYCLES_PER_US;
		while (*command == ' ')
			command++;
		s->line[s->size++].text = strdup(command);
	}
	free(text);
	fclose(file);
	for (int i = 1; i < s->size; i++) /* insertion sort: stable, and scripts are nearly sorted */
		for (int j = i; j > 0 && s->line[j].cycle < s->line[j - 1].cycle; j--) {
			struct script_line swap = s->line[j];

			s->line[j] = s->line[j - 1];
			s->line[j - 1] = swap;
		}
	return true;
}

uint64_t script_run(struct script *s, uint64_t now, script_command_t command, void *param)
{
	while (s->next < s->size && s->line[s->next].cycle <= now) {
		const char *text = s->line[s->next++].text;

		if (!command(param, text)) {
			fprintf(stderr, "bench: cannot run the script's line: %s\n", text);
			exit(2);
		}
	}
	return s->next < s->size ? s->line[s->next].cycle : UINT64_MAX;
}
