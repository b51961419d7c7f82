"""How much of a row's mean current is luck, pulses cut by conversions? The voltage's conversions tell.

The chip converts current and voltage by turns, without a pause: the mean over a window is exactly the mean of what
the current's halves held (M1) and the voltage's (M2). A row shows M1 and is off by e = (M1 - M2) / 2. Behind a source of
resistance R the voltage's halves give M2 = (E - V) / R, so that, E moving slowly,

    V / R + M1 = E / R + 2 e

rises and falls by 2 e from row to row, and not at all where the load itself changed.
"""

import math
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Rows over which E is taken as a parabola (a straight line is far off where a pack's curve bends), and the least number
# that tells anything.
_SMOOTH: Final = 21
_DEGREE: Final = 2
_LEAST: Final = 42
# Of the variance of what is different in every row such a parabola leaves so much: one less its weight in the middle, m rows
# to either side (Savitzky and Golay's own formula).
_HALF: Final = _SMOOTH // 2
_KEPT: Final = 1 - 3 * (3 * _HALF**2 + 3 * _HALF - 1) / (
    (2 * _HALF + 3) * (2 * _HALF + 1) * (2 * _HALF - 1)
)
# Luck goes no further than so many standard deviations at most,
_LUCK_MOST: Final = 2.0
# and noise and luck of every row never to so many times their median.
_USUAL_MOST: Final = 6.0
_PARTS: Final = 10
# Twice the mean of the upper half of a standard normal distribution (2 phi(0) 2 = 1.596).
_CUT: Final = 1.6
# What lies so many standard uncertainties over what was found is not there.
_SURE: Final = 3.0


@dataclass(frozen=True)
class Chance:
    """How far chance throws a row's mean, standard deviations in mA: ``likely_ma`` where its pulses are cut one by one,
    ``most_ma`` where all are cut alike, noise of the current with it."""

    likely_ma: float
    most_ma: float


@dataclass(frozen=True)
class Resistance:
    """Resistance from the ideal source to the load's side of the shunt, with its relative standard uncertainty."""

    ohm: float
    share: float


@dataclass(frozen=True)
class Luck:
    """``ma``: of each row, shape (n,), to be subtracted; ``is_told``: rows of which it is known.

    ``left_ma``: standard deviation of the luck that is then left in a row. ``false_share``: of what the voltage shows, how
    much may be the load's own changes by a wrong resistance (an error d makes d / 2 of a change look like luck).
    """

    ma: Floats
    is_told: Mask
    left_ma: float
    false_share: float


def luck_of(mean_ma: Floats, bus_v: Floats, source: Resistance, chance: Chance) -> Luck | None:
    """Luck in rows, each of shape (n,), in order of time; None where the rows do not tell.

    By regression of the current on what the voltage shows, so that noise takes nothing off: of what is seen with
    variance s^2 the share b that goes along with the current is luck, b s^2, the rest noise, and b (1 - b) s^2 is the
    variance that is left of the luck.
    """
    if len(mean_ma) < _LEAST or chance.likely_ma <= 0:
        return None
    seen_ma = _quick(1e3 * bus_v / source.ohm + mean_ma) / 2
    quick_ma = _quick(mean_ma)
    straight = _straight(seen_ma, chance)
    count = int(straight.sum())
    if count < _LEAST:
        return None
    seen_ma = np.where(straight, seen_ma, 0.0)
    power, spread = float(seen_ma @ seen_ma) / count, float(quick_ma @ quick_ma) / len(quick_ma)
    if power <= 0 or spread <= 0:
        return None
    found, unsure = _along(quick_ma[straight], seen_ma[straight])
    # By a wrong resistance the load's own changes go along as well.
    unsure = min(math.hypot(unsure, source.share / 2 * spread / power), 1.0)
    # No share is less than none: about the mean of a normal distribution cut at 0.
    share = min((found + math.hypot(found, _CUT * unsure)) / 2, 1.0)
    # The luck is what pulses make of it, unless the voltage tells of less.
    most_ma2 = max(found + _SURE * unsure, 0.0) * power / _KEPT
    luck_ma2 = max(share * power / _KEPT, min(chance.likely_ma**2, most_ma2))
    false_ma2 = (source.share / 2) ** 2 * spread
    left_ma2 = luck_ma2 * (1 - share * _KEPT) + unsure**2 * power + share * min(false_ma2, power)
    # What wanders slowly, in step with E, is luck or not: the voltage does not tell. Where quick luck falls short of what
    # pulses do, it may be slow, and then all of a window's pulses are cut alike.
    missing = max(0.0, 1 - luck_ma2 / chance.likely_ma**2)
    slow_ma2 = min(max(0.0, float(np.var(mean_ma)) - spread / _KEPT), missing * chance.most_ma**2)
    left_ma = math.sqrt(left_ma2 + slow_ma2)
    return Luck(share * seen_ma, straight, left_ma, math.sqrt(false_ma2 / power))


def _along(quick_ma: Floats, seen_ma: Floats) -> tuple[float, float]:
    """Share of ``seen_ma`` that goes along with ``quick_ma``, and its standard uncertainty.

    By parts of the run, as pulses keep a rhythm: rows are far from independent (cluster-robust variance of a slope).
    """
    power = float(seen_ma @ seen_ma)
    found = float(quick_ma @ seen_ma) / power
    parts = np.array_split((quick_ma - found * seen_ma) * seen_ma, _PARTS)
    spread = float(np.std([part.sum() for part in parts], ddof=1))
    return found, spread * _PARTS**0.5 / power


def _straight(seen_ma: Floats, chance: Chance) -> Mask:
    """Rows where E does not bend more than a parabola (a knee of the pack): what is seen there is more than luck can be."""
    most_ma = max(_LUCK_MOST * chance.most_ma, _USUAL_MOST * float(np.median(np.abs(seen_ma))))
    bent = np.abs(seen_ma) > most_ma
    return np.asarray(np.convolve(bent, np.ones(_SMOOTH), "same") < 0.5)


def _quick(values: Floats) -> Floats:
    """What differs from a parabola through the rows around; at both ends of the run as well, where a mean would lag.

    Savitzky & Golay 1964, Analytical Chemistry 36:1627; scipy.signal has it and judges this in the tests, but reckons
    the weights anew each time, and its import takes as long as a hundred short runs.
    """
    weights, half = _parabola(), _HALF
    smooth = np.empty_like(values)
    smooth[half:-half] = np.convolve(values, weights[half], "valid")
    smooth[:half] = weights[:half] @ values[:_SMOOTH]
    smooth[-half:] = weights[-half:] @ values[-_SMOOTH:]
    return values - smooth


@cache
def _parabola() -> Floats:
    """Weights of the rows around by which a parabola through them gives its value at each, shape (rows, rows)."""
    places = np.linspace(-1, 1, _SMOOTH)
    basis = np.linalg.qr(np.vander(places, _DEGREE + 1)).Q
    return np.asarray(basis @ basis.T)
