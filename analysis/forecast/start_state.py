"""How far was the pack emptied before the run began? What is believed before its course tells.

Cells out of a drawer or a charger are often, but far from always, full: part-used ones have a real
share. Judgement, no source. The first voltage under load tells more, allowing for how the cells of a
chemistry differ and for the drop at the load's rate.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.forecast.chemistry_prior import (
    TYPICAL_RATE_PER_H,
    CapacityPrior,
    curve_table,
    families,
    mode_table,
)
from logger.base.pack import Pack

Array = NDArray[np.float64]

DEPTHS: Final = np.array([0.0, 0.01, 0.025, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9])
_FULL: Final = np.array([0.60, 0.25, 0.10, 0.05])  # of the share that began full
# Share of packs that began full: nothing said; said to be fresh or freshly charged; said to be used before.
FULL_SHARE: Final = {None: 0.5, True: 0.93, False: 0.05}
_FULL_TO: Final = 0.05
_START_SD_V: Final = 0.02


def start_prior(fresh: bool | None) -> Array:
    """Probability of each of ``DEPTHS``: full with what was said of it, else anywhere."""
    weight = np.zeros(len(DEPTHS))
    full = DEPTHS <= _FULL_TO
    weight[full] = FULL_SHARE[fresh] * _FULL
    used = np.diff(
        np.append(0.5 * (DEPTHS[~full][1:] + DEPTHS[~full][:-1]), 0.97), prepend=_FULL_TO
    )
    weight[~full] = (1 - FULL_SHARE[fresh]) * used / used.sum()
    return weight


def start_belief(
    pack: Pack,
    prior: CapacityPrior,
    first_v: float,
    first_ma: float,
    fresh: bool | None,
    trust: float = 1.0,
) -> Array:
    """Probability of each of ``DEPTHS`` given the first loaded voltage (pack V) and current (mA).

    ``trust`` (0 to 1): how far the pack is of the chemistry whose curves tell a depth by the voltage.
    """
    volts = first_v / pack.cells
    likelihood = np.zeros(len(DEPTHS))
    for family in families(pack.chemistry):
        knots, typical, slope = curve_table(family)
        _, modes = mode_table(family)
        excess = first_ma / prior.median_mah - TYPICAL_RATE_PER_H
        here = np.interp(DEPTHS, knots, typical) - family.drop_v_h * excess
        along = sum(np.interp(DEPTHS, knots, mode) ** 2 for mode in modes) if len(modes) else 0.0
        sd = np.sqrt(
            family.slow_v**2
            + family.fine_v**2
            + (family.warp * np.minimum(np.abs(np.interp(DEPTHS, knots, slope)), 3.0)) ** 2
            + (family.start_v * np.exp(-DEPTHS / 0.03)) ** 2
            + (family.drop_spread * family.drop_v_h * excess) ** 2
            + _START_SD_V**2
            + along
        )
        z = (volts - here) / sd
        # heavy tails: no chemistry is known that well
        likelihood += family.weight * (1 + z**2 / 4) ** -2.5 / sd
    before = start_prior(fresh)
    if not trust > 0:
        return before
    weight = before * np.maximum(likelihood, 1e-12)
    return np.asarray(trust * weight / weight.sum() + (1 - trust) * before)
