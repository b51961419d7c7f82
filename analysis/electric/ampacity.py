"""What current a wire carries for as long as it likes, by gauge, insulation and bundle.

Base: single copper wire in free space, insulation of 200 C, 70 C around it (SOURCES.md D12). The heat
that a wire gives off grows with its rise, so I goes with the root of the rise that the insulation
allows: sqrt((T - 70) / 130) gives the 0.8, 0.7 and 0.5 that it states for 150, 135 and 105 C.
Bundles: (29 - N) / 28 up to 15 wires, half from 16 on (SOURCES.md D12).
"""

import math
from typing import Final

import numpy as np

BASE_C: Final = 200.0
AROUND_C: Final = 70.0
# A worn piece under clothing: our own judgement.
WORN_C: Final = 40.0
# Gauge (AWG) and ampere.
_GAUGES: Final = (12.0, 14.0, 16.0, 18.0, 20.0, 22.0, 24.0, 26.0, 28.0, 30.0)
_AMPERES: Final = (25.0, 19.0, 13.0, 9.2, 6.5, 4.5, 3.3, 2.5, 1.8, 1.3)
# What insulations stand, C: usual ratings of hook-up wire, from memory.
INSULATIONS_C: Final = {
    "pvc": 80.0,
    "pvc-105": 105.0,
    "polyethylene": 75.0,
    "silicone": 180.0,
    "ptfe": 200.0,
    "enamel": 130.0,
}
DEFAULT_INSULATION: Final = "pvc"


def ampacity_ma(
    gauge_awg: float, insulation: str, bundle: int = 2, around_c: float = WORN_C
) -> float:
    """Steady current of one wire among ``bundle``, mA; between gauges by a straight line of the logarithm.

    ``around_c``: temperature around it, C. Thinner than 30 AWG it goes on with the slope of the last two; thicker than
    12 AWG the value of 12 AWG is a lower bound. Raises KeyError for an unknown insulation.
    """
    rise = max(INSULATIONS_C[insulation] - around_c, 0.0) / (BASE_C - AROUND_C)
    share = min(math.sqrt(rise), 1.0) * bundle_share(bundle)
    slope = math.log(_AMPERES[-1] / _AMPERES[-2]) / 2
    if gauge_awg > _GAUGES[-1]:
        base_a = _AMPERES[-1] * math.exp(slope * (gauge_awg - _GAUGES[-1]))
    else:
        base_a = math.exp(float(np.interp(gauge_awg, _GAUGES, np.log(_AMPERES))))
    return 1000.0 * base_a * share


def bundle_share(wires: int) -> float:
    """What is left of the current of a single wire where so many lie together."""
    if wires <= 1:
        return 1.0
    return (29 - wires) / 28 if wires <= 15 else 0.5
