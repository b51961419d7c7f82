#define _GNU_SOURCE
#include "link.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <stdio.h>
#include <termios.h>
#include <unistd.h>

bool link_plug(struct link *l, const char *path)
{
	int slave;
	char name[128];
	struct termios raw;

	l->path = path;
	l->head = l->tail = 0;
	l->host_open = false;
	if (openpty(&l->master, &slave, name, NULL, NULL) != 0)
		return false;
	if (tcgetattr(slave, &raw) != 0)
		return false;
	cfmakeraw(&raw);
	if (tcsetattr(slave, TCSANOW, &raw) != 0)
		return false;
	close(slave); /* from now on POLLHUP means: no host */
	fcntl(l->master, F_SETFL, O_NONBLOCK);
	unlink(path);
	return symlink(name, path) == 0;
}

void link_unplug(struct link *l)
{
	if (l->master >= 0)
		close(l->master);
	l->master = -1;
	l->host_open = false;
	l->head = l->tail = 0;
	unlink(l->path);
}

void link_transmit(void *link, uint8_t byte)
{
	struct link *l = link;

	if (!l->host_open || l->head - l->tail == LINK_QUEUE)
		l->dropped++;
	else
		l->out[l->head++ % LINK_QUEUE] = byte;
}

bool link_full(struct link *l)
{
	while (l->host_open && l->tail != l->head) {
		unsigned at = l->tail % LINK_QUEUE, length = l->head - l->tail;
		ssize_t written;

		if (length > LINK_QUEUE - at)
			length = LINK_QUEUE - at;
		written = write(l->master, l->out + at, length);
		if (written <= 0)
			return errno == EAGAIN;
		l->tail += (unsigned)written;
	}
	return false;
}

bool link_opened(struct link *l)
{
	struct pollfd p = {.fd = l->master, .events = POLLIN};
	bool was = l->host_open;

	if (l->master < 0)
		return false;
	poll(&p, 1, 0);
	l->host_open = !(p.revents & POLLHUP);
	if (!l->host_open)
		l->tail = l->head;
	return l->host_open && !was;
}

int link_read(struct link *l, uint8_t *bytes, unsigned room)
{
	/* also after the host has closed: what it wrote last is still on its way */
	ssize_t got = l->master < 0 ? 0 : read(l->master, bytes, room);

	return got > 0 ? (int)got : 0;
}
