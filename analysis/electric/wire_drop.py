"""Voltage lost in the wires between pack and parts.

R = rho L / A with the diameter of the American wire gauge, d = 0.127 mm 92^((36-n)/39)
(ASTM B258), and annealed copper, rho = 1.7241e-8 ohm m at 20 C, 0.00393 per kelvin
(IEC 60028; both from memory, consistent with published wire tables to 0.03 %).
"""

import math
from typing import Final

COPPER_OHM_M: Final = 1.7241e-8
COPPER_PER_K: Final = 0.00393
# Stranded wire of the same gauge differs with its lay and strand count: published
# stranded chart lies up to 9.3 % under solid (24 AWG 7/32) and none over it.
STRANDED_SPREAD: Final = 0.10


def diameter_mm(gauge_awg: float) -> float:
    """Bare diameter of a solid wire of this American wire gauge, mm (ASTM B258)."""
    return float(0.127 * 92.0 ** ((36.0 - gauge_awg) / 39.0))


def resistance_ohm_per_km(gauge_awg: float, temperature_c: float = 20.0) -> float:
    """Resistance of solid copper wire, ohm per kilometre of one wire."""
    area_m2 = math.pi / 4 * (diameter_mm(gauge_awg) * 1e-3) ** 2
    return COPPER_OHM_M * (1 + COPPER_PER_K * (temperature_c - 20.0)) / area_m2 * 1000.0


def loop_resistance_ohm(gauge_awg: float, length_m: float, temperature_c: float = 20.0) -> float:
    """Resistance of a pair, out and back, over ``length_m`` one way."""
    return 2.0 * length_m / 1000.0 * resistance_ohm_per_km(gauge_awg, temperature_c)
