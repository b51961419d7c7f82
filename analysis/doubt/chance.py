"""How far chance moves the greatest reading and a window's mean: noise, and pulses cut by conversions."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.doubt.pulsing import is_pulsing
from logger.base.sensor_limits import range_of_normal

Floats = NDArray[np.float64]

# Noise of one conversion at the chip's input, at most: no sheet limits it; the project's own figure.
_NOISE_MOST_V: Final = 10e-6
# How far the greatest of n readings strays about its middle, as a share of how far it is lifted (Gumbel's law at the
# n of a night), and how well the noise is known: the project's own figure for both together.
_LIFT_SPREAD: Final = 0.3
_ROWS_PICKED: Final = 100_000
# So many standard deviations to either side of a row there are others of the same true mean.
_REACH: Final = 2.0
_NEAREST: Final = 21
# More pulses than this in a window do not all meet its conversions alike: the project's own figure.
_PULSES_IN_STEP: Final = 5.0


@dataclass(frozen=True)
class Rows:
    """Columns of a run's rows, each of shape (n,): mean, least and greatest current in mA, conversions."""

    mean_ma: Floats
    least_ma: Floats
    most_ma: Floats
    conversions: Floats

    def some(self) -> "Rows":
        """A hundred thousand of them, evenly picked: they tell a median as well as all do."""
        step = max(1, len(self.mean_ma) // _ROWS_PICKED)
        columns = (self.mean_ma, self.least_ma, self.most_ma, self.conversions)
        return Rows(*(column[::step] for column in columns))


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
    """Where the true means lie that rows around a value show: ``middle_ma`` of those rows, and their scatter, mA."""

    middle_ma: float
    scatter_ma: float


def level_around(
    value_ma: float,
    rows: Rows,
    noise_ma: float,
    shunt_ohm: float,
    between_ma2: float | None,
) -> Level:
    """Rows that may be of one true mean with ``value_ma``, by how far chance can throw a row's mean.

    Half of the time goes to the voltage's conversions, so that an edge of J mA is misplaced by up to a conversion's
    length T, uniformly: J T / sqrt(12), root n for n edges of a window. With the variogram of edges at the lag T,
    g = n J^2 T / 2 per window (``pulsing``), that is sqrt(g / (12 conversions)) of the window's mean; a few pulses may all meet the conversions alike, which
    takes the root away. Where bursts
    did not measure g it is no more than (greatest - mean)(mean - least). ``between_ma2``: g over the run, by bursts;
    ``noise_ma``: standard deviation of one conversion, at most.
    """
    spread_ma2 = np.clip((rows.most_ma - rows.mean_ma) * (rows.mean_ma - rows.least_ma), 0, None)
    usual = float(spread_ma2.mean())
    off_ma = np.abs(rows.mean_ma - value_ma)
    nearest = min(len(off_ma), _NEAREST) - 1
    near = off_ma <= np.partition(off_ma, nearest)[nearest]
    count = max(float(np.median(rows.conversions)), 2.0)
    cut_ma2 = float(np.median(spread_ma2[near]))
    if is_pulsing((rows.most_ma - rows.least_ma)[near], shunt_ohm).mean() <= 0.5:
        cut_ma2 = 0.0
    elif between_ma2 is not None and usual > 0:
        cut_ma2 = min(cut_ma2, between_ma2 * cut_ma2 / usual)
    quiet_ma = 2 * np.minimum(rows.most_ma - rows.mean_ma, rows.mean_ma - rows.least_ma)[near]
    noise_ma = min(noise_ma, max(float(np.median(quiet_ma)), 0.0) / range_of_normal(count))
    span_ma = float(np.median((rows.most_ma - rows.least_ma)[near]))
    pulses = 2 * count * cut_ma2 / max(span_ma, 1e-12) ** 2
    in_step = min(max(pulses, 1.0), _PULSES_IN_STEP)
    row_ma = math.sqrt(in_step * cut_ma2 / (12 * count) + noise_ma**2 / count)
    middle_ma, scatter_ma = value_ma, 0.0
    for _ in range(2):
        alike = rows.mean_ma[np.abs(rows.mean_ma - middle_ma) <= _REACH * row_ma]
        if len(alike) < 2:
            break
        middle_ma, scatter_ma = float(np.median(alike)), float(np.std(alike))
    return Level(middle_ma, min(scatter_ma, row_ma))
