"""Is the measured voltage a regulator's output? Seen where it stands still over a charge that moves any such cell.

A linear regulator gives way under the heavy draws first: then only the light ones still stand still, and in the
end neither does. Once seen it stays so, until the voltage has fallen for longer than it stood.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course, breaks
from analysis.forecast.chemistry_prior import (
    TYPICAL_RATE_PER_H,
    capacity_prior,
    curve_table,
    families,
)
from analysis.run.history import Bins, part
from logger.base.pack import Pack

Array = NDArray[np.float64]

_EARLY: Final = 0.25  # of the charge: a fresh cell's first drop is no evidence either way
_LEAST_V: Final = 0.015  # per cell: less would not show
_SEEN_SHARE: Final = 0.15
_PARTS: Final = 20
_UPPER: Final = 0.8  # quantile within a part: the light draws, where there are any
_LATCHED: Final = (
    1.0,
    0.9,
    0.8,
    0.7,
    0.6,
    0.5,
    0.4,
)  # of the charge so far: the voltage stood up to there
_FALLING_V: Final = 0.015  # below what it stood at: more than steps and noise of a sensor
_LATELY: Final = 0.1  # of the charge so far


@dataclass(frozen=True)
class Regulated:
    """``level_v``: the output; ``within_v``: how far it moved; ``still_mah``: charge over which it stood still.

    ``falling``: under the heavy draws it no longer does.
    """

    level_v: float
    within_v: float
    still_mah: float
    falling: bool

    @property
    def words(self) -> str:
        """The evidence."""
        within_mv = max(round(1e3 * self.within_v), 1)
        return f"{self.level_v:.2f} V within {within_mv} mV over {self.still_mah:.0f} mAh"


def regulated(bins: Bins, course: Course, pack: Pack, mean_ma: float) -> Regulated | None:
    """Evidence that the source is regulated (``bins``: the run so far, ``mean_ma`` its draw); None: none."""
    if not families(pack.chemistry):
        return None
    charge, upper_v = _upper(part(bins, ~breaks(bins)))
    for share in _LATCHED:
        use = charge <= share * bins.charge_mah[-1]
        if _stands(charge[use], upper_v[use], pack, mean_ma):
            return _evidence(bins, charge[use], upper_v[use])
    if _stands(course.charge_mah, course.held_v, pack, mean_ma):
        return _evidence(bins, course.charge_mah, course.held_v)
    return None


def _evidence(bins: Bins, charge: Array, volts: Array) -> Regulated:
    late_v = volts[charge >= _EARLY * charge[-1]]
    level_v = float(np.median(late_v))
    within_v = float(np.subtract(*np.quantile(late_v, (0.95, 0.05))))
    lately = bins.charge_mah >= (1 - _LATELY) * bins.charge_mah[-1]
    falling = float(np.quantile(bins.held_v[lately], 0.1)) < level_v - max(_FALLING_V, 2 * within_v)
    return Regulated(level_v, within_v, float(charge[-1]), falling)


def _upper(bins: Bins) -> tuple[Array, Array]:
    """Charge (mAh) and upper voltage (V) of parts of equal charge, each of shape (parts,)."""
    charge = bins.charge_mah
    if not len(charge):
        return np.empty(0), np.empty(0)
    edges = charge[0] + (charge[-1] - charge[0]) * np.linspace(0, 1, _PARTS + 1)[1:-1]
    pieces = np.split(np.arange(len(charge)), np.searchsorted(charge, edges, side="right"))
    rows = [
        (charge[piece].mean(), np.quantile(bins.held_v[piece], _UPPER))
        for piece in pieces
        if len(piece)
    ]
    return np.array([row[0] for row in rows]), np.array([row[1] for row in rows])


def _stands(charge: Array, volts: Array, pack: Pack, mean_ma: float) -> bool:
    """Whether it stands still over a charge (mAh) that would have moved even a large cell of this chemistry."""
    prior = capacity_prior(pack, mean_ma)
    large = prior.median_mah * float(np.exp(2 * prior.log_sd))
    if len(charge) < 4:
        return False
    late = charge >= _EARLY * charge[-1]
    if late.sum() < 4:
        return False
    slope, level = np.polyfit(charge[late], volts[late], 1)
    line_v = abs(float(slope)) * float(charge[late][-1] - charge[late][0])
    rest_v = volts[late] - level - slope * charge[late]
    seen = max(line_v, float(np.subtract(*np.quantile(rest_v, (0.9, 0.1))))) / pack.cells
    cell_v = float(np.median(volts[late][:3])) / pack.cells
    spent = np.array([0.0, float(charge[-1] - charge[late][0])])
    falls = []
    for family in families(pack.chemistry):
        knots, curve_v, _ = curve_table(family)
        drop_v = family.drop_v_h * (mean_ma / prior.median_mah - TYPICAL_RATE_PER_H)
        # from full, and from the depth at which such a cell stands at this voltage: the lesser fall
        begun = float(np.interp(-(cell_v + drop_v), -curve_v, knots))
        for first in (float(charge[late][0]) / large, begun):
            ends = np.interp(first + spent / large, knots, curve_v)
            falls.append(float(ends[0] - ends[1]))
    return min(falls) > _LEAST_V and seen < _SEEN_SHARE * min(falls)
