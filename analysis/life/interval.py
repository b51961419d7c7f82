"""Intervals of shape, scale, percentile lives and reliability: likelihood ratio, calibrated or not, and Wald.

Every bound solves root(u) = target, where u is the unknown on an unbounded scale
and root its signed root of the likelihood ratio, sign(estimate - u) sqrt(2 (lmax - l(u))).
Method ``likelihood-ratio`` takes the target from the normal distribution (chi-square with
one degree of freedom), ``calibrated`` from imitated tests (``life_imitation``).
Sources: Meeker & Escobar 1998, sections 8.2-8.5; Wald on the linear or the log scale, ibid. 8.4.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.life.fit import LifeFit
from analysis.life.imitation import FAILURES_MAX, Imitation, imitate
from analysis.life.solver import maximise

Array = NDArray[np.float64]
Method = Literal["calibrated", "likelihood-ratio", "wald"]
METHODS: Final[tuple[Method, ...]] = ("calibrated", "likelihood-ratio", "wald")

_ROUNDS: Final = 40
_TOLERANCE: Final = 1e-9
_DECREMENT: Final = 1e-14  # the next step would gain its square
_REACH: Final = 2.0**14  # standard errors beyond which a bound counts as not existing


@dataclass(frozen=True)
class Asked:
    """One unknown: ``kind`` is ``percentile`` (``at`` = share failed), ``reliability`` (cycles), ``shape`` or ``scale``."""

    kind: Literal["percentile", "reliability", "shape", "scale"]
    at: float = 0.0


@dataclass(frozen=True)
class Bounds:
    """Ends of an interval; 0, 1 or infinity where the data set no bound on that side."""

    lower: float
    upper: float


def calibratable(fit: LifeFit) -> bool:
    """Whether imitated tests stand behind the interval (not for hundreds of failures)."""
    return fit.lives.failures <= FAILURES_MAX


def intervals(
    fit: LifeFit, asked: Sequence[Asked], coverage: float, method: Method
) -> list[Bounds]:
    """Two-sided intervals, equal shares in both tails; a one-sided bound at C is an end of coverage 2 C - 1."""
    tail = (1.0 - coverage) / 2.0
    if method == "wald":
        return [wald(fit, item, coverage, "log") for item in asked]
    imitation = _imitation(fit, method)
    problems = [_problem(fit, item) for item in asked]
    estimate = np.array([p.estimate for p in problems])
    error = np.array([p.error for p in problems])
    kinds = [p for p in problems for _ in range(2)]
    side = np.tile([-1.0, 1.0], len(problems))
    targets = [_target(p, side[i], tail, imitation) for i, p in enumerate(kinds)]
    ends = _solve(fit, kinds, np.repeat(estimate, 2), np.repeat(error, 2), side, targets)
    return [_bounds(fit, item, ends[2 * i], ends[2 * i + 1]) for i, item in enumerate(asked)]


def _imitation(fit: LifeFit, method: Method) -> Imitation | None:
    if method != "calibrated" or not calibratable(fit):
        return None
    lives = fit.lives
    return imitate(fit.family.name, round(lives.count), round(lives.failures), lives.scattered)


def bound_reaches(
    fit: LifeFit, asked: Asked, value: float, confidence: float, method: Method
) -> bool:
    """Whether the one-sided lower bound of a reliability is ``value`` or more: one look at the root, no search.

    The bound solves root(u) = target, and the root falls with u.
    """
    if method == "wald":
        return wald(fit, asked, 2 * confidence - 1, "log").lower >= value
    u = np.array([-float(fit.family.percentile(np.array(1.0 - value)))])
    problem = _problem(fit, asked)
    if u[0] >= problem.estimate:
        return False
    target = _target(problem, -1.0, 1.0 - confidence, _imitation(fit, method))(float(u[0]))
    root = _roots(fit, [problem], np.array([problem.estimate]), u)[0]
    return bool(root >= target)


@dataclass(frozen=True)
class _Problem:
    """An unknown u in the solver's standard units: percentile z held at log life c, or 1/scale held."""

    asked: Asked
    estimate: float
    error: float
    z: float = 0.0
    c: float = 0.0


def _problem(fit: LifeFit, asked: Asked) -> _Problem:
    covariance = fit.covariance.copy()
    covariance[0, :] /= fit.spread
    covariance[:, 0] /= fit.spread
    location = (fit.location - fit.centre) / fit.spread
    scale = fit.scale / fit.spread
    if asked.kind == "shape":  # u = ln(1 / scale), falling with the scale
        return _Problem(asked, -np.log(scale), float(np.sqrt(covariance[1, 1])))
    if asked.kind == "reliability":  # u = -z, so that a higher u is a higher reliability
        c = (float(np.log(asked.at)) - fit.centre) / fit.spread
        z = (c - location) / scale
        turn = np.array([-1.0 / scale, -z])
        return _Problem(asked, -z, float(np.sqrt(turn @ covariance @ turn)), c=c)
    share = 0.5 if asked.kind == "scale" else asked.at
    z = 0.0 if asked.kind == "scale" else float(fit.family.percentile(np.array(share)))
    turn = np.array([1.0, z * scale])
    return _Problem(asked, location + scale * z, float(np.sqrt(turn @ covariance @ turn)), z=z)


