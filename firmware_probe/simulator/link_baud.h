/* The rate that the host has set on its port. */
#ifndef LINK_BAUD_H
#define LINK_BAUD_H

/* 0 if unknown. */
unsigned link_baud(int master);

#endif
