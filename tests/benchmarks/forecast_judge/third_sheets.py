"""Open voltage of the third sealed set's cells: points of makers' sheets, all from memory.

Whoever works on the forecast does not read on. Read off the curves of light loads, so about at
rest, and drawn anew for every make. Levels and ends agree with SOURCES.md B10, B20 and B24.
"""

import numpy as np
from numpy.random import Generator

from .third_cells import Sheet

Points = tuple[tuple[float, float], ...]

# Lithium manganese dioxide, spirally wound (CR2): 3.2 V, about 2.95 V, empty at 2.0 V.
MANGANESE: Points = (
    (0.0, 3.25), (0.02, 3.10), (0.08, 3.01), (0.3, 2.97), (0.55, 2.91), (0.75, 2.81), (0.88, 2.63),
    (0.95, 2.36), (1.0, 1.90), (1.04, 0.90), (1.1, 0.0),
)  # fmt: skip
# Alkaline manganese: 1.6 V, slopes to 0.9 V; shape as the loaded one of SOURCES.md B19, with its drop.
ALKALINE: Points = (
    (0.0, 1.61), (0.05, 1.53), (0.15, 1.46), (0.3, 1.39), (0.5, 1.32), (0.7, 1.25), (0.85, 1.17),
    (0.94, 1.05), (1.0, 0.85), (1.06, 0.25), (1.1, -0.1),
)  # fmt: skip
# Nickel-metal hydride of low self-discharge; turned by its neighbours it stays at about -0.2 V.
NIMH: Points = (
    (0.0, 1.42), (0.03, 1.36), (0.1, 1.315), (0.25, 1.290), (0.5, 1.275), (0.7, 1.262), (0.85, 1.24),
    (0.93, 1.205), (0.98, 1.10), (1.0, 0.95), (1.03, 0.20), (1.06, -0.2),
)  # fmt: skip
# Sodium-ion, layered oxide against hard carbon: slopes from 3.95 to 1.6 V.
SODIUM: Points = (
    (0.0, 3.95), (0.08, 3.62), (0.2, 3.40), (0.35, 3.22), (0.5, 3.06), (0.65, 2.88), (0.8, 2.65),
    (0.9, 2.42), (0.96, 2.15), (1.0, 1.70), (1.04, 0.80), (1.1, 0.0),
)  # fmt: skip
# Lithium titanate against manganese spinel: 2.5 V, flat, then the knee.
TITANATE_SPINEL: Points = (
    (0.0, 2.72), (0.04, 2.59), (0.3, 2.53), (0.5, 2.49), (0.8, 2.43), (0.93, 2.33), (0.98, 2.08),
    (1.0, 1.65), (1.03, 0.70), (1.1, 0.0),
)  # fmt: skip
# Lithium titanate against nickel-manganese-cobalt oxide: 2.7 to 2.1 V, then the knee.
TITANATE_NMC: Points = (
    (0.0, 2.74), (0.1, 2.57), (0.25, 2.43), (0.45, 2.31), (0.65, 2.23), (0.85, 2.16), (0.94, 2.08),
    (0.98, 1.90), (1.0, 1.55), (1.03, 0.70), (1.1, 0.0),
)  # fmt: skip
# Lithium thionyl chloride, bobbin: 3.67 V, flat to the knee.
THIONYL: Points = (
    (0.0, 3.67), (0.5, 3.655), (0.85, 3.62), (0.93, 3.52), (0.97, 3.20), (1.0, 2.60), (1.03, 1.20),
    (1.1, 0.0),
)  # fmt: skip
# Cobalt oxide against graphite (pouch).
COBALT: Points = (
    (0.0, 4.19), (0.05, 4.10), (0.15, 3.99), (0.3, 3.88), (0.45, 3.80), (0.6, 3.75), (0.75, 3.70),
    (0.85, 3.65), (0.92, 3.55), (0.97, 3.35), (1.0, 3.00), (1.03, 2.20), (1.1, 0.5),
)  # fmt: skip
# Nickel-cobalt-aluminium oxide against graphite with silicon (18650): falls nearly in a line.
NCA: Points = (
    (0.0, 4.18), (0.1, 4.03), (0.25, 3.88), (0.4, 3.73), (0.55, 3.60), (0.7, 3.48), (0.82, 3.36),
    (0.92, 3.18), (0.97, 3.00), (1.0, 2.60), (1.02, 2.00), (1.1, 0.5),
)  # fmt: skip
# Nickel-zinc: 1.85 V just charged, 1.7 V, sharp end.
NICKEL_ZINC: Points = (
    (0.0, 1.86), (0.03, 1.78), (0.1, 1.735), (0.4, 1.705), (0.7, 1.675), (0.88, 1.63), (0.95, 1.54),
    (0.985, 1.30), (1.0, 1.00), (1.03, 0.15), (1.06, -0.1),
)  # fmt: skip


def of_a_make(rng: Generator, points: Points, apart_v: float) -> Sheet:
    """The points as another make has them: moved, tilted, with its bends at other depths; it falls.

    `apart_v`: standard deviation of the level between makes. Depth 0 and 1 stay.
    """
    move_v, tilt_v = rng.normal(0, apart_v), abs(rng.normal(0, 1.5 * apart_v))
    bend = float(np.exp(rng.normal(0, 0.08)))
    moved = []
    for share, volts in points:
        at = 1 - (1 - share) ** bend if share < 1 else share
        moved.append((at, volts + (move_v + tilt_v * (0.5 - at) if share <= 1 else 0.0)))
    return Sheet(tuple(moved))
