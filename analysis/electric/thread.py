"""Conductive thread: its heat per metre.

P' = I^2 R' (Joule). The limit is a rise of about 10 K over the skin for a thread of 0.4 mm that gives
off 25 W per square metre and kelvin (thin round body in still air, from memory): pi 0.4e-3 25 10 = 0.3 W
per metre. Our own estimate, for bare thread on cloth.
"""

from typing import Final

THREAD_W_PER_M: Final = 0.3


def heat_w_per_m(ohm_per_m: float, current_ma: float) -> float:
    """Heat of one metre of one thread at this current, W."""
    return ohm_per_m * (current_ma / 1000.0) ** 2
