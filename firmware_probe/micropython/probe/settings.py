"""What a person may want to change before copying the files onto the board."""

# Shunt of the breakout in steps of 0.0001 ohm: 1000 is the usual "R100".
SHUNT_STEPS = 1000

# The sensor averages so many conversions into one (1, 2, 4, 8, 16): no time is left out, and the
# interpreter has that much longer to fetch it. 0: what the board's port file thinks right.
# Least and greatest values are then those of such means: 1 gives 1 ms, 4 gives 4 ms.
AVERAGES = 0

# INA219 only: gain range at the start: 1, 2, 4 or 8 for 40, 80, 160 or 320 mV over the shunt.
# It widens to 8 by itself when a conversion reaches the end of the range, and says so.
INA219_GAIN = 8

# Load switch: 0 not fitted, 1 fitted, 2 look for the 10 kohm at its pin.
LOAD_SWITCH = 2

# 0 switches the watchdog off.
WATCHDOG = 1
