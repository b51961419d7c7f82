"""Dips that come back: a contact fault pulls the voltage down suddenly, and up again to where it was."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.run.history import Bins

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_FALL: Final = 0.04  # of the voltage, from one bin to the next but one
_BACK: Final = 0.35  # of the dip may be missing after it: the pack went on emptying
_LONGEST_S: Final = 1500.0
_LONGEST_SHARE: Final = 0.06  # of the run so far
_AROUND: Final = 3
_MORE_CURRENT: Final = 1.15


def dips(bins: Bins) -> Mask:
    """Bins in which a bad contact, not the pack, pulled the held voltage down, shape (n,).

    A dip begins with a sudden fall without more current and ends with a sudden rise to the level of before
    (less what the pack lost meanwhile), within ``_LONGEST_S`` or a small part of the run.
    """
    volts, current, time_s = bins.held_v, bins.held_ma, bins.end_s
    count = len(volts)
    bad = np.zeros(count, dtype=bool)
    if count < 2 * _AROUND + 2:
        return bad
    usual = np.abs(np.diff(volts))
    sudden = max(6 * float(np.median(usual)), 0.0)
    longest_s = max(_LONGEST_S, _LONGEST_SHARE * float(time_s[-1] - time_s[0]))
    fall = volts[:-1] - volts[1:]
    for at in (np.flatnonzero(fall > np.maximum(_FALL / 2 * volts[:-1], sudden)) + 1).tolist():
        if bad[at]:
            continue
        before = slice(max(at - _AROUND, 0), at)
        sound = ~bad[before]
        if not sound.any():
            continue
        level = float(np.median(volts[before][sound]))
        size_ma = float(np.max(current[before][sound]))
        low = volts[at:] < (1 - _FALL) * level
        # the fall may spread over two bins
        first = int(np.argmax(low[:2])) if low[:2].any() else -1
        if first < 0:
            continue
        up = np.flatnonzero(~low[first:])
        if not len(up):
            continue
        end = at + first + int(up[0])
        if time_s[end] - time_s[at - 1] > longest_s:
            continue
        inside, after = slice(at, end), slice(end, min(end + _AROUND, count))
        if float(np.median(current[inside])) > _MORE_CURRENT * size_ma + 0.5:
            continue
        depth = level - float(volts[inside].min())
        same_load = float(np.median(current[after])) >= size_ma / _MORE_CURRENT - 0.5
        if same_load and float(np.median(volts[after])) > level - _BACK * depth:
            bad[inside] = True
    return bad
