"""One sample of lives fitted by maximum likelihood: location and scale of the log life, and what follows.

The percentile life (B life) is exp(location + scale z(share)), the reliability
1 - F((ln cycles - location) / scale); Meeker & Escobar 1998, chapters 4 and 8.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.life.data import Lives
from analysis.life.solver import Family, LogLives, maximise
from logger.base.errors import BenchError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LifeFit:
    """Maximum-likelihood fit. ``covariance`` is of (location, ln scale), from the observed information.

    ``log_likelihood`` is that of the lives in cycles. ``logs``, ``centre``, ``spread``: the
    log lives as the solver sees them, (y - centre) / spread.
    """

    family: Family
    location: float
    scale: float
    log_likelihood: float
    covariance: Array
    lives: Lives
    logs: LogLives
    centre: float
    spread: float
    log_likelihood_of_logs: float

    def percentile_cycles(self, share_failed: float) -> float:
        """Cycles by which this share has failed: B10 for 0.1."""
        z = float(self.family.percentile(np.array(share_failed)))
        return float(np.exp(self.location + self.scale * z))

    def reliability(self, cycles: float) -> float:
        """Share that survives this many cycles."""
        z = (np.log(cycles) - self.location) / self.scale
        return float(self.family.survivors(np.array(z)))


def why_not(lives: Lives) -> str:
    """Why no two-parameter life can be fitted, in words; empty if it can."""
    failures = int(lives.failures)
    if failures == 0:
        return "none failed, so there is no life to fit"
    if failures == 1:
        return "only one failed, and one failure tells nothing of the scatter"
    failed = np.isfinite(lives.upper)
    low, high = float(lives.lower[failed].max()), float(lives.upper[failed].min())
    # One instant (or one inspection interval) could hold all failures, and no piece outlived it.
    if low <= high and not np.any(lives.lower[~failed] > high):
        together = f"at {high:.0f}" if low == high else f"between {low:.0f} and {high:.0f}"
        return f"all {failures} failures may have come at the same cycle ({together}), so no scatter can be fitted"
    if np.all(lives.lower[failed] == 0):
        return "every failed piece was already broken at its first look, so only an upper limit of life is known"
    return ""


def fit_life(lives: Lives, family: Family) -> LifeFit:
    """Fit by maximum likelihood with exact, right-, left- and interval-censored lives.

    Raises BenchError if the likelihood has no maximum (none or one failed, all at one cycle).
    """
    reason = why_not(lives)
    if reason:
        raise BenchError(
            f"No {family.name} fit: {reason}.",
            next_step="test more specimens, or longer; the demonstration bound needs no fit.",
        )
    logs, centre, spread = log_lives(lives)
    middle = np.concatenate((logs.exact, logs.right, logs.left, 0.5 * (logs.low + logs.high)))
    start = np.array([1.2, 1.2 * float(np.average(middle, weights=logs.weights))])
    fit = maximise(logs, family, start, np.zeros(2), np.eye(2))
    if not fit.found:
        raise BenchError(
            f"No {family.name} fit: the likelihood has no maximum for these lives.",
            next_step="test more specimens, or longer; the demonstration bound needs no fit.",
        )
    scale = float(fit.scale)
    location = float(fit.location)
    turn = np.array([[0.0, -1.0 / scale], [1.0 / scale, -location / scale]])
    covariance = np.linalg.inv(turn.T @ -fit.hessian @ turn)
    covariance[0, :] *= spread
    covariance[:, 0] *= spread
    exact = lives.is_exact
    of_logs = float(fit.log_likelihood)
    weight_exact = lives.weights[exact]
    total = of_logs - float(
        np.sum(weight_exact * np.log(lives.lower[exact])) + np.log(spread) * weight_exact.sum()
    )
    return LifeFit(
        family,
        centre + spread * location,
        scale * spread,
        total,
        covariance,
        lives,
        logs,
        centre,
        spread,
        of_logs,
    )


def log_lives(lives: Lives, design: Array | None = None) -> tuple[LogLives, float, float]:
    """Log lives standardised by their centre and spread, in the solver's order of kinds.

    ``design``: covariates (specimens, P), in the order of ``lives``; None: an intercept.
    """
    exact = lives.is_exact
    right = np.isinf(lives.upper)
    left = (lives.lower == 0) & ~exact
    between = ~(exact | right | left)
    with np.errstate(divide="ignore"):
        low, high = np.log(lives.lower), np.log(lives.upper)
    known = np.concatenate((low[exact | right | between], high[left | between]))
    centre = float(known.mean())
    spread = float(known.std()) or 1.0
    order = np.concatenate([np.flatnonzero(kind) for kind in (exact, right, left, between)])
    matrix = np.ones((lives.lower.size, 1)) if design is None else design

    def scaled(values: Array) -> Array:
        return (values - centre) / spread

    logs = LogLives(
        scaled(low[exact]),
        scaled(low[right]),
        scaled(high[left]),
        scaled(low[between]),
        scaled(high[between]),
        lives.weights[order],
        matrix[order],
    )
    return logs, centre, spread
