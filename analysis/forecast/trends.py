"""Simple extrapolations of the held voltage, each trusted as far as it would have been right before.

Lines over several spans in the charge, its root and its logarithm, and parabolas. Each is asked at earlier
moments when the voltage would be where it now is: the errors seen give its weight, and the width (conformal:
the same errors, either way, may come again; more of them further ahead), with a floor.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course

Array = NDArray[np.float64]

_SPANS: Final = (1.0, 0.5, 0.25)  # of the charge so far
_SHAPES: Final = ("charge", "root", "log")
_MOMENTS: Final = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
_MOST: Final = 30.0  # times the charge so far: further nothing is extrapolated
_WORST: Final = 2.0  # of the logarithm: an error counts at most so much
_FLOOR_SD: Final = 0.05
_FURTHER_MOST: Final = 3.0
_LEAST_POINTS: Final = 4
_LEAST_MOMENTS: Final = 2


def _axis(shape: str, charge: Array) -> Array:
    if shape == "root":
        return np.sqrt(charge)
    return np.asarray(np.log(charge)) if shape == "log" else charge


def _line(charge: Array, volts: Array, now_mah: float, level_v: float, shape: str) -> float:
    x = _axis(shape, charge)
    x0, v0 = float(x.mean()), float(volts.mean())
    spread = float(((x - x0) ** 2).sum())
    slope = float(((x - x0) * (volts - v0)).sum()) / spread if spread > 0 else 0.0
    if slope >= 0:
        return np.nan
    end = x0 + (level_v - v0) / slope
    if shape == "log":
        end = float(np.exp(min(end, np.log(now_mah) + np.log(2 * _MOST))))
    elif shape == "root":
        end = end**2 if end > 0 else np.nan
    return end - now_mah


def _parabola(charge: Array, volts: Array, now_mah: float, level_v: float) -> float:
    scale = float(charge[-1])
    bend, slope, level = np.polyfit(charge / scale, volts, 2)
    roots = np.roots([bend, slope, level - level_v])
    ends = [
        float(root.real) * scale
        for root in roots
        if abs(root.imag) < 1e-9
        and root.real * scale > now_mah
        and 2 * bend * root.real + slope < 0
    ]
    return min(ends) - now_mah if ends else np.nan


def extrapolations(course: Course, now_mah: float, level_v: float) -> Array:
    """Charge left to the level by each extrapolation, shape (extrapolations,); NaN where it never gets there."""
    found = []
    charge, volts = course.charge_mah, course.held_v
    for span in _SPANS:
        use = (charge >= (1 - span) * now_mah) & (charge > 0.02 * now_mah)
        enough = use.sum() >= _LEAST_POINTS
        for shape in _SHAPES:
            left = _line(charge[use], volts[use], now_mah, level_v, shape) if enough else np.nan
            found.append(left)
        bent = enough and span > min(_SPANS)
        found.append(_parabola(charge[use], volts[use], now_mah, level_v) if bent else np.nan)
    ends = np.array(found)
    return np.where((ends > 0) & (ends < _MOST * now_mah), ends, np.nan)


def by_trends(course: Course, now_mah: float, level_v: float, draws: int) -> Array | None:
    """Draws of the charge left to the level; None where too little has been passed to trust any."""
    now_v = float(np.median(course.held_v[-3:]))
    noise_v = float(np.median(course.noise_v))
    foreseen = extrapolations(course, now_mah, level_v)
    if not np.isfinite(foreseen).any():
        return None
    errors, ahead = [], []
    for share in _MOMENTS:
        then = course.until(share * now_mah)
        if len(then.charge_mah) < _LEAST_POINTS + 1 or then.held_v[-1] - now_v < 4 * noise_v:
            continue
        then_mah = float(then.charge_mah[-1])
        said = extrapolations(then, then_mah, now_v)
        error = np.log(said / (now_mah - then_mah))
        errors.append(np.where(np.isfinite(error), np.clip(error, -_WORST, _WORST), _WORST))
        ahead.append((now_mah - then_mah) / then_mah)
    if len(errors) < _LEAST_MOMENTS:
        return None
    seen = np.abs(np.array(errors))
    loss = np.sqrt(np.square(seen).mean(axis=0))
    weight = np.where(np.isfinite(foreseen), (loss**2 + _FLOOR_SD**2) ** -1.5, 0.0)
    place = (np.arange(draws) + 0.5) / draws
    which = np.searchsorted(np.cumsum(weight) / weight.sum(), place)
    which = np.minimum(which, len(foreseen) - 1)
    rng = np.random.default_rng(len(errors))
    further = foreseen / now_mah / float(np.mean(ahead))
    further = np.clip(np.sqrt(np.nan_to_num(further, nan=1.0)), 1.0, _FURTHER_MOST)
    picked = seen[rng.integers(len(seen), size=draws), which] * rng.choice([-1.0, 1.0], draws)
    error = picked * further[which] + _FLOOR_SD * further[which] * rng.standard_normal(draws)
    return np.asarray(foreseen[which] * np.exp(np.clip(error, -3.0, 3.0)))
