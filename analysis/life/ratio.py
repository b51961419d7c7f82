"""How many times longer does one group of specimens live than another?

Both groups get one scatter (a common Weibull shape) and a ratio of lives; the interval
is by likelihood ratio, its limits taken from imitated tests of the same sizes and
failures, because chi-square is too narrow for a handful (see ``life_imitation``).
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.life.data import Lives
from analysis.life.imitation import FAILURES_MAX, imitated_logs
from analysis.life.regression import Regression, coefficient_bound, fit_regression
from analysis.life.solver import WEIBULL, LogLives, maximise

Array = NDArray[np.float64]

_SEED: Final = 977
_TESTS: Final = 1000


@dataclass(frozen=True)
class LifeRatio:
    """``ratio`` of characteristic lives (and of every percentile), first over second; ``shape`` of both."""

    ratio: float
    lower: float
    upper: float
    coverage: float
    calibrated: bool
    shape: float


def life_ratio(first: Lives, second: Lives, coverage: float, calibrated: bool = True) -> LifeRatio:
    """Ratio with its interval. Raises BenchError if fewer than three failed or one group has none."""
    both = Lives(
        np.concatenate((first.lower, second.lower)),
        np.concatenate((first.upper, second.upper)),
        np.concatenate((first.weights, second.weights)),
    )
    in_first = np.concatenate((np.ones(first.lower.size), np.zeros(second.lower.size)))
    fit = fit_regression(both, np.stack((np.ones(in_first.size), in_first), axis=1), WEIBULL)
    tail = (1.0 - coverage) / 2.0
    sizes = [(round(g.count), round(g.failures)) for g in (first, second)]
    calibrated = calibrated and both.failures <= FAILURES_MAX
    if calibrated:
        roots = _imitated_roots(sizes[0], sizes[1])
        limits = tuple(float(np.quantile(roots, share)) for share in (1.0 - tail, tail))
    else:
        limits = (-float(scipy.special.ndtri(tail)), float(scipy.special.ndtri(tail)))
    low, high = _bounds(fit, limits)
    return LifeRatio(
        float(np.exp(fit.coefficients[1])), low, high, coverage, calibrated, 1.0 / fit.scale
    )


def _bounds(fit: Regression, limits: tuple[float, ...]) -> tuple[float, float]:
    low, high = (coefficient_bound(fit, 1, limit) for limit in limits)
    return (float(np.exp(low)), float(np.exp(high)) if high < 700 else float("inf"))


@lru_cache(maxsize=32)
def _imitated_roots(first: tuple[int, int], second: tuple[int, int]) -> Array:
    """Signed roots at the true ratio over imitated pairs of tests; (specimens, failures) of each."""
    random = np.random.default_rng(_SEED)
    exact_one, right_one = imitated_logs(WEIBULL, *first, _TESTS, random)
    exact_two, right_two = imitated_logs(WEIBULL, *second, _TESTS, random)
    parts = (exact_one, exact_two, right_one, right_two)
    whole = (first[0] - first[1], second[0] - second[1])
    weights = [1.0] * (first[1] + second[1]) + [float(item) for item in whole if item]
    in_first = np.repeat([1.0, 0.0, 1.0, 0.0], [part.shape[-1] for part in parts])
    none = np.empty((_TESTS, 0))
    logs = LogLives(
        np.concatenate(parts[:2], axis=-1),
        np.concatenate(parts[2:], axis=-1),
        none,
        none,
        none,
        np.array(weights),
        np.stack((np.ones(in_first.size), in_first), axis=1),
    )
    return signed_roots(logs, _TESTS)


def signed_roots(logs: LogLives, tests: int) -> Array:
    """Per imitated test the signed root of the likelihood ratio for the third coefficient: with it against without.

    ``logs``: log lives of ``tests`` tests with a design of two columns.
    """
    full = maximise(
        logs,
        WEIBULL,
        np.broadcast_to(np.array([1.0, 0.0, 0.0]), (tests, 3)),
        np.zeros((tests, 3)),
        np.broadcast_to(np.eye(3), (tests, 3, 3)),
        decrement=1e-9,
    )
    equal = maximise(
        logs,
        WEIBULL,
        np.broadcast_to(np.array([1.0, 0.0]), (tests, 2)),
        np.zeros((tests, 3)),
        np.broadcast_to(np.eye(3)[:, :2], (tests, 3, 2)),
        decrement=1e-9,
    )
    gain = np.maximum(full.log_likelihood - equal.log_likelihood, 0.0)
    roots = np.sign(full.theta[:, 2]) * np.sqrt(2 * gain)
    return np.asarray(roots[np.isfinite(roots)])
