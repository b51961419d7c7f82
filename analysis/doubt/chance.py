"""How far chance moves the greatest reading and a window's mean: noise, and pulses cut by conversions."""

import math
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.doubt.limits import Limits
from analysis.doubt.pulsing import is_pulsing

Floats = NDArray[np.float64]

# Noise of one conversion in the sensor's steps, at most: no sheet limits it; the project's own figure.
_NOISE_STEPS_MOST: Final = 1.5
_ROWS_PICKED: Final = 100_000


def lift_of_greatest_ma(limits: Limits, row_noise_ma: float, conversions: Floats) -> float:
    """How far noise lifts the greatest of all conversions: the normal quantile of 1 - 1 / n.

    ``row_noise_ma``: standard deviation of a row's mean; ``conversions``: of each row, shape (n,).
    """
    usual = float(np.median(conversions[:: max(1, len(conversions) // _ROWS_PICKED)]))
    one_ma = row_noise_ma * math.sqrt(usual)
    one_ma = min(one_ma, _NOISE_STEPS_MOST * limits.full_step_ma)
    return float(scipy.special.ndtri(1 - 1 / max(float(conversions.sum()), 2.0))) * one_ma


def row_scatter_ma(
    limits: Limits | None,
    seen_ma: float,
    value_ma: float,
    columns: tuple[Floats, Floats, Floats],
    conversions: Floats,
    *,
    fast: bool,
) -> float:
    """How far a window's mean around ``value_ma`` lies off by chance, at most.

    Rows that differ (``seen_ma``) may do so because the load does. Where few pulses lie in a window each is seen
    to within a conversion's pair at its edges, uniformly: (highest - lowest) x pair / window / sqrt(12) x sqrt(2).
    ``columns``: mean, least and greatest of each row, shape (n,). ``fast``: the load pulses within conversions.
    """
    # A hundred thousand rows, evenly picked, tell a median as well as all do.
    mean, low, high = (column[:: max(1, len(column) // _ROWS_PICKED)] for column in columns)
    near = np.abs(mean - value_ma) <= max(seen_ma, 1e-9)
    if not near.any() or limits is None:
        return seen_ma
    span_ma = float(np.median((high - low)[near]))
    if fast and is_pulsing(np.array([span_ma]), limits.shunt_ohm)[0]:
        return seen_ma
    count = max(float(np.median(conversions[:: max(1, len(conversions) // _ROWS_PICKED)])), 2.0)
    noise_ma = span_ma / 2 / float(scipy.special.ndtri(1 - 1 / (2 * count)))
    noise_ma = min(noise_ma, _NOISE_STEPS_MOST * limits.full_step_ma) / math.sqrt(count)
    return min(seen_ma, math.hypot(noise_ma, span_ma / count / math.sqrt(6.0)))
