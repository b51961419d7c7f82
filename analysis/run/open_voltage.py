"""The resistance that steps of the load show, and the voltage behind it: what a better contact cannot raise."""

from typing import Final

import numpy as np

from analysis.run.history import Bins, part

_SUDDEN: Final = 0.1  # of the heavy current: a change from one bin to the next
_STEPS_LEAST: Final = 3
_LOOK: Final = 48  # bins on either side
_NEAR: Final = 4  # of them, whose voltages are compared


def stepped_ohm(bins: Bins, heavy_ma: float, least: int = 1) -> float | None:
    """Ohm from sudden changes of the current between neighbours (median); None: fewer than ``least`` of them."""
    change_ma = np.diff(bins.held_ma)
    sudden = np.abs(change_ma) > _SUDDEN * heavy_ma
    if int(sudden.sum()) < max(least, 1):
        return None
    ohms = -1e3 * np.diff(bins.held_v)[sudden] / change_ma[sudden]
    return max(float(np.median(ohms)), 0.0)


def open_rise(bins: Bins, at_s: float) -> float | None:
    """How much higher (share) the voltage behind the resistance stands after ``at_s`` than before it.

    A contact that comes right takes its resistance away and leaves this voltage as it was; another pack brings its
    own. None: the load was too steady on either side to show a resistance.
    """
    at = int((bins.end_s <= at_s).sum())
    before, after = part(bins, slice(max(at - _LOOK, 0), at)), part(bins, slice(at, at + _LOOK))
    levels = []
    for side in (before, after):
        heavy_ma = float(np.max(np.abs(side.held_ma), initial=0.0))
        ohm = stepped_ohm(side, heavy_ma, _STEPS_LEAST)
        if ohm is None:
            return None
        levels.append(side.held_v + ohm * side.held_ma / 1e3)
    before_v, after_v = float(np.median(levels[0][-_NEAR:])), float(np.median(levels[1][:_NEAR]))
    return after_v / before_v - 1 if before_v > 0 else None
