/* What a receiver makes of bytes that were sent at another rate (8N1), bit by bit. */
#ifndef BAUD_H
#define BAUD_H

#include <stdbool.h>
#include <stdint.h>

enum { BAUD_HISTORY = 64 };

struct baud_line {
	double sender_bit, receiver_bit; /* cycles per bit */
	double start[BAUD_HISTORY];      /* when each byte's start bit began */
	uint8_t byte[BAUD_HISTORY];
	unsigned head, tail;
	double cursor; /* the receiver looks for a start bit from here on */
};

/* True if the rates are too far apart for 8N1 (half a bit over 9.5 bits, less a margin). */
bool baud_differs(double sender_bit, double receiver_bit);
void baud_send(struct baud_line *line, double now, uint8_t byte);
/* Next byte that was wholly received before `now`; false if there is none yet. */
bool baud_receive(struct baud_line *line, double now, uint8_t *byte, bool *framing_error);

#endif
