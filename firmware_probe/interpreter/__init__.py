"""The firmware in Python on a computer's MicroPython: as a process, and as a board on the simulated bench."""
