"""Sources that show nothing of their charge: recognised by their flat voltage, answered from the label.

A regulator in the cell, a power bank: then only the stated capacity less the charge used tells anything, and
where nobody knows how full the source began, only a lower bound holds.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course
from analysis.forecast.chemistry_prior import (
    TYPICAL_RATE_PER_H,
    CapacityPrior,
    capacity_prior,
    curve_table,
    families,
)
from analysis.forecast.start_state import DEPTHS, start_prior
from logger.base.pack import Pack

Array = NDArray[np.float64]

_EARLY: Final = 0.25  # of the charge: a fresh cell's first drop is no evidence either way
_LEAST_V: Final = 0.015  # per cell: less would not show
_SEEN_SHARE: Final = 0.15
_DRAWS: Final = 20000
_LABEL_WRONG: Final = 0.15


def looks_regulated(course: Course, pack: Pack, mean_ma: float) -> bool:
    """Voltage stands still over a charge that would have moved even a large cell of this chemistry.

    Judged on the whole run so far, load changes and contact faults taken out: it stays so until the
    voltage does fall.
    """
    if not families(pack.chemistry):
        return False
    prior = capacity_prior(pack, mean_ma)
    large = prior.median_mah * float(np.exp(2 * prior.log_sd))
    charge = course.charge_mah
    late = charge >= _EARLY * charge[-1]
    if late.sum() < 4:
        return False
    slope, level = np.polyfit(charge[late], course.held_v[late], 1)
    line_v = abs(float(slope)) * float(charge[late][-1] - charge[late][0])
    rest_v = course.held_v[late] - level - slope * charge[late]
    seen = max(line_v, float(np.subtract(*np.quantile(rest_v, (0.9, 0.1))))) / pack.cells
    cell_v = float(np.median(course.held_v[late][:3])) / pack.cells
    spent = np.array([0.0, float(charge[-1] - charge[late][0])])
    falls = []
    for family in families(pack.chemistry):
        knots, volts, _ = curve_table(family)
        drop_v = family.drop_v_h * (mean_ma / prior.median_mah - TYPICAL_RATE_PER_H)
        # from full, and from the depth at which such a cell stands at this voltage: the lesser fall
        begun = float(np.interp(-(cell_v + drop_v), -volts, knots))
        for first in (float(charge[late][0]) / large, begun):
            ends = np.interp(first + spent / large, knots, volts)
            falls.append(float(ends[0] - ends[1]))
    return min(falls) > _LEAST_V and seen < _SEEN_SHARE * min(falls)


def charge_left(
    prior: CapacityPrior,
    used_mah: float,
    sure_full: bool,
    fresh: bool | None,
    rng: np.random.Generator,
) -> Array:
    """Draws of the charge left (mAh), sorted: stated capacity, how full it began, and what came out already.

    ``sure_full``: a source that is charged as a whole (power bank). Empty where more came out than the label
    allows. Where the label may be wrong the moment is not special: left over used has the density 1 / (1 + x)^2.
    """
    full = np.exp(np.log(prior.median_mah) + prior.log_sd * rng.standard_normal(_DRAWS))
    if sure_full:
        return np.sort(full[full > used_mah] - used_mah)
    begun = rng.choice(DEPTHS, size=_DRAWS, p=start_prior(fresh))
    begun = np.clip(begun + 0.07 * (begun > 0.1) * rng.standard_normal(_DRAWS), 0.0, 0.97)
    left = full * (1 - begun) - used_mah
    left = left[left > 0]
    if fresh is not True:
        place = rng.random(round(_LABEL_WRONG * _DRAWS))
        left = np.concatenate([left, used_mah * (1 / place - 1)])
    return np.asarray(np.sort(left))
