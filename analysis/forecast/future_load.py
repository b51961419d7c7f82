"""The load to come: as it has been, or as a stated programme."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.load_kind import exponent_fit, load_exponent
from analysis.doubt.quantity import Quantity
from analysis.run.history import Bins

Array = NDArray[np.float64]

_BATCHES: Final = 8
_LOAD_SD_LEAST: Final = 0.005
_EXPONENT_PRIOR: Final = (0.3, 1.2)
_EXPONENT_RANGE: Final = (-1.3, 4.0)


@dataclass(frozen=True)
class Programme:
    """Load stated for the time to come: steps of (duration in s, current in mA), repeated."""

    steps: tuple[tuple[float, float], ...]

    @property
    def mean_ma(self) -> float:
        return sum(s * ma for s, ma in self.steps) / sum(s for s, _ in self.steps)

    def heaviest_ma(self, hold_s: float) -> float:
        """Greatest current that lasts for the hold time (of all, if none does)."""
        long = [ma for s, ma in self.steps if s >= hold_s] or [ma for _, ma in self.steps]
        return max(long)


@dataclass(frozen=True)
class FutureLoad:
    """Load to come: mean current ``scale * V^exponent`` per draw, and the heavy mode's share of it.

    ``mean_ma``: mean current at the voltage as it has been.
    """

    exponents: Array
    scales: Array
    heavy_ratio: float
    exponent: Quantity
    mean_ma: float

    def current_ma(self, draws: int, volts: float) -> Array:
        """Mean current at a voltage, one per draw."""
        pick = np.arange(draws) % len(self.scales)
        return np.maximum(self.scales[pick] * volts ** self.exponents[pick], 1e-6)


def future_load(
    bins: Bins, programme: Programme | None, hold_s: float, rng: np.random.Generator, draws: int
) -> FutureLoad:
    value, error = exponent_fit(bins)
    prior_mean, prior_sd = _EXPONENT_PRIOR
    mean, sd = prior_mean, prior_sd
    if value is not None and error is not None:
        weight = prior_sd**2 / (prior_sd**2 + error**2)
        mean = prior_mean + weight * (value - prior_mean)
        sd = prior_sd * float(np.sqrt(1 - weight))
    exponents = np.clip(mean + sd * rng.standard_normal(draws), *_EXPONENT_RANGE)
    # weights by time: the mean current of the load as it has been, its voltage taken out
    share = bins.span_s / bins.span_s.sum()
    scales = (bins.mean_ma[None, :] * bins.mean_v[None, :] ** -exponents[:, None]) @ share
    heavy = float(np.quantile(bins.held_ma[len(bins.held_ma) // 4 :], 0.9))
    mean_ma = float(bins.mean_ma @ share)
    if programme is not None:
        last_v = float(bins.mean_v[-1])
        scales = programme.mean_ma * last_v**-exponents
        heavy, mean_ma = programme.heaviest_ma(hold_s), programme.mean_ma
        spread = _LOAD_SD_LEAST
    else:
        spread = _load_spread(bins, mean)
    scales = scales * np.exp(spread * rng.standard_normal(draws))
    return FutureLoad(exponents, scales, max(heavy / mean_ma, 0.1), load_exponent(bins), mean_ma)


def _load_spread(bins: Bins, exponent: float) -> float:
    """Relative standard deviation of the future mean load, from how its past stretches differed."""
    steady = bins.mean_ma * bins.mean_v**-exponent
    parts = np.array_split(np.arange(len(steady)), _BATCHES)
    means = np.array([np.average(steady[p], weights=bins.span_s[p]) for p in parts if len(p)])
    if len(means) < _BATCHES or means.mean() <= 0:
        return 0.1
    relative = float(means.std(ddof=1) / means.mean())
    return float(np.hypot(relative / np.sqrt(_BATCHES) * np.sqrt(2.0), _LOAD_SD_LEAST))
