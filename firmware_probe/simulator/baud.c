#include "baud.h"

#include <math.h>

bool baud_differs(double sender_bit, double receiver_bit)
{
	return fabs(sender_bit / receiver_bit - 1) > 0.04;
}

void baud_send(struct baud_line *line, double now, uint8_t byte)
{
	if (line->head - line->tail == BAUD_HISTORY)
		line->tail++;
	line->start[line->head % BAUD_HISTORY] = now;
	line->byte[line->head++ % BAUD_HISTORY] = byte;
}

/* Level of the line at a moment: start bit low, eight data bits from the lowest, then high. */
static bool level(const struct baud_line *line, double when)
{
	for (unsigned i = line->tail; i != line->head; i++) {
		double bit = floor((when - line->start[i % BAUD_HISTORY]) / line->sender_bit);

		if (bit >= 0 && bit < 9)
			return bit > 0 && line->byte[i % BAUD_HISTORY] >> (int)(bit - 1) & 1;
	}
	return true;
}

bool baud_receive(struct baud_line *line, double now, uint8_t *byte, bool *framing_error)
{
	double step = fmin(line->sender_bit, line->receiver_bit) / 8;

	while (line->tail != line->head) {
		double last_end = line->start[(line->head - 1) % BAUD_HISTORY] + 10 * line->sender_bit;
		double begin = fmax(line->cursor, line->start[line->tail % BAUD_HISTORY]);

		while (begin < last_end && level(line, begin))
			begin += step;
		if (begin >= last_end) { /* nothing more on the line */
			line->tail = line->head;
			break;
		}
		if (begin + 10 * line->receiver_bit > now) {
			line->cursor = begin;
			return false;
		}
		*byte = 0;
		for (int bit = 0; bit < 8; bit++)
			*byte |= (uint8_t)(level(line, begin + (bit + 1.5) * line->receiver_bit) << bit);
		*framing_error = !level(line, begin + 9.5 * line->receiver_bit);
		line->cursor = begin + 9.5 * line->receiver_bit;
		while (line->tail != line->head &&
		       line->start[line->tail % BAUD_HISTORY] + 10 * line->sender_bit < line->cursor)
			line->tail++;
		return true;
	}
	return false;
}
