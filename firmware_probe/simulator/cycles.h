/* The unit of time on the bench: one clock of the chip. */
#ifndef CYCLES_H
#define CYCLES_H

#define CYCLES_PER_US 16u

#endif
