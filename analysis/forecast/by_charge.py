"""Sources that show nothing of their charge: recognised by their flat voltage, answered from the label.

A regulator, in the cell or behind the pack, or a power bank: only the stated capacity less the charge used tells
anything, and where nobody knows how full the source began, only a lower bound holds. A linear regulator gives way
under the heavy draws first: then only the light ones still stand still, and in the end neither does. Once seen it
stays so, until the voltage has fallen for longer than it stood.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course, breaks
from analysis.forecast.chemistry_prior import (
    CapacityPrior,
    capacity_prior,
    curve_table,
    depth_at,
    families,
)
from analysis.forecast.start_state import DEPTHS, start_prior
from analysis.run.history import Bins, part
from logger.base.pack import Pack

Array = NDArray[np.float64]

_EARLY: Final = 0.25  # of the charge: a fresh cell's first drop is no evidence either way
_LEAST_V: Final = 0.015  # per cell: less would not show
_SEEN_SHARE: Final = 0.15
_OUTER: Final = 2.0  # a recharge half-way is no regulator
_PARTS: Final = 20
_UPPER: Final = 0.8  # quantile within a part: the light draws, where there are any
# of the charge so far: the voltage stood up to there
_LATCHED: Final = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4)
_FALLING_V: Final = 0.015  # below what it stood at: more than steps and noise of a sensor
_LATELY: Final = 0.1  # of the charge so far
_DRAWS: Final = 20000
_DROPOUT_V: Final = 0.3  # most that a linear regulator needs above its output
_LINEAR: Final = 0.5  # of the belief
_LABEL_WRONG: Final = 0.15


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


def regulated(
    bins: Bins, course: Course, pack: Pack, mean_ma: float, temperature_c: float | None = None
) -> Regulated | None:
    """Evidence that the source is regulated (``bins``: the run so far, ``mean_ma`` its draw); None: none.

    ``temperature_c``: around the pack, where it was told.
    """
    if not families(pack.chemistry):
        return None
    prior = capacity_prior(pack, mean_ma, temperature_c)
    charge, upper_v = _upper(part(bins, ~breaks(bins)))
    for share in _LATCHED:
        use = charge <= share * bins.charge_mah[-1]
        if _stands(charge[use], upper_v[use], pack, prior, mean_ma):
            return _evidence(bins, charge[use], upper_v[use])
    if _stands(course.charge_mah, course.held_v, pack, prior, mean_ma):
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


def _stands(charge: Array, volts: Array, pack: Pack, prior: CapacityPrior, mean_ma: float) -> bool:
    """Whether it stands still over a charge (mAh) that would have moved even a large cell of this chemistry."""
    large = prior.median_mah * float(np.exp(2 * prior.log_sd))
    if len(charge) < 4:
        return False
    late = charge >= _EARLY * charge[-1]
    if late.sum() < 4:
        return False
    slope, level = np.polyfit(charge[late], volts[late], 1)
    line_v = abs(float(slope)) * float(charge[late][-1] - charge[late][0])
    rest_v = volts[late] - level - slope * charge[late]
    spread_v = float(np.subtract(*np.quantile(rest_v, (0.9, 0.1))))
    outer_v = float(np.subtract(*np.quantile(rest_v, (0.95, 0.05))))
    seen = max(line_v, spread_v, outer_v / _OUTER) / pack.cells
    cell_v = float(np.median(volts[late][:3])) / pack.cells
    spent = np.array([0.0, float(charge[-1] - charge[late][0])])
    falls = []
    for family in families(pack.chemistry):
        knots, curve_v, _ = curve_table(family)
        # from full, and from the depth at which such a cell stands at this voltage: the lesser fall
        begun = float(depth_at(family, cell_v, mean_ma, prior.median_mah))
        for first in (float(charge[late][0]) / large, begun):
            ends = np.interp(first + spent / large, knots, curve_v)
            falls.append(float(ends[0] - ends[1]))
    return min(falls) > _LEAST_V and seen < _SEEN_SHARE * min(falls)


def usable_share(
    pack: Pack, prior: CapacityPrior, level_v: float, mean_ma: float, rng: np.random.Generator
) -> Array:
    """Draws of the share of its charge that the pack gives before a regulator that holds ``level_v`` (pack V) lets go.

    A linear one needs up to 0.3 V more than it gives (low-dropout kinds; common practice, no source); one that
    boosts uses nearly all. Which it is nobody knows: half and half.
    """
    shares = np.ones(_DRAWS)
    pick = rng.integers(len(families(pack.chemistry)), size=_DRAWS)
    needed_v = (level_v + _DROPOUT_V * rng.random(_DRAWS)) / pack.cells
    for number, family in enumerate(families(pack.chemistry)):
        mine = (pick == number) & (rng.random(_DRAWS) < _LINEAR)
        shares[mine] = depth_at(family, needed_v[mine], mean_ma, prior.median_mah)
    return shares


def pack_left(
    pack: Pack,
    prior: CapacityPrior,
    used_mah: float,
    held: Regulated | None,
    heavy_ma: float,
    fresh: bool | None,
    rng: np.random.Generator,
) -> Array:
    """Draws of the charge left (mAh), sorted, of a power bank or of a pack behind a regulator (``held``)."""
    usable = None if held is None else usable_share(pack, prior, held.level_v, heavy_ma, rng)
    return charge_left(prior, used_mah, not families(pack.chemistry), fresh, rng, usable)


def charge_left(
    prior: CapacityPrior,
    used_mah: float,
    sure_full: bool,
    fresh: bool | None,
    rng: np.random.Generator,
    usable: Array | None = None,
) -> Array:
    """Draws of the charge left (mAh), sorted: stated capacity, how full it began, and what came out already.

    ``sure_full``: a source that is charged as a whole (power bank); ``usable``: draws of the share of a full charge
    that comes out (None: all). Empty where more came out than the label
    allows. Where the label may be wrong the moment is not special: left over used has the density 1 / (1 + x)^2.
    """
    full = np.exp(np.log(prior.median_mah) + prior.log_sd * rng.standard_normal(_DRAWS))
    if sure_full:
        return np.sort(full[full > used_mah] - used_mah)
    begun = rng.choice(DEPTHS, size=_DRAWS, p=start_prior(fresh))
    begun = np.clip(begun + 0.07 * (begun > 0.1) * rng.standard_normal(_DRAWS), 0.0, 0.97)
    left = full * ((1.0 if usable is None else usable) - begun) - used_mah
    left = left[left > 0]
    place = rng.random(round(_LABEL_WRONG * _DRAWS))
    left = np.concatenate([left, used_mah * (1 / place - 1)])
    return np.asarray(np.sort(left))
