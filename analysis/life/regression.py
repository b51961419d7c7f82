"""Lives that depend on something: which group, which bend radius. One scatter for all.

ln life = X a + scale z (accelerated life model with a common Weibull shape or lognormal
scale; Nelson 1990, Accelerated Testing; Meeker & Escobar 1998, chapter 17). A coefficient's
interval is by likelihood ratio.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.life.data import Lives
from analysis.life.fit import log_lives
from analysis.life.solver import Family, LogLives, maximise
from logger.base.errors import BenchError

Array = NDArray[np.float64]

_NO_BOUND = 60.0  # e^60 times the life: no bound at all


class NoFit(BenchError):
    """The lives have enough failures, but no greatest likelihood: their scatter may be none at all."""


@dataclass(frozen=True)
class Regression:
    """Fit of ln life = design @ coefficients + scale z; ``log_likelihood`` in cycles."""

    family: Family
    coefficients: Array
    scale: float
    log_likelihood: float
    covariance: Array
    logs: LogLives
    centre: float
    spread: float
    log_likelihood_of_logs: float


def fit_regression(lives: Lives, design: Array, family: Family) -> Regression:
    """Maximum-likelihood fit; ``design`` (specimens, P) with a column of ones first.

    Raises BenchError where the lives do not determine all coefficients.
    """
    logs, centre, spread = log_lives(lives, design)
    size = design.shape[1] + 1
    if lives.failures < size or np.linalg.matrix_rank(design[np.isfinite(lives.upper)]) < size - 1:
        raise BenchError(
            "Too few failures to compare.",
            evidence=f"{lives.failures:.0f} failures for {size} unknowns",
            next_step="bend on until at least one fails in each group, and more in all.",
        )
    start = np.zeros(size)
    start[0] = 1.0
    fit = maximise(logs, family, start, np.zeros(size), np.eye(size))
    if not fit.found:
        raise NoFit(
            "The lives of the groups cannot be fitted with one scatter.",
            next_step="test more specimens, or look at the groups one by one.",
        )
    b = float(fit.theta[0])
    coefficients = np.array(fit.theta[1:] / b * spread, dtype=np.float64)
    coefficients[0] += centre
    turn = np.zeros((size, size))  # (b, a) by (coefficients, ln scale), standard units
    turn[0, -1] = -b
    turn[1:, :-1] = b * np.eye(size - 1)
    turn[1:, -1] = -fit.theta[1:]
    covariance = np.array(np.linalg.inv(turn.T @ -fit.hessian @ turn), dtype=np.float64)
    covariance[:-1, :] *= spread
    covariance[:, :-1] *= spread
    exact = lives.is_exact
    of_logs = float(fit.log_likelihood)
    total = of_logs - float(
        np.sum(lives.weights[exact] * (np.log(lives.lower[exact]) + np.log(spread)))
    )
    return Regression(
        family, coefficients, spread / b, total, covariance, logs, centre, spread, of_logs
    )


def coefficient_interval(fit: Regression, index: int, coverage: float) -> tuple[float, float]:
    """Likelihood-ratio interval of ``coefficients[index]`` (1 or higher); infinite where there is no bound."""
    limit = float(scipy.special.ndtri(0.5 + coverage / 2))
    return coefficient_bound(fit, index, limit), coefficient_bound(fit, index, -limit)


def coefficient_bound(fit: Regression, index: int, limit: float) -> float:
    """Value of the coefficient at which the signed root is ``limit``: positive limit, lower bound."""
    estimate = float(fit.coefficients[index])
    step = 2 * float(np.sqrt(fit.covariance[index, index])) * (-1.0 if limit > 0 else 1.0)

    def miss(value: float) -> float:
        return coefficient_root(fit, index, value) - limit

    far = estimate + step
    while not miss(far) * np.sign(limit) >= 0:
        if abs(far - estimate) > _NO_BOUND:
            return float(np.sign(step) * np.inf)
        far = estimate + 2 * (far - estimate)
    return float(scipy.optimize.brentq(miss, min(estimate, far), max(estimate, far), xtol=1e-7))


def coefficient_root(fit: Regression, index: int, value: float) -> float:
    """Signed root of the likelihood ratio at ``coefficients[index] == value``."""
    size = fit.coefficients.size + 1
    delta = value / fit.spread
    free = np.zeros((size, size - 1))  # a[index] = b * delta, the rest free
    kept = [i for i in range(size) if i != index + 1]
    for column, row in enumerate(kept):
        free[row, column] = 1.0
    free[index + 1, 0] = delta
    logs, own = fit.logs, fit.coefficients / fit.spread
    own[0] -= fit.centre / fit.spread
    own[index] = delta
    seen = np.concatenate((logs.exact, logs.right, logs.left, 0.5 * (logs.low + logs.high)))
    miss = seen - logs.design @ own
    own[0] += miss.mean()
    # Far from the estimate the lives scatter more round the line: a start with that scatter stays finite.
    b = 1.0 / max(float(miss.std()), fit.scale / fit.spread)
    start = b * np.concatenate(([1.0], own))
    held = maximise(fit.logs, fit.family, start[kept], np.zeros(size), free, decrement=1e-12)
    gain = max(fit.log_likelihood_of_logs - float(held.log_likelihood), 0.0)
    return float(np.sign(fit.coefficients[index] - value) * np.sqrt(2 * gain))
