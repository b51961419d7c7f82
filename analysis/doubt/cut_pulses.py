"""How much of a row's mean current is luck, pulses cut by conversions? The voltage's conversions tell.

The chip converts current and voltage by turns, without a pause: the mean over a window is exactly the mean of what
the current's halves held (M1) and the voltage's (M2). A row shows M1 and is off by e = (M1 - M2) / 2. Behind a source of
resistance R the voltage's halves give M2 = (E - V) / R, so that, E moving slowly,

    V / R + M1 = E / R + 2 e

rises and falls by 2 e from row to row, and not at all where the load itself changed.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Rows over which E is taken as a straight line, and the least number that tells anything.
_SMOOTH: Final = 21
_LEAST: Final = 42
# Noise goes no further than so many standard deviations.
_NOISE_MOST: Final = 4.0
# Of the slow part so much counts as luck in a percentile: the project's own figure.
_SLOW_SHARE: Final = 0.7


@dataclass(frozen=True)
class Luck:
    """``ma``: of each row, shape (n,), to be subtracted; ``is_told``: rows of which it is known. ``told``: how well the voltage tells it, 0 (not at all) to 1.

    ``left_ma``: standard deviation of what noise and slow luck leave in a row. ``rest_untold``: of the rows' spread without ``ma``,
    the share that may be luck as well, 0 to 1.
    """

    ma: Floats
    is_told: Mask
    told: float
    left_ma: float
    rest_untold: float


def luck_of(mean_ma: Floats, bus_v: Floats, ohm: float, noise_v: float) -> Luck:
    """Luck in rows of one level, each of shape (n,), in order of time.

    ``ohm``: from the ideal source to the load's side of the shunt; ``noise_v``: standard deviation of a row's voltage.
    By regression of the current on what the voltage shows, so that noise takes nothing off.
    """
    none = Luck(np.zeros_like(mean_ma), np.ones(len(mean_ma), dtype=bool), 0.0, 0.0, 1.0)
    if len(mean_ma) < _LEAST:
        return none
    seen_ma = _quick(1e3 * bus_v / ohm + mean_ma) / 2
    quick_ma = _quick(mean_ma)
    # No luck is greater than the current's own change: there E bends (a knee of the pack), and nothing is told.
    blur_ma = 1e3 * noise_v / ohm / 2
    bent = np.abs(seen_ma) > np.abs(quick_ma).max() + _NOISE_MOST * blur_ma
    straight = np.convolve(bent, np.ones(_SMOOTH), "same") < 0.5
    if straight.sum() < _LEAST:
        return none
    seen_ma = np.where(straight, seen_ma, 0.0)
    power, spread = float(seen_ma @ seen_ma), float(quick_ma @ quick_ma)
    if power <= 0 or spread <= 0:
        return none
    share = min(max(float(quick_ma @ seen_ma) / power, 0.0), 1.0)
    # What wanders slowly, in step with E, is luck or not: the voltage does not tell.
    slow_ma2 = max(0.0, float(np.var(mean_ma)) - spread / len(mean_ma))
    untold_ma2 = blur_ma**2 + slow_ma2
    told = max(0.0, 1 - untold_ma2 / (spread / len(mean_ma) + slow_ma2))
    luck_ma = share * seen_ma
    left_ma = float(np.linalg.norm([share * blur_ma, _SLOW_SHARE * np.sqrt(slow_ma2)]))
    rest_ma2 = float(np.var((mean_ma - luck_ma)[straight]))
    rest_untold = min(1.0, float(np.sqrt(untold_ma2 / rest_ma2))) if rest_ma2 > 0 else 0.0
    return Luck(luck_ma, straight, told, left_ma, rest_untold)


def _quick(values: Floats) -> Floats:
    """What differs from a straight line through the rows around; at both ends of the run as well, where a mean would lag."""
    return np.asarray(values - scipy.signal.savgol_filter(values, _SMOOTH, 1, mode="interp"))
