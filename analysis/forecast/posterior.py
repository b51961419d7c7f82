"""Which discharge curves fit what has been seen: posterior over capacity, starting depth and shape.

A cell's loaded voltage against depth z is a Gaussian process about its chemistry's typical curve
(``chemistry_prior``): slow shifts, fine bends, features that stand earlier or later, and a drop
in proportion to the current. Depth is z = z0 + q / Q with charge q; Q (capacity under this load
down to the floor) and z0 (how far the cell was emptied before) lie on a grid. For each grid
point the marginal likelihood of the observed voltages is that of a multivariate normal
(Rasmussen & Williams 2006, eq. 2.30), and the rest of the curve is its conditional (eq. 2.24).
By definition of Q the curve passes the floor voltage at depth 1: added as one more observation.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.curve_family import CurveFamily
from analysis.forecast.chemistry_prior import (
    TYPICAL_RATE_PER_H,
    CapacityPrior,
    curve_table,
    mode_table,
)
from analysis.forecast.start_state import DEPTHS, start_prior

Array = NDArray[np.float64]

Z0: Final = DEPTHS
_COARSE: Final = 33
_FINE: Final = 33
_FAR_BELOW: Final = 14.0  # logarithm of a weight that no longer counts
_SLOW_LENGTH: Final = 0.40  # the other two lengths are a half and a third of it
_START_LENGTH: Final = 0.03
_FLOOR_SD_V: Final = 0.002
_STRAY: Final = 25.0  # one bad contact must not speak for the fit


@dataclass(frozen=True)
class Observed:
    """What has been seen, per cell: charge (mAh), volts, current (mA), noise (V); one length.

    ``heavy_ma``: current of the heaviest mode around that time; the cutoff comes under that one.
    """

    charge_mah: Array
    volts: Array
    current_ma: Array
    noise_v: Array
    heavy_ma: Array


@dataclass(frozen=True)
class Candidate:
    """A family that may stand behind the run, with what is believed and seen of it.

    ``weight``: prior weight of its pack. ``end_ma``: current expected at the floor. ``fresh``: what was
    said of the pack's state at the start (None: nothing).
    """

    family: CurveFamily
    prior: CapacityPrior
    floor_v: float
    observed: Observed
    end_ma: float
    weight: float = 1.0
    fresh: bool | None = None


@dataclass(frozen=True)
class Posterior:
    """Grid points with their weights (not normalised logarithms) for one candidate.

    ``misfit``: robust chi-square per observation, about 1 where the family fits.
    """

    candidate: Candidate
    log_q: Array
    z0: Array
    log_prior: Array
    log_likelihood: Array
    misfit: Array
    log_weight: Array = field(default_factory=lambda: np.empty(0))

    def paths(
        self,
        log_q: Array,
        z0: Array,
        depth: Array,
        current_ma: Array,
        per_point: int,
        rng: np.random.Generator,
    ) -> Array:
        """Drawn voltages (points, ``per_point``, depths) at capacities, starts, depths and currents."""
        system = System(self.candidate, log_q, z0)
        return system.paths(depth, current_ma, per_point, rng)


def posteriors(candidates: Sequence[Candidate], quick: bool = False) -> list[tuple[int, Posterior]]:
    """Grids of capacity and starting depth with log weights (prior times likelihood).

    Two passes: every candidate over its prior's whole width with every other observation, then,
    for those that still count (their place in ``candidates`` is given), finer where the weight is.
    ``quick``: the first pass alone, for what is only to be scored.
    """
    scans = []
    for candidate in candidates:
        log_q = np.linspace(*candidate.prior.log_range(), _COARSE)
        seen = candidate.observed
        # counted from the end, so that the newest observation is always among them
        half = Observed(*(values[::-1][::2][::-1] for values in vars(seen).values()))
        scans.append(_evaluate(replace(candidate, observed=half), log_q, Z0))
    if quick:
        weighed_all = enumerate(zip(scans, _log_weights(scans), strict=True))
        return [(number, replace(scan, log_weight=w)) for number, (scan, w) in weighed_all]
    tables = [weight.reshape(_COARSE, len(Z0)) for weight in _log_weights(scans)]
    best = max(float(table.max()) for table in tables)
    places, found = [], []
    for number, (candidate, scan, table) in enumerate(zip(candidates, scans, tables, strict=True)):
        if table.max() < best - 2 * _FAR_BELOW:
            continue
        rows = np.flatnonzero(table.max(axis=1) > table.max() - _FAR_BELOW)
        columns = np.flatnonzero(table.max(axis=0) > table.max() - _FAR_BELOW)
        axis = scan.log_q.reshape(_COARSE, len(Z0))[:, 0]
        low, high = axis[max(rows[0] - 1, 0)], axis[min(rows[-1] + 1, _COARSE - 1)]
        places.append(number)
        found.append(_evaluate(candidate, np.linspace(low, high, _FINE), Z0[columns]))
    weighed = zip(places, found, _log_weights(found), strict=True)
    return [(number, replace(item, log_weight=weight)) for number, item, weight in weighed]


def _log_weights(scans: Sequence[Posterior]) -> list[Array]:
    """Prior plus likelihood, the latter raised to the family's trust.

    A power below 1 is the usual remedy where no family is the true one (Bissiri, Holmes & Walker
    2016). Chemistries are compared at their best point, whatever their trust.
    """
    best: dict[str, float] = {}
    for scan in scans:
        chemistry = scan.candidate.family.chemistry
        top = float(scan.log_likelihood.max())
        best[chemistry] = max(best.get(chemistry, -np.inf), top)
    return [
        scan.log_prior
        + scan.candidate.family.trust * scan.log_likelihood
        + (1 - scan.candidate.family.trust) * best[scan.candidate.family.chemistry]
        for scan in scans
    ]


def _evaluate(candidate: Candidate, log_q: Array, z0: Array) -> Posterior:
    grid_q = np.repeat(log_q, len(z0))
    grid_z0 = np.tile(z0, len(log_q))
    prior = candidate.prior
    log_prior = (
        prior.log_density(grid_q)
        + np.log(np.interp(grid_z0, Z0, start_prior(candidate.fresh)))
        + np.log(log_q[1] - log_q[0])
        + np.log(candidate.family.weight * candidate.weight)
    )
    likelihood, misfit = System(candidate, grid_q, grid_z0).log_likelihood()
    return Posterior(candidate, grid_q, grid_z0, log_prior, likelihood, misfit)


_Places = tuple[Array, Array, Array, tuple[Array, ...]]  # depth, slope, sag, modes: each (n, k)


class System:
    """Gaussian process of one family at many grid points at once."""

    def __init__(self, candidate: Candidate, log_q: Array, z0: Array) -> None:
        family, prior, floor_v = candidate.family, candidate.prior, candidate.floor_v
        observed, end_ma = candidate.observed, candidate.end_ma
        self.family = family
        self.rated = prior.median_mah
        count = len(log_q)
        depth = z0[:, None] + observed.charge_mah[None, :] / np.exp(log_q)[:, None]
        self.depth = np.hstack([depth, np.ones((count, 1))])
        heavy = self._excess(np.append(observed.heavy_ma, end_ma))[None, :]
        lighter = np.append(observed.current_ma - observed.heavy_ma, 0.0)[None, :] / self.rated
        self.sag = heavy * growth(self.depth) + lighter * (1 + np.clip(self.depth, 0, 1) ** 2)
        self.typical, self.slope = _curve(family, self.depth)
        self.modes = _modes(family, self.depth)
        volts = np.append(observed.volts, floor_v)
        self.residual = volts[None, :] - (self.typical - family.drop_v_h * self.sag)
        noise = np.append(observed.noise_v, _FLOOR_SD_V) ** 2
        seen = (self.depth, self.slope, self.sag, self.modes)
        covariance = self._kernel(seen, seen)
        covariance[:, np.arange(len(noise)), np.arange(len(noise))] += noise[None, :]
        self.factor = np.linalg.cholesky(covariance)

    def _excess(self, current_ma: Array) -> Array:
        return np.asarray(current_ma / self.rated - TYPICAL_RATE_PER_H, dtype=np.float64)

    def _kernel(self, a: _Places, b: _Places) -> Array:
        family = self.family
        (za, slope_a, sag_a, modes_a), (zb, slope_b, sag_b, modes_b) = a, b
        gap2 = (za[:, :, None] - zb[:, None, :]) ** 2
        # one exponential: (length / 2) is its 4th power, (length / 3) its 9th
        near = np.exp(-gap2 / (2 * _SLOW_LENGTH**2))
        near4 = near * near
        near4 *= near4
        warp_a = family.warp * np.minimum(np.abs(slope_a), 3.0)
        warp_b = family.warp * np.minimum(np.abs(slope_b), 3.0)
        total = family.slow_v**2 * near
        total += warp_a[:, :, None] * warp_b[:, None, :] * near4
        near4 *= near4
        total += family.fine_v**2 * near4 * near
        start_a = family.start_v * np.exp(-np.maximum(za, 0.0) / _START_LENGTH)
        start_b = family.start_v * np.exp(-np.maximum(zb, 0.0) / _START_LENGTH)
        total += start_a[:, :, None] * start_b[:, None, :]
        drop = (family.drop_spread * family.drop_v_h) ** 2
        total += drop * sag_a[:, :, None] * sag_b[:, None, :]
        for mode_a, mode_b in zip(modes_a, modes_b, strict=True):
            total += mode_a[:, :, None] * mode_b[:, None, :]
        return total

    def log_likelihood(self) -> tuple[Array, Array]:
        """Per grid point; beside it the mean square of the whitened rest, each at most ``_STRAY``."""
        solved = np.linalg.solve(self.factor, self.residual[:, :, None])[:, :, 0]
        log_det = np.log(np.diagonal(self.factor, axis1=1, axis2=2)).sum(axis=1)
        square = solved**2
        likelihood = -0.5 * square.sum(axis=1) - log_det
        return np.asarray(likelihood), np.asarray(np.minimum(square, _STRAY).mean(axis=1))

    def paths(
        self, depth: Array, current_ma: Array, per_point: int, rng: np.random.Generator
    ) -> Array:
        """Drawn voltages (grid points, ``per_point``, depths) given what was observed."""
        typical, slope = _curve(self.family, depth)
        sag = self._excess(current_ma) * growth(depth)
        places = (depth, slope, sag, _modes(self.family, depth))
        cross = self._kernel(places, (self.depth, self.slope, self.sag, self.modes))
        own = self._kernel(places, places)
        half = np.linalg.solve(self.factor, cross.transpose(0, 2, 1))
        solved = np.linalg.solve(self.factor, self.residual[:, :, None])
        mean = typical - self.family.drop_v_h * sag
        mean = mean + (half.transpose(0, 2, 1) @ solved)[:, :, 0]
        rest = own - half.transpose(0, 2, 1) @ half
        size = depth.shape[1]
        rest[:, np.arange(size), np.arange(size)] += 1e-8
        factor = np.linalg.cholesky(rest)
        noise = rng.standard_normal((len(depth), size, per_point))
        return np.asarray(mean[:, None, :] + (factor @ noise).transpose(0, 2, 1))


def growth(depth: Array) -> Array:
    """The drop grows as the cell empties; at depth 1 it is in the definition of the capacity."""
    inside = np.clip(depth, 0.0, 1.0)
    return np.asarray((1 + inside**2) * (1 - inside**12))


def _curve(family: CurveFamily, depth: Array) -> tuple[Array, Array]:
    """Typical volts and slope (V per unit depth) at depths of any shape."""
    knots, volts, slopes = curve_table(family)
    return np.interp(depth, knots, volts), np.interp(depth, knots, slopes)


def _modes(family: CurveFamily, depth: Array) -> tuple[Array, ...]:
    """Volts per standard deviation of each of the family's modes, at depths of any shape."""
    knots, modes = mode_table(family)
    return tuple(np.interp(depth, knots, mode) for mode in modes)
