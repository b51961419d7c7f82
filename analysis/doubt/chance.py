"""How far chance moves the greatest reading and a window's mean: noise, and pulses cut by conversions."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.doubt.cut_pulses import Chance, Luck, Resistance, luck_of
from analysis.doubt.pulsing import is_pulsing
from logger.base.sensor_limits import range_of_normal

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Noise of one conversion at the chip's input, at most: no sheet limits it; the project's own figure.
_NOISE_MOST_V: Final = 10e-6
# How far the greatest of n readings strays about its middle, as a share of how far it is lifted (Gumbel's law at the
# n of a night), and how well the noise is known: the project's own figure for both together.
_LIFT_SPREAD: Final = 0.3
_ROWS_PICKED: Final = 100_000
# So many standard deviations to either side of a row there are others of the same true mean.
_REACH: Final = 2.0
# Of the scatter of rows that may be of one true mean, what a percentile among them may be off by: the project's own figure.
_LEVEL_SHARE: Final = 0.5
# Of what was taken off as luck an uncertain resistance leaves: the project's own figure.
_TAKEN_SHARE: Final = 0.15
# Rows so many standard deviations apart may still be of one true mean.
_ALIKE: Final = 3.0
# No resistance is known better, as a relative standard uncertainty.
_SHARE_LEAST: Final = 0.02
# Of what the voltage shows, so much at most may be false luck: the project's own figure.
_FALSE_MOST: Final = 0.25
# The voltage must tell the luck of so many of the rows.
_TOLD_LEAST: Final = 0.5
_NEAREST: Final = 21
# More pulses than this in a window do not all meet its conversions alike: the project's own figure.
_PULSES_IN_STEP: Final = 5.0


@dataclass(frozen=True)
class Rows:
    """Columns of a run's rows, each of shape (n,): mean, least and greatest current in mA, conversions, bus voltage (None: not recorded)."""

    mean_ma: Floats
    least_ma: Floats
    most_ma: Floats
    conversions: Floats
    bus_v: Floats | None = None

    def some(self) -> "Rows":
        """A hundred thousand of them, evenly picked: they tell a median as well as all do."""
        step = max(1, len(self.mean_ma) // _ROWS_PICKED)
        return Rows(
            self.mean_ma[::step],
            self.least_ma[::step],
            self.most_ma[::step],
            self.conversions[::step],
            None if self.bus_v is None else self.bus_v[::step],
        )


def lift_of_greatest_ma(rows: Rows, noise_ma: float, shunt_ohm: float) -> tuple[float, float]:
    """How far noise lifts the greatest of all conversions over the highest level, and how far off that may be; mA.

    ``noise_ma``: standard deviation of one conversion, at most. The lift is the normal quantile of 1 - 1 / n, n being
    the conversions at the top: their share is (mean - least) / (greatest - least) of a load of two levels.
    """
    noise_ma = min(noise_ma, 1e3 * _NOISE_MOST_V / shunt_ohm)
    low, high = float(rows.least_ma.min()), float(rows.most_ma.max())
    share = np.clip((rows.mean_ma - low) / max(high - low, 1e-12), 0.0, 1.0)
    at_top = max(float(rows.conversions @ share), 3.0)
    lift_ma = float(scipy.special.ndtri(1 - 1 / at_top)) * noise_ma
    return lift_ma, _LIFT_SPREAD * lift_ma


@dataclass(frozen=True)
class Level:
    """Where a percentile of the true means lies by rows around the one that was read, mA.

    ``value_ma``, by ``less_ma`` to ``more_ma`` off, which nothing tells; ``scatter_ma``: its standard uncertainty by chance.
    """

    value_ma: float
    less_ma: float
    more_ma: float
    scatter_ma: float


@dataclass(frozen=True)
class Luckless:
    """What tells luck from change. ``between_ma2``: g over the run, by bursts; ``source``: resistance up to the load's side
    of the shunt. None: not known.

    ``noise_ma``: standard deviation of one conversion, at most.
    """

    shunt_ohm: float
    noise_ma: float
    between_ma2: float | None
    source: Resistance | None


def level_around(read_ma: float, rows: Rows, known: Luckless) -> Level:
    """A percentile of the true means where the rows' is ``read_ma``: chance drives the outer ones apart.

    The voltage tells what is luck (``cut_pulses``). Where it cannot, the true percentile lies anywhere from theirs to
    the middle of the rows that may be of one true mean (``row_chance``).
    """
    chance = row_chance(read_ma, rows, known)
    # Both edges of a pulse at their worst at once is the most; by themselves they are cut one by one.
    usual_ma = chance.most_ma / math.sqrt(2.0)
    return _told(read_ma, rows, known, chance) or _untold(read_ma, rows.mean_ma, usual_ma)


def _untold(read_ma: float, mean_ma: Floats, chance_ma: float) -> Level:
    reach = _REACH * chance_ma
    middle_ma = read_ma
    alike = np.zeros(len(mean_ma), dtype=bool)
    for _ in range(2):
        alike = np.abs(mean_ma - middle_ma) <= reach
        if alike.sum() < 2:
            return Level(read_ma, *_beside(read_ma, mean_ma), 0.0)
        middle_ma = float(np.median(mean_ma[alike]))
    shift_ma = (middle_ma - read_ma) / 2
    scatter_ma = _LEVEL_SHARE * min(float(np.std(mean_ma[alike])), chance_ma)
    less_ma, more_ma = (abs(shift_ma) + row_ma for row_ma in _beside(read_ma, mean_ma))
    return Level(read_ma + shift_ma, less_ma, more_ma, scatter_ma)


def _beside(value_ma: float, mean_ma: Floats) -> tuple[float, float]:
    """To the next row below and above: between modes a row more or less is another percentile."""
    below, above = mean_ma[mean_ma < value_ma], mean_ma[mean_ma > value_ma]
    less_ma = value_ma - float(below.max()) if len(below) else 0.0
    return less_ma, float(above.min()) - value_ma if len(above) else 0.0


def _told(read_ma: float, rows: Rows, known: Luckless, chance: Chance) -> Level | None:
    """The percentile of the rows without what the voltage tells of their luck; None where it does not."""
    if known.source is None or rows.bus_v is None or chance.likely_ma <= 0:
        return None
    found = _alike(np.abs(rows.mean_ma - read_ma), rows.mean_ma, rows.bus_v, known.source, chance)
    if found is None:
        return None
    near, luck = found
    # Rows of which it is not told stay as they are: left out, they would shift the percentile into a gap between modes.
    without_ma = rows.mean_ma.copy()
    without_ma[near] -= luck.ma
    place = float((rows.mean_ma <= read_ma).mean())
    value_ma = float(np.quantile(without_ma, place, method="inverted_cdf"))
    beside_ma = _beside(value_ma, without_ma)
    taken_ma = _TAKEN_SHARE * abs(read_ma - value_ma)
    if luck.left_ma <= 0:
        return Level(value_ma, *beside_ma, taken_ma)
    # What is left drives them apart as well: variances around the middle of those that may be alike.
    middle_ma, share = value_ma, 1.0
    for _ in range(2):
        alike = np.abs(without_ma - middle_ma) <= _ALIKE * luck.left_ma
        if alike.sum() < 2:
            break
        middle_ma = float(np.median(without_ma[alike]))
        share = math.sqrt(max(0.0, 1 - luck.left_ma**2 / float(np.var(without_ma[alike]))))
    value_ma = middle_ma + share * (value_ma - middle_ma)
    # Between rows of one mean and rows that differ more than by what is left.
    return Level(value_ma, *beside_ma, math.hypot((1 + share) / 2 * luck.left_ma, taken_ma))


def _alike(
    off_ma: Floats, mean_ma: Floats, bus_v: Floats, source: Resistance, chance: Chance
) -> tuple[Mask, Luck] | None:
    """Rows whose luck the voltage tells together, and it; None: it tells none. ``off_ma``: how far off each row is.

    All that are near enough where the load's own changes among them make little false luck by the resistance's error;
    else those that may be of one true mean, though rows chosen by what luck made of them hide some of it.
    """
    wide_ma = 2 * chance.most_ma / max(source.share, _SHARE_LEAST)
    few_ma = _REACH * chance.most_ma / math.sqrt(2.0)
    for reach_ma, false_most in ((wide_ma, _FALSE_MOST), (few_ma, math.inf)):
        near = off_ma <= reach_ma
        luck = luck_of(mean_ma[near], bus_v[near], source, chance)
        if luck and luck.is_told.mean() >= _TOLD_LEAST and luck.false_share <= false_most:
            return near, luck
    return None


def row_chance(read_ma: float, rows: Rows, known: Luckless) -> Chance:
    """How far chance throws a row's mean around ``read_ma``.

    Half of the time goes to the voltage's conversions, so that an edge of J mA is misplaced by up to a conversion's
    length T, uniformly: J T / sqrt(12), root n for n edges of a window. With the variogram of edges at the lag T,
    g = n J^2 T / 2 per window (``pulsing``), that is sqrt(g / (12 conversions)) of the window's mean; a few pulses may
    all meet the conversions alike, which takes the root away. Where bursts did not measure g it is no more than
    (greatest - mean)(mean - least).
    """
    spread_ma2 = np.clip((rows.most_ma - rows.mean_ma) * (rows.mean_ma - rows.least_ma), 0, None)
    usual_ma2 = float(spread_ma2.mean())
    off_ma = np.abs(rows.mean_ma - read_ma)
    nearest = min(len(off_ma), _NEAREST) - 1
    near = off_ma <= np.partition(off_ma, nearest)[nearest]
    span_ma = (rows.most_ma - rows.least_ma)[near]
    count = max(float(np.median(rows.conversions)), 2.0)
    cut_ma2 = float(np.median(spread_ma2[near]))
    if is_pulsing(span_ma, known.shunt_ohm).mean() <= 0.5:
        cut_ma2 = 0.0
    elif known.between_ma2 is not None and usual_ma2 > 0:
        cut_ma2 = min(cut_ma2, known.between_ma2 * cut_ma2 / usual_ma2)
    quiet_ma = 2 * np.minimum(rows.most_ma - rows.mean_ma, rows.mean_ma - rows.least_ma)[near]
    noise_ma = max(float(np.median(quiet_ma)), 0.0) / range_of_normal(count)
    noise_ma = min(known.noise_ma, noise_ma)
    pulses = 2 * count * cut_ma2 / max(float(np.median(span_ma)), 1e-12) ** 2
    in_step = 2 * min(max(pulses, 0.5), _PULSES_IN_STEP)
    cut = cut_ma2 / (12 * count)
    return Chance(math.sqrt(cut), math.sqrt(in_step * cut + noise_ma**2 / count))
