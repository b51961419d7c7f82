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
weighs by its prior times its evidence (the density of y under it). Probabilities and intervals are those of the
mixture (normal-mixture outlier model, Box & Tiao 1968, Biometrika 55:119); the values are those
of the leading hypothesis, so that they fit the measurement together.

Some unknowns are nothing at all unless they are a slip: a draw that nothing lists. They have no
standard deviation but in their own hypotheses (``wide``), and a draw cannot be negative: the hypothesis weighs by
the share of its posterior above 0.

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
# Something is named as wrong where that is likelier than not.
LIKELIER: Final = 0.5
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
    ``mixture``: all hypotheses, where there were several; else the posterior is normal.
    ``leading``: what is a slip in the hypothesis that the posterior is of, the likeliest first.
    """

    prior_ma: Array
    prior_std_ma: Array
    posterior_ma: Array
    posterior_cov: Array
    chi2: float
    chi2_p: float
    log_evidence: float
    slip: Array
    mixture: NormalMixture | None = None
    leading: tuple[int, ...] = ()

    def first(self, count: int) -> "Reconciled":
        """The same for the first so many unknowns alone; what they cannot be told apart from goes with the rest."""
        mixture = self.mixture
        return replace(
            self,
            prior_ma=self.prior_ma[:count],
            prior_std_ma=self.prior_std_ma[:count],
            posterior_ma=self.posterior_ma[:count],
            posterior_cov=self.posterior_cov[:count, :count],
            slip=self.slip[:count],
            mixture=mixture
            and NormalMixture(
                mixture.weight, mixture.mean_ma[:, :count], mixture.std_ma[:, :count]
            ),
        )

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
    inverse, log_det = _inverse(innovation_cov)
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
        chi2_p=float(scipy.special.chdtrc(modes, max(chi2, 0.0))),
        log_evidence=-0.5 * (chi2 + log_det),
        slip=np.zeros(figures),
    )


@dataclass(frozen=True)
class Slips:
    """What may be a slip, arrays of shape (unknowns,).

    ``wide_std_ma``: standard deviation as a slip. ``share``: how often such a thing is one, 0 for
    never. ``positive``: cannot lie under 0. ``single``: two of these are not looked for at once.
    """

    wide_std_ma: Array
    share: Array
    positive: npt.NDArray[np.bool_]
    single: npt.NDArray[np.bool_]


def usual_slips(prior_std_ma: Array) -> Slips:
    """Every figure with a tolerance may be a slip; what has none is taken as known."""
    return Slips(
        SLIP_FACTOR * prior_std_ma,
        np.where(prior_std_ma > 0, SLIP_SHARE, 0.0),
        np.zeros(prior_std_ma.shape, dtype=bool),
        np.zeros(prior_std_ma.shape, dtype=bool),
    )


def with_slips(
    prior_std_ma: Array, update: Callable[[Array], Reconciled], slips: Slips | None = None
) -> Reconciled:
    """Mixture of an update over the hypotheses of none, one and two slips.

    ``update``: makes the update for the standard deviations it is given, shape (figures,).
    """
    slips = usual_slips(prior_std_ma) if slips is None else slips
    loose = np.flatnonzero(slips.share > 0)
    hypotheses = [
        subset
        for size in (0, 1, 2)
        for subset in combinations(loose, size)
        if sum(slips.single[index] for index in subset) < 2
    ]
    results: list[Reconciled] = []
    log_weights = np.empty(len(hypotheses))
    with np.errstate(divide="ignore"):
        odds = np.log(slips.share / (1 - slips.share))
    for place, subset in enumerate(hypotheses):
        std, chosen = prior_std_ma.copy(), list(subset)
        std[chosen] = slips.wide_std_ma[chosen]
        result = update(std)
        results.append(result)
        above = [index for index in chosen if slips.positive[index]]
        over = result.posterior_ma[above] / np.maximum(result.posterior_std_ma[above], 1e-12)
        log_weights[place] = (
            float(odds[chosen].sum())
            + result.log_evidence
            + float((scipy.special.log_ndtr(over) + np.log(2)).sum())
        )
    weights = np.exp(log_weights - log_weights.max())
    return _mixture(results, weights / weights.sum(), hypotheses)


def _mixture(
    results: Sequence[Reconciled], weights: Array, hypotheses: Sequence[tuple[np.intp, ...]]
) -> Reconciled:
    """The leading hypothesis, with the probabilities and intervals of all.

    Leading is the weightiest with the most likely slip in it; the first, without any, where that is likelier.
    """
    base = results[0]
    slip = np.zeros_like(base.prior_ma)
    for weight, subset in zip(weights, hypotheses, strict=True):
        slip[list(subset)] += weight
    leading = 0
    if 1 - weights[0] >= LIKELIER:
        with_it = np.array([int(np.argmax(slip)) in subset for subset in hypotheses])
        leading = int(np.argmax(np.where(with_it, weights, -1.0)))
    counts = weights > _LEAST_WEIGHT
    mixture = NormalMixture(
        weights[counts] / weights[counts].sum(),
        np.array([item.posterior_ma for item, keep in zip(results, counts, strict=True) if keep]),
        np.array(
            [item.posterior_std_ma for item, keep in zip(results, counts, strict=True) if keep]
        ),
    )
    return replace(
        base,
        posterior_ma=results[leading].posterior_ma,
        posterior_cov=results[leading].posterior_cov,
        slip=slip,
        mixture=mixture,
        leading=tuple(
            sorted((int(index) for index in hypotheses[leading]), key=lambda index: -slip[index])
        ),
    )


def _inverse(matrix: Array) -> tuple[Array, float]:
    """Inverse of a symmetric matrix and the logarithm of its determinant, over the directions that are not singular.

    A mode without any tolerance and without noise leaves the matrix singular.
    """
    values, vectors = np.linalg.eigh(matrix)
    sound = values > 1e-12 * values.max(initial=0.0)
    values, vectors = values[sound], vectors[:, sound]
    return (vectors / values) @ vectors.T, float(np.log(values).sum())


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
