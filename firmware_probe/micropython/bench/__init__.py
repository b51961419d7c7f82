"""The firmware's core played on a computer's MicroPython: a sensor, a clock and a host of our own making."""
