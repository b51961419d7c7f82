/* The board's serial port as the host sees it: a pty that loses nothing. */
#ifndef LINK_H
#define LINK_H

#include <stdbool.h>
#include <stdint.h>

enum { LINK_QUEUE = 1 << 16 };

struct link {
	int master; /* -1: unplugged */
	const char *path; /* symbolic link that is kept pointing at the pty */
	uint8_t out[LINK_QUEUE];
	unsigned head, tail;
	bool host_open;
	unsigned long dropped; /* sent while no host had the port open */
};

bool link_plug(struct link *l, const char *path);
void link_unplug(struct link *l);
void link_transmit(void *link, uint8_t byte);
/* Moves bytes out; true while some are left because the pty is full. */
bool link_full(struct link *l);
/* Looks whether a host has the port open; true if it has just opened it. */
bool link_opened(struct link *l);
/* Up to `room` bytes from the host. */
int link_read(struct link *l, uint8_t *bytes, unsigned room);

#endif
