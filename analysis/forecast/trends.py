"""Simple extrapolations of the held voltage, each trusted as far as it would have been right before.

Lines over several spans in the charge, its root and its logarithm, and parabolas. Each is asked at earlier
moments about levels that the voltage has passed since: the errors seen, those over as long a way as lies ahead
before all, give its weight, and the width (conformal: the same errors, either way, may come again), with a floor.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course

Array = NDArray[np.float64]

_SPANS: Final = (1.0, 0.6, 0.35, 0.2)  # of the charge so far
_SHAPES: Final = ("charge", "root", "log")
_MOMENTS: Final = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
_LEVELS: Final = 4
_MOST: Final = 30.0  # times the charge so far: further nothing is extrapolated
_WORST: Final = 2.0  # of the logarithm: an error counts at most so much
_TRIED_FROM: Final = 0.2  # of the charge so far
_FLOOR_SD: Final = 0.025
_FURTHER: Final = (0.5, 3.0)
_LEAST_POINTS: Final = 4
_LEAST_ASKED: Final = 4
_COND_MOST: Final = 1e12
_LEAST_FALL: Final = 4.0  # noise of the course: less has not been passed
_SETTLED: Final = 0.02  # of the charge: a fresh load's first drop is left out


@dataclass(frozen=True)
class Extrapolations:
    """Lines (x0, v0, slope; x: charge, root or logarithm) and parabolas through the course up to ``now_mah``."""

    now_mah: float
    lines: Array
    shapes: tuple[str, ...]
    bends: Array

    def left_mah(self, levels_v: Array) -> Array:
        """Charge left to each level, shape (levels, extrapolations); NaN where it never gets there."""
        x0, v0, slope = self.lines.T
        with np.errstate(all="ignore"):
            end = x0 + (levels_v[:, None] - v0) / np.where(slope < 0, slope, np.nan)
            for number, shape in enumerate(self.shapes):
                if shape == "root":
                    end[:, number] = np.where(end[:, number] > 0, end[:, number] ** 2, np.nan)
                elif shape == "log":
                    most = np.log(2 * _MOST * self.now_mah)
                    end[:, number] = np.exp(np.minimum(end[:, number], most))
            bend, steep, level = self.bends.T
            inside = steep**2 - 4 * bend * (level - levels_v[:, None])
            # the falling branch's root, in units of now
            root = -2 * (level - levels_v[:, None]) / (steep - np.sqrt(inside))
            falls = 2 * bend * root + steep < 0
            bent = np.where((inside >= 0) & falls, root * self.now_mah, np.nan)
            left = np.hstack([end, bent]) - self.now_mah
            return np.where((left > 0) & (left < _MOST * self.now_mah), left, np.nan)


def extrapolations(course: Course, now_mah: float) -> Extrapolations:
    """Fitted to the course, each stretch by the charge that it holds."""
    charge, volts = course.charge_mah, course.held_v
    held = np.gradient(charge) if len(charge) > 1 else np.ones(len(charge))
    lines, shapes, bends = [], [], []
    for span in _SPANS:
        first = max((1 - span) * now_mah, _SETTLED * now_mah, course.settled_mah)
        use = charge >= first
        enough = int(use.sum()) >= _LEAST_POINTS
        for shape in _SHAPES:
            line = _line(charge[use], volts[use], held[use], shape) if enough else (np.nan,) * 3
            lines.append(line)
            shapes.append(shape)
        if span > min(_SPANS):
            bends.append(_parabola(charge[use] / now_mah, volts[use], held[use], enough))
    return Extrapolations(now_mah, np.array(lines), tuple(shapes), np.array(bends))


def _line(charge: Array, volts: Array, weight: Array, shape: str) -> tuple[float, float, float]:
    x = np.sqrt(charge) if shape == "root" else np.log(charge) if shape == "log" else charge
    weight = weight / weight.sum()
    x0, v0 = float(weight @ x), float(weight @ volts)
    spread = float(weight @ (x - x0) ** 2)
    slope = float(weight @ ((x - x0) * (volts - v0))) / spread if spread > 0 else 0.0
    return x0, v0, slope


def _parabola(x: Array, volts: Array, weight: Array, enough: bool) -> tuple[float, float, float]:
    if not enough:
        return np.nan, np.nan, np.nan
    weight = weight / weight.sum()
    terms = np.stack([x**2, x, np.ones(len(x))])
    square = (terms * weight) @ terms.T
    if not np.isfinite(square).all() or np.linalg.cond(square) > _COND_MOST:
        return np.nan, np.nan, np.nan
    bend, steep, level = np.linalg.solve(square, (terms * weight) @ volts)
    return (float(bend) or 1e-12), float(steep), float(level)


@dataclass(frozen=True)
class _Errors:
    """Logarithms of foreseen over true charge, shape (asked, extrapolations), and how long the way was, over the charge then."""

    error: Array
    ahead: Array


def _errors(course: Course, now_mah: float) -> _Errors:
    lowest = np.minimum.accumulate(course.held_v)
    noise_v = float(np.median(course.noise_v))
    errors: list[Array] = []
    ahead: list[float] = []
    for share in _MOMENTS:
        then = course.until(share * now_mah)
        if len(then.charge_mah) < _LEAST_POINTS + 1:
            continue
        then_mah = float(then.charge_mah[-1])
        then_v = float(np.median(then.held_v[-2:]))
        at = then_mah + (now_mah - then_mah) * np.arange(1, _LEVELS + 1) / _LEVELS
        levels = np.interp(at, course.charge_mah, lowest)
        passed = then_v - levels > _LEAST_FALL * noise_v
        if not passed.any():
            continue
        true_mah = _first_below(course.charge_mah, lowest, levels[passed]) - then_mah
        with np.errstate(all="ignore"):
            said = extrapolations(then, then_mah).left_mah(levels[passed])
            error = np.log(said / np.maximum(true_mah, 1e-9)[:, None])
        errors.append(np.where(np.isfinite(error), np.clip(error, -_WORST, _WORST), _WORST))
        ahead += (true_mah / then_mah).tolist()
    if not errors:
        return _Errors(np.empty((0, 0)), np.empty(0))
    return _Errors(np.vstack(errors), np.maximum(np.array(ahead), 1e-3))


def _first_below(charge_mah: Array, lowest_v: Array, levels_v: Array) -> Array:
    """Charge at which the falling course comes down to each level."""
    return np.asarray(np.interp(-levels_v, -lowest_v, charge_mah))


def passed_share(course: Course, cutoff_v: float) -> float:
    """How much of the way ahead was passed while trends were tried: beyond it they have shown nothing."""
    now_v = float(np.median(course.held_v[-3:]))
    first = int(np.searchsorted(course.charge_mah, _TRIED_FROM * course.charge_mah[-1]))
    tried = float(course.held_v[first]) - now_v
    return float(np.clip(tried / max(now_v - cutoff_v, 1e-9), 0.0, 1.0)) ** 2


def by_trends(
    course: Course, now_mah: float, levels_v: Sequence[float] | Array, draws: int
) -> list[Array] | None:
    """Draws of the charge left to each level; None where too little has been passed to trust any."""
    foreseen = extrapolations(course, now_mah).left_mah(np.asarray(levels_v, dtype=np.float64))
    past = _errors(course, now_mah)
    if len(past.ahead) < _LEAST_ASKED:
        return None
    found = [_drawn(one, now_mah, past, draws) for one in foreseen]
    return None if any(one is None for one in found) else [one for one in found if one is not None]


def _drawn(foreseen: Array, now_mah: float, past: _Errors, draws: int) -> Array | None:
    told = np.isfinite(foreseen)
    if not told.any():
        return None
    x_now = np.where(told, foreseen, now_mah) / now_mah
    # what was tried over a shorter way than lies ahead counts for less
    worth = np.minimum(1.0, past.ahead[:, None] / x_now[None, :])
    loss2 = (worth * past.error**2).sum(axis=0) / worth.sum(axis=0)
    weight = np.where(told, (loss2 + _FLOOR_SD**2) ** -1.5, 0.0)
    place = (np.arange(draws) + 0.5) / draws
    which = np.minimum(np.searchsorted(np.cumsum(weight) / weight.sum(), place), len(foreseen) - 1)
    rng = np.random.default_rng(len(past.ahead))
    cumulative = np.cumsum(worth, axis=0) / worth.sum(axis=0)
    row = (rng.random(draws)[:, None] > cumulative[:, which].T).sum(axis=1)
    row = np.minimum(row, len(past.ahead) - 1)
    further = np.clip(np.sqrt(x_now[which] / past.ahead[row]), *_FURTHER)
    error = np.abs(past.error[row, which]) * further * rng.choice([-1.0, 1.0], draws)
    error += _FLOOR_SD * np.clip(np.sqrt(x_now[which]), 1.0, None) * rng.standard_normal(draws)
    return np.asarray(foreseen[which] * np.exp(np.clip(error, -3.0, 3.0)))
