"""Which parts' figures were wrong: the budget's figures updated by the measured modes.

Model: in mode m the pack delivers

    y_m = sum_j A_mj x_j + e_m,    x ~ N(x0, diag(s0^2)),  e ~ N(0, V)

with x_j the current of figure j (a part in one state), A_mj how much of it reaches
the pack in mode m (quantity, duty, converter), and V the measurement's covariance:
noise of each mode plus what all modes share (gain, offset of the sensor).
The posterior is the linear Gaussian update (for example Gelman et al.,
Bayesian Data Analysis, 3rd ed., section 14.8; the Kalman filter's measurement step):

    K = S0 A' (A S0 A' + V)^-1,   x1 = x0 + K (y - A x0),   S1 = (I - K A) S0

A tolerance can be wrong itself: a figure may be a slip, far outside it. So the update is
done for every hypothesis "all figures keep to their tolerances", "this one is a slip", "these
two are", a slip having its standard deviation ``SLIP_FACTOR`` times as wide; each hypothesis
weighs by its prior times its evidence (the density of y under it), and the answer is the
mixture (normal-mixture outlier model, Box & Tiao 1968, Biometrika 55:119).

Assumptions: errors of different figures are independent; a stated tolerance
covers 95 % of cases (s0 = tolerance / 1.96); the modes' design is known; a figure is a slip
in ``SLIP_SHARE`` of cases (our own judgement).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt
import scipy

Array = npt.NDArray[np.float64]

# A direction counts as not seen by the modes when its singular value is below this share of the largest.
_RANK_TOLERANCE: Final = 1e-9
# A hypothesis that weighs less moves no interval.
_LEAST_WEIGHT: Final = 1e-6
SLIP_FACTOR: Final = 8.0
# Our own judgement, within what keeps the intervals at 87 to 93 % without slips and with one in every budget.
SLIP_SHARE: Final = 0.07


@dataclass(frozen=True)
class NormalMixture:
    """Weights (hypotheses,), means and standard deviations (hypotheses, figures), mA."""

    weight: Array
    mean_ma: Array
    std_ma: Array

    def quantile_ma(self, share: float) -> Array:
        """Quantile of every figure, by bisection; shape (figures,)."""
        std = np.maximum(self.std_ma, 1e-12)
        low, high = (self.mean_ma - 10 * std).min(axis=0), (self.mean_ma + 10 * std).max(axis=0)
        for _ in range(50):
            middle = (low + high) / 2
            below = self.weight @ scipy.special.ndtr((middle - self.mean_ma) / std) < share
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return np.asarray((low + high) / 2, dtype=np.float64)


@dataclass(frozen=True)
class Reconciled:
    """Figures before and after; arrays have one entry per figure, mA.

    ``slip``: probability that the figure lies outside what its tolerance stands for (all 0 for a
    plain update). ``chi2`` and ``chi2_p``: how well budget and measurement fit together while all
    figures keep to their tolerances, with one degree of freedom per mode.
    ``log_evidence``: logarithm of the density of the measurement under this prior.
    ``inseparable``: sets of figures of which the modes show only a combination.
    ``mixture``: all hypotheses, where there were several; else the posterior is normal.
    """

    prior_ma: Array
    prior_std_ma: Array
    posterior_ma: Array
    posterior_cov: Array
    chi2: float
    chi2_p: float
    log_evidence: float
    slip: Array
    inseparable: tuple[tuple[int, ...], ...]
    mixture: NormalMixture | None = None

    @property
    def posterior_std_ma(self) -> Array:
        return np.sqrt(np.clip(np.diag(self.posterior_cov), 0.0, None))

    @property
    def surprise(self) -> Array:
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = (self.posterior_ma - self.prior_ma) / self.prior_std_ma
        return np.where(self.prior_std_ma > 0, shift, 0.0)

    def interval_ma(self, coverage: float) -> tuple[Array, Array]:
        """Bounds of every posterior figure at this coverage: normal, or equal tails of the mixture."""
        tail = 0.5 - coverage / 2
        if self.mixture is None:
            half = float(scipy.stats.norm.isf(tail)) * self.posterior_std_ma
            return self.posterior_ma - half, self.posterior_ma + half
        return self.mixture.quantile_ma(tail), self.mixture.quantile_ma(1 - tail)


def reconcile(
    design: Array, prior_ma: Array, prior_std_ma: Array, measured_ma: Array, measured_cov: Array
) -> Reconciled:
    """Update the figures by the measured mode means.

    ``design``: shape (modes, figures). ``prior_*``: (figures,). ``measured_ma``: (modes,);
    ``measured_cov``: (modes, modes), mA^2. Raises ValueError when shapes disagree or a
    standard deviation is negative.
    """
    modes, figures = design.shape
    if prior_ma.shape != (figures,) or prior_std_ma.shape != (figures,):
        raise ValueError(f"design has {figures} figures, prior has {prior_ma.shape}")
    if measured_ma.shape != (modes,) or measured_cov.shape != (modes, modes):
        raise ValueError(f"design has {modes} modes, measurement has {measured_ma.shape}")
    if np.any(prior_std_ma < 0):
        raise ValueError("a prior standard deviation is negative")
    prior_cov = np.diag(prior_std_ma**2)
    innovation_cov = design @ prior_cov @ design.T + measured_cov
    residual = measured_ma - design @ prior_ma
    # pinv: a mode without any tolerance and without noise leaves the matrix singular.
    inverse = np.linalg.pinv(innovation_cov, hermitian=True)
    gain = prior_cov @ design.T @ inverse
    # Joseph form: stays symmetric and positive in floating point.
    rest = np.eye(figures) - gain @ design
    posterior_cov = rest @ prior_cov @ rest.T + gain @ measured_cov @ gain.T
    chi2 = float(residual @ inverse @ residual)
    return Reconciled(
        prior_ma=prior_ma,
        prior_std_ma=prior_std_ma,
        posterior_ma=prior_ma + gain @ residual,
        posterior_cov=posterior_cov,
        chi2=chi2,
        chi2_p=float(scipy.stats.chi2.sf(chi2, modes)),
        log_evidence=-0.5 * (chi2 + _log_det(innovation_cov)),
        slip=np.zeros(figures),
        inseparable=inseparable_sets(design),
    )


def with_slips(prior_std_ma: Array, update: Callable[[Array], Reconciled]) -> Reconciled:
    """Mixture of an update over the hypotheses of none, one and two slips.

    ``update``: makes the update for the standard deviations it is given, shape (figures,).
    Figures without any tolerance are taken as known and are never a slip.
    """
    loose = np.flatnonzero(prior_std_ma > 0)
    hypotheses = [subset for size in (0, 1, 2) for subset in combinations(loose, size)]
    results: list[Reconciled] = []
    log_weights = np.empty(len(hypotheses))
    odds = np.log(SLIP_SHARE / (1 - SLIP_SHARE))
    for place, subset in enumerate(hypotheses):
        std = prior_std_ma.copy()
        std[list(subset)] *= SLIP_FACTOR
        results.append(update(std))
        log_weights[place] = len(subset) * odds + results[-1].log_evidence
    weights = np.exp(log_weights - log_weights.max())
    return _mixture(results, weights / weights.sum(), hypotheses)


def _mixture(
    results: Sequence[Reconciled], weights: Array, hypotheses: Sequence[tuple[np.intp, ...]]
) -> Reconciled:
    """Mean and covariance of the mixture; all else from the first hypothesis, no slip."""
    base = results[0]
    mean = sum(
        (w * item.posterior_ma for w, item in zip(weights, results, strict=True)),
        np.zeros_like(base.prior_ma),
    )
    cov = np.zeros_like(base.posterior_cov)
    slip = np.zeros_like(base.prior_ma)
    for weight, item, subset in zip(weights, results, hypotheses, strict=True):
        apart = item.posterior_ma - mean
        cov += weight * (item.posterior_cov + np.outer(apart, apart))
        slip[list(subset)] += weight
    counts = weights > _LEAST_WEIGHT
    mixture = NormalMixture(
        weights[counts] / weights[counts].sum(),
        np.array([item.posterior_ma for item, keep in zip(results, counts, strict=True) if keep]),
        np.array(
            [item.posterior_std_ma for item, keep in zip(results, counts, strict=True) if keep]
        ),
    )
    return replace(base, posterior_ma=mean, posterior_cov=cov, slip=slip, mixture=mixture)


def _log_det(matrix: Array) -> float:
    """Logarithm of the determinant over the directions that are not singular."""
    values = np.linalg.eigvalsh(matrix)
    return float(np.log(values[values > 1e-12 * values.max(initial=0.0)]).sum())


def inseparable_sets(design: Array) -> tuple[tuple[int, ...], ...]:
    """Sets of figures that the modes cannot tell apart, smallest index first.

    A figure is seen on its own if its unit vector lies in the row space of the
    design. The others are grouped by which of them share a null-space
    direction: moving one can be hidden by moving the rest of its set. Columns are
    scaled first, so that a large and a small part count alike. A figure no mode
    uses is a set of its own.
    """
    scale = np.linalg.norm(design, axis=0)
    scaled = design / np.where(scale > 0, scale, 1.0)
    _, singular, rows = np.linalg.svd(scaled, full_matrices=True)
    rank = int(np.sum(singular > _RANK_TOLERANCE * max(singular.max(initial=0.0), 1e-300)))
    null = rows[rank:].T
    projector = null @ null.T
    linked = np.abs(projector) > 1e-7
    hidden = [index for index in range(design.shape[1]) if linked[index, index]]
    sets: list[tuple[int, ...]] = []
    left = set(hidden)
    while left:
        group = {min(left)}
        while True:
            grown = {j for i in group for j in left if linked[i, j]} | group
            if grown == group:
                break
            group = grown
        sets.append(tuple(sorted(group)))
        left -= group
    return tuple(sets)
