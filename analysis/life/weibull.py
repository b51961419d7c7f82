"""Weibull lives: R(t) = exp(-(t / scale)^shape); scale is the 63.2 % life.

Shape 1: failures at random; above 1: wear, as in bending (2 to 4 is usual for
flexed wire: common practice, no source). Small samples read the shape too high;
``shape_median_unbiased`` takes that out by imitated tests.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.life.data import Lives
from analysis.life.fit import LifeFit, fit_life
from analysis.life.imitation import FAILURES_MAX, imitate
from analysis.life.solver import WEIBULL, LogLives, maximise

Array = NDArray[np.float64]


def fit_weibull(lives: Lives) -> LifeFit:
    """Maximum-likelihood fit; shape is ``shape_of(fit)``, scale ``scale_cycles_of(fit)``. Raises BenchError."""
    return fit_life(lives, WEIBULL)


def shape_of(fit: LifeFit) -> float:
    """Weibull shape as estimated."""
    return 1.0 / fit.scale


def scale_cycles_of(fit: LifeFit) -> float:
    """Weibull scale in cycles: 63.2 % have failed by then."""
    return float(np.exp(fit.location))


def shape_median_unbiased(fit: LifeFit) -> float | None:
    """Shape divided by how much too high the median estimate of such a test reads; None if not calibrated."""
    lives = fit.lives
    failures = round(lives.failures)
    if failures > FAILURES_MAX:
        return None
    imitation = imitate(WEIBULL.name, round(lives.count), failures, lives.scattered)
    return shape_of(fit) * imitation.scale_median


@dataclass(frozen=True)
class ManyFits:
    """Fits of many samples, each array (samples,); not-a-number where a sample has no fit."""

    shape: Array
    scale_cycles: Array


def fit_many(cycles: Array, failed: NDArray[np.bool_]) -> ManyFits:
    """Weibull fits of many samples at once; both arrays (samples, specimens), exact or right-censored."""
    logs = np.log(cycles)
    centre = logs.mean(axis=-1, keepdims=True)
    spread = np.maximum(logs.std(axis=-1, keepdims=True), 1e-9)
    y = (logs - centre) / spread
    samples, specimens = y.shape
    none = np.empty((samples, 0))
    if failed.all():
        lives = LogLives(y, none, none, none, none, np.ones(y.shape), np.ones((specimens, 1)))
    else:
        weights = np.concatenate((failed, ~failed), axis=-1).astype(float)
        lives = LogLives(y, y, none, none, none, weights, np.ones((2 * specimens, 1)))
    start = np.broadcast_to(np.array([1.2, 0.5]), (samples, 2))
    eye = np.broadcast_to(np.eye(2), (samples, 2, 2))
    fit = maximise(lives, WEIBULL, start, np.zeros((samples, 2)), eye)
    return ManyFits(
        1.0 / (fit.scale * spread[:, 0]), np.exp(centre[:, 0] + spread[:, 0] * fit.location)
    )
