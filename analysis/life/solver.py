"""Maximum likelihood for Weibull and lognormal lives, many samples at once.

Both are location-scale families of the log life y: z = (y - location) / scale. With
b = 1 / scale and z = b y - X a the log-likelihood of exact, right-, left- and
interval-censored lives is concave in (b, a) for both families, because their densities
are log-concave (Burridge 1981, J. R. Statist. Soc. B 43:41), so Newton's method with
step halving finds the one maximum. What is held fixed for a likelihood ratio (a shape, a
percentile, a reliability, a ratio of lives) is linear in (b, a): theta = base + map phi.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

Array = NDArray[np.float64]
Derivatives = tuple[Array, Array, Array]

_STEPS_MAX: Final = 120
_DECREMENT: Final = 1e-20
_SLOPE_MAX: Final = 1e7  # of 1/scale in units of 1/spread: beyond, the likelihood has no maximum


@dataclass(frozen=True)
class Family:
    """A location-scale family of z: log density, log survival, log distribution, each with two derivatives."""

    name: str
    density: Callable[[Array], Derivatives]
    survival: Callable[[Array], Derivatives]
    below: Callable[[Array], Derivatives]
    between: Callable[[Array, Array], tuple[Array, Array, Array, Array, Array, Array]]
    percentile: Callable[[Array], Array]  # share failed -> z
    survivors: Callable[[Array], Array]  # z -> share alive


def _sev_density(z: Array) -> Derivatives:
    power = np.exp(z)
    return z - power, 1.0 - power, -power


def _sev_survival(z: Array) -> Derivatives:
    power = -np.exp(z)
    return power, power, power


def _sev_below(z: Array) -> Derivatives:
    power = np.exp(z)
    share = -np.expm1(-power)
    first = np.exp(z - power) / share
    return np.log(share), first, first * (1.0 - power) - first**2


def _sev_between(low: Array, high: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
    power_low, power_high = np.exp(low), np.exp(high)
    log_share = -power_low + np.log(-np.expm1(power_low - power_high))
    d_low = -np.exp(low - power_low - log_share)
    d_high = np.exp(high - power_high - log_share)
    return (
        log_share,
        d_low,
        d_high,
        d_low * (1.0 - power_low) - d_low**2,
        -d_low * d_high,
        d_high * (1.0 - power_high) - d_high**2,
    )


def _normal_density(z: Array) -> Derivatives:
    return -0.5 * z**2 - 0.5 * np.log(2 * np.pi), -z, -np.ones_like(z)


def _normal_below(z: Array) -> Derivatives:
    log_share = scipy.special.log_ndtr(z)
    first = np.exp(_normal_density(z)[0] - log_share)
    return log_share, first, -first * (first + z)


def _normal_survival(z: Array) -> Derivatives:
    log_share, first, second = _normal_below(-z)
    return log_share, -first, second


def _normal_between(low: Array, high: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
    flip = low > 0  # work in the lower tail, where the difference keeps its digits
    outer = scipy.special.log_ndtr(np.where(flip, -low, high))
    inner = scipy.special.log_ndtr(np.where(flip, -high, low))
    log_share = outer + np.log(-np.expm1(inner - outer))
    d_low = -np.exp(_normal_density(low)[0] - log_share)
    d_high = np.exp(_normal_density(high)[0] - log_share)
    return (
        log_share,
        d_low,
        d_high,
        -d_low * low - d_low**2,
        -d_low * d_high,
        -d_high * high - d_high**2,
    )


def _sev_percentile(share: Array) -> Array:
    return np.asarray(np.log(-np.log1p(-share)))


def _sev_survivors(z: Array) -> Array:
    return np.asarray(np.exp(-np.exp(z)))


WEIBULL: Final = Family(
    "weibull",
    _sev_density,
    _sev_survival,
    _sev_below,
    _sev_between,
    _sev_percentile,
    _sev_survivors,
)
LOGNORMAL: Final = Family(
    "lognormal",
    _normal_density,
    _normal_survival,
    _normal_below,
    _normal_between,
    lambda share: np.asarray(scipy.special.ndtri(share)),
    lambda z: np.asarray(scipy.special.ndtr(-z)),
)


@dataclass(frozen=True)
class LogLives:
    """Log lives in columns of one kind each: exact, right, left, interval (``low`` to ``high``).

    Each array has shape (..., columns); leading axes are separate samples. ``weights``
    and ``design`` run over all columns in that order: (..., K) and (K, covariates).
    """

    exact: Array
    right: Array
    left: Array
    low: Array
    high: Array
    weights: Array
    design: Array

    @cached_property
    def plain(self) -> bool:
        """Only exact and right-censored lives, and no covariate but the intercept."""
        censored = self.left.shape[-1] + self.low.shape[-1]
        return not censored and self.design.shape[1] == 1 and bool(np.all(self.design == 1))

    @cached_property
    def seen(self) -> Array:
        """Exact and right-censored log lives, in that order."""
        return np.concatenate((self.exact, self.right), axis=-1)

    @cached_property
    def failures(self) -> tuple[Array, Array]:
        """Weight of the exact lives, and their weighted sum."""
        weights = self.weights[..., : self.exact.shape[-1]]
        return weights.sum(axis=-1), (weights * self.exact).sum(axis=-1)


@dataclass(frozen=True)
class Fit:
    """Maximum of the likelihood: ``theta`` = (b, a...), shape (..., P). ``found`` False: there is none."""

    theta: Array
    log_likelihood: Array
    hessian: Array
    found: NDArray[np.bool_]

    @property
    def scale(self) -> Array:
        """Scale of the log life, 1 / shape of the Weibull."""
        return np.asarray(1.0 / self.theta[..., 0])

    @property
    def location(self) -> Array:
        """Location of the log life where all covariates but the first are 0."""
        return np.asarray(self.theta[..., 1] / self.theta[..., 0])


def log_likelihood(lives: LogLives, family: Family, theta: Array) -> tuple[Array, Array, Array]:
    """Log-likelihood (of the log lives), its gradient and its Hessian at theta (..., P)."""
    if family is WEIBULL and lives.plain:
        return _plain_weibull(lives, theta)
    slope = theta[..., :1]
    offset = theta[..., 1:] @ lives.design.T
    ends = np.cumsum([lives.exact.shape[-1], lives.right.shape[-1], lives.left.shape[-1]])
    parts: list[tuple[Array, ...]] = []
    for block, (start, stop), terms in (
        (lives.exact, (0, ends[0]), family.density),
        (lives.right, (ends[0], ends[1]), family.survival),
        (lives.left, (ends[1], ends[2]), family.below),
    ):
        if start < stop:
            value, first, second = terms(slope * block - offset[..., start:stop])
            parts.append((value, first, first * block, second, second * block, second * block**2))
    if lives.low.shape[-1]:
        parts.append(_between_terms(lives, family, slope, offset[..., ends[2] :]))
    value, first, first_y, second, second_y, second_yy = (
        np.concatenate(item, axis=-1) for item in zip(*parts, strict=True)
    )
    weights = lives.weights
    failures = np.sum(weights[..., : ends[0]], axis=-1)
    total = np.sum(weights * value, axis=-1) + failures * np.log(slope[..., 0])
    size = theta.shape[-1]
    gradient = np.empty(theta.shape)
    hessian = np.empty((*theta.shape, size))
    gradient[..., 0] = np.sum(weights * first_y, axis=-1) + failures / slope[..., 0]
    gradient[..., 1:] = -(weights * first) @ lives.design
    hessian[..., 0, 0] = np.sum(weights * second_yy, axis=-1) - failures / slope[..., 0] ** 2
    hessian[..., 0, 1:] = hessian[..., 1:, 0] = -(weights * second_y) @ lives.design
    if size == 2:  # the everyday case, one intercept: no products of covariates
        hessian[..., 1, 1] = np.sum(weights * second, axis=-1)
    else:
        hessian[..., 1:, 1:] = np.einsum(
            "...k,ki,kj->...ij", weights * second, lives.design, lives.design
        )
    return total, gradient, hessian


def _between_terms(
    lives: LogLives, family: Family, slope: Array, offset: Array
) -> tuple[Array, ...]:
    """Terms of the lives that ended between two looks, in the order of the other kinds."""
    low, high = lives.low, lives.high
    value, d_low, d_high, low2, cross, high2 = family.between(
        slope * low - offset, slope * high - offset
    )
    return (
        value,
        d_low + d_high,
        d_low * low + d_high * high,
        low2 + 2 * cross + high2,
        low2 * low + cross * (low + high) + high2 * high,
        low2 * low**2 + 2 * cross * low * high + high2 * high**2,
    )


def _plain_weibull(lives: LogLives, theta: Array) -> tuple[Array, Array, Array]:
    """The same for exact and right-censored lives without covariates, by three sums: the everyday case."""
    b, a = theta[..., 0], theta[..., 1]
    y, weights = lives.seen, lives.weights
    power = weights * np.exp(b[..., None] * y - a[..., None])
    failures, of_failed = lives.failures
    none, one, two = power.sum(-1), (power * y).sum(-1), (power * y * y).sum(-1)
    total = b * of_failed - a * failures - none + failures * np.log(b)
    gradient = np.stack((of_failed + failures / b - one, none - failures), axis=-1)
    hessian = np.empty((*theta.shape, 2))
    hessian[..., 0, 0] = -two - failures / b**2
    hessian[..., 0, 1] = hessian[..., 1, 0] = one
    hessian[..., 1, 1] = -none
    return total, gradient, hessian


def maximise(
    lives: LogLives,
    family: Family,
    start: Array,
    base: Array,
    free: Array,
    decrement: float = _DECREMENT,
) -> Fit:
    """Maximum over phi of the likelihood at theta = base + free phi.

    ``start`` (..., Q), ``base`` (..., P), ``free`` (..., P, Q). Samples whose likelihood has
    no maximum come back with ``found`` False and not-a-number. ``decrement``: gain in
    log-likelihood below which a step counts as the last one.
    """
    with np.errstate(all="ignore"):
        return _newton(lives, family, start, base, free, decrement)


def _newton(
    lives: LogLives, family: Family, start: Array, base: Array, free: Array, enough: float
) -> Fit:
    phi = start
    theta = base + (free @ phi[..., None])[..., 0]
    best, gradient, hessian = log_likelihood(lives, family, theta)
    step, decrement = _step(gradient, hessian, free)
    shrink = np.ones(best.shape)
    done = decrement < enough
    for _ in range(_STEPS_MAX):
        if done.all():
            break
        trial_phi = phi + (shrink[..., None] * step)
        trial = base + (free @ trial_phi[..., None])[..., 0]
        value, trial_gradient, trial_hessian = log_likelihood(lives, family, trial)
        tolerance = 1e-12 * (1.0 + np.abs(best))
        better = (trial[..., 0] > 0) & (value >= best - tolerance) & ~done
        phi = np.where(better[..., None], trial_phi, phi)
        theta = np.where(better[..., None], trial, theta)
        best = np.where(better, value, best)
        gradient = np.where(better[..., None], trial_gradient, gradient)
        hessian = np.where(better[..., None, None], trial_hessian, hessian)
        shrink = np.where(better, 1.0, shrink * 0.5)
        step, decrement = _step(gradient, hessian, free)
        done = done | (decrement < enough) | (shrink < 1e-9) | (theta[..., 0] > _SLOPE_MAX)
    found = np.isfinite(best) & (decrement < 1e-8) & (theta[..., 0] < _SLOPE_MAX)
    return Fit(
        np.where(found[..., None], theta, np.nan), np.where(found, best, np.nan), hessian, found
    )


def _step(gradient: Array, hessian: Array, free: Array) -> tuple[Array, Array]:
    """Newton step in phi and twice the gain it promises."""
    across = np.swapaxes(free, -1, -2)
    slope = (across @ gradient[..., None])[..., 0]
    bend = across @ hessian @ free
    if slope.shape[-1] == 1:
        step = -slope / bend[..., 0]
    elif slope.shape[-1] == 2:
        determinant = bend[..., 0, 0] * bend[..., 1, 1] - bend[..., 0, 1] ** 2
        step = (
            np.stack(
                (
                    bend[..., 0, 1] * slope[..., 1] - bend[..., 1, 1] * slope[..., 0],
                    bend[..., 0, 1] * slope[..., 0] - bend[..., 0, 0] * slope[..., 1],
                ),
                axis=-1,
            )
            / determinant[..., None]
        )
    else:
        largest = np.nan_to_num(np.abs(bend).max(axis=(-1, -2)))[..., None, None]
        # A hair of ridge: a flat direction gives a long step, not an exception.
        ridge = (1e-13 * largest + 1e-300) * np.eye(slope.shape[-1])
        step = -np.linalg.solve(np.nan_to_num(bend) - ridge, slope[..., None])[..., 0]
    return step, np.abs(np.sum(step * slope, axis=-1))