def _target(
    problem: _Problem, side: float, tail: float, imitation: Imitation | None
) -> Callable[[float], float]:
    """What the signed root must be at this end, as a function of u."""
    share = 1.0 - tail if side < 0 else tail
    if imitation is None:
        constant = float(scipy.special.ndtri(share))
    elif problem.asked.kind == "shape":
        constant = imitation.target_at_shape(share)
    elif problem.asked.kind == "reliability":
        return lambda u: imitation.target_at_any_percentile(min(max(-u, -25.0), 3.0), share)
    else:
        constant = imitation.target_at_percentile(problem.z, share)
    return lambda u: constant


def _solve(
    fit: LifeFit,
    problems: list[_Problem],
    estimate: Array,
    error: Array,
    side: Array,
    targets: Sequence[Callable[[float], float]],
) -> Array:
    """u where root(u) meets its target: bracketed outward, then secant steps kept in the bracket (Illinois)."""

    def miss(u: Array) -> Array:
        wanted = np.array(
            [target(value) for target, value in zip(targets, u.tolist(), strict=True)]
        )
        return np.asarray(_roots(fit, problems, estimate, u) - wanted, dtype=np.float64)

    near, near_miss = estimate.copy(), miss(estimate)
    reach = np.full(side.shape, 2.0)
    far = estimate + side * error * reach
    far_miss = miss(far)
    # root falls with u: below the estimate the miss turns positive, above it negative
    open_end = np.zeros(side.shape, dtype=bool)
    while True:
        short = (far_miss * -side < 0) | ~np.isfinite(far_miss)
        open_end = short & (reach >= _REACH)
        grow = short & ~open_end
        if not grow.any():
            break
        near, near_miss = np.where(grow, far, near), np.where(grow, far_miss, near_miss)
        reach = np.where(grow, reach * 2.0, reach)
        far = np.where(grow, estimate + side * error * reach, far)
        far_miss = np.where(grow, miss(far), far_miss)
    for _ in range(_ROUNDS):
        with np.errstate(all="ignore"):
            middle = far - far_miss * (far - near) / (far_miss - near_miss)
        middle = np.where(np.isfinite(middle), middle, 0.5 * (near + far))
        value = miss(middle)
        same = value * far_miss > 0  # the root lies between near and middle
        near_miss = np.where(same, near_miss * 0.5, far_miss)
        near = np.where(same, near, far)
        far, far_miss = middle, value
        if np.all(open_end | (np.abs(value) < _TOLERANCE)):
            break
    return np.where(open_end, side * np.inf, far)


def _roots(fit: LifeFit, problems: list[_Problem], estimate: Array, u: Array) -> Array:
    count = u.size
    base, free, start = np.zeros((count, 2)), np.zeros((count, 2, 1)), np.zeros((count, 1))
    scale = fit.scale / fit.spread
    location = (fit.location - fit.centre) / fit.spread
    for i, problem in enumerate(problems):
        if problem.asked.kind == "shape":
            slope = np.exp(np.clip(u[i], -600, 600))
            base[i] = (slope, 0.0)
            free[i, 1, 0] = 1.0
            start[i] = slope * location
        else:
            reliability = problem.asked.kind == "reliability"
            z, c = (-u[i], problem.c) if reliability else (problem.z, u[i])
            base[i, 1] = -z
            free[i, :, 0] = (1.0, c)
            start[i] = 1.0 / scale
    held = maximise(fit.logs, fit.family, start, base, free, decrement=_DECREMENT)
    gain = np.maximum(fit.log_likelihood_of_logs - held.log_likelihood, 0.0)
    return np.asarray(np.sign(estimate - u) * np.sqrt(2 * gain))


def _bounds(fit: LifeFit, asked: Asked, low: float, high: float) -> Bounds:
    if asked.kind == "shape":
        return Bounds(_exp(low) / fit.spread, _exp(high) / fit.spread)
    if asked.kind == "reliability":
        survivors = fit.family.survivors(np.array([-low, -high]))
        return Bounds(
            0.0 if np.isinf(low) else float(survivors[0]),
            1.0 if np.isinf(high) else float(survivors[1]),
        )
    return Bounds(_exp(fit.centre + fit.spread * low), _exp(fit.centre + fit.spread * high))


def _exp(value: float) -> float:
    return float(np.exp(value)) if value < 700 else float("inf")


def wald(fit: LifeFit, asked: Asked, coverage: float, on: Literal["linear", "log"]) -> Bounds:
    """Estimate -+ standard error times the normal quantile.

    ``on`` linear: of the parameter itself (may fall below 0); log: of its logarithm
    (shape, scale, percentile life) or of the standard value (reliability).
    """
    factor = float(scipy.special.ndtri(0.5 + coverage / 2.0))
    problem = _problem(fit, asked)
    ends = problem.estimate + factor * problem.error * np.array([-1.0, 1.0])
    if on == "log":
        return _bounds(fit, asked, float(ends[0]), float(ends[1]))
    centre = _bounds(fit, asked, problem.estimate, problem.estimate).lower
    if asked.kind == "reliability":
        z = -problem.estimate
        density = float(np.exp(fit.family.density(np.array(z))[0]))
        slope = density
    else:
        slope = centre * (1.0 if asked.kind == "shape" else fit.spread)
    half = factor * slope * problem.error
    return Bounds(centre - half, centre + half)
