"""Laws of life with reliability and quantile by closed form, and draws by numpy's own routes.

Bends are counts, taken as continuous. ``reliability`` and ``quantile`` come from the formulas
below, ``draw`` from numpy's generators: two routes, so that one checks the other.
Formulas: Meeker & Escobar 1998, chapters 4 and 5 (from memory), as in any textbook.
"""

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Protocol, Self

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaincc, gammainccinv, ndtr, ndtri

Array = NDArray[np.float64]
# Gauss-Hermite: 60 nodes are more than double precision needs for spreads below one.
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(60)
WEIGHTS = WEIGHTS / math.sqrt(2 * math.pi)
FAR: Final = 60.0


class Law(Protocol):
    """How long joints live. ``share`` is the share failed by then; all bends in one unit."""

    def reliability(self, bends: float) -> float: ...
    def quantile(self, share: float) -> float: ...
    def draw(self, random: np.random.Generator, size: int) -> Array: ...
    def scaled(self, factor: float) -> Self: ...


def _solve(law: Law, share: float, start: float) -> float:
    """Bends by which ``share`` failed, where the reliability has no closed inverse."""

    def gap(log_bends: float) -> float:
        return (1 - law.reliability(math.exp(log_bends))) - share

    middle = math.log(start)
    return math.exp(float(brentq(gap, middle - FAR, middle + FAR, xtol=1e-13, rtol=1e-13)))


@dataclass(frozen=True)
class Weibull:
    """R(t) = exp(-(t/scale)^shape)."""

    shape: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        return math.exp(-((bends / self.scale) ** self.shape))

    def quantile(self, share: float) -> float:
        return float(self.scale * (-math.log1p(-share)) ** (1 / self.shape))

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return self.scale * random.weibull(self.shape, size)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class Gamma:
    """R(t) = Q(shape, t/scale), the regularised upper incomplete gamma function."""

    shape: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        return float(gammaincc(self.shape, bends / self.scale))

    def quantile(self, share: float) -> float:
        return self.scale * float(gammainccinv(self.shape, 1 - share))

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return random.gamma(self.shape, self.scale, size)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class LogLogistic:
    """R(t) = 1 / (1 + (t/scale)^shape)."""

    shape: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        return float(1 / (1 + (bends / self.scale) ** self.shape))

    def quantile(self, share: float) -> float:
        return float(self.scale * (share / (1 - share)) ** (1 / self.shape))

    def draw(self, random: np.random.Generator, size: int) -> Array:
        logs = random.logistic(math.log(self.scale), 1 / self.shape, size)
        return np.asarray(np.exp(logs), dtype=np.float64)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class LogNormal:
    """R(t) = Phi(-ln(t/scale)/sigma)."""

    sigma: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        return float(ndtr(-math.log(bends / self.scale) / self.sigma))

    def quantile(self, share: float) -> float:
        return self.scale * math.exp(self.sigma * float(ndtri(share)))

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return random.lognormal(math.log(self.scale), self.sigma, size)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class Threshold:
    """No joint fails before ``least`` bends, Weibull from there: the three-parameter Weibull."""

    shape: float
    scale: float
    least: float

    def reliability(self, bends: float) -> float:
        return Weibull(self.shape, self.scale).reliability(max(bends - self.least, 0.0))

    def quantile(self, share: float) -> float:
        return self.least + Weibull(self.shape, self.scale).quantile(share)

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return self.least + self.scale * random.weibull(self.shape, size)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor, least=self.least * factor)


@dataclass(frozen=True)
class Mixture:
    """A share of badly made joints among good ones: R = (1-p) R_good + p R_bad."""

    good: Weibull
    bad: Weibull
    bad_share: float

    def reliability(self, bends: float) -> float:
        good, bad = self.good.reliability(bends), self.bad.reliability(bends)
        return (1 - self.bad_share) * good + self.bad_share * bad

    def quantile(self, share: float) -> float:
        return _quantile(self, share, self.good.scale)

    def draw(self, random: np.random.Generator, size: int) -> Array:
        bad = random.random(size) < self.bad_share
        return np.where(bad, self.bad.draw(random, size), self.good.draw(random, size))

    def scaled(self, factor: float) -> Self:
        return replace(self, good=self.good.scaled(factor), bad=self.bad.scaled(factor))


@dataclass(frozen=True)
class SharedLuck:
    """Joints of one strip share a factor exp(spread Z), Z standard normal; Weibull within.

    Marginal reliability: E[exp(-(t/(scale exp(spread Z)))^shape)] by Gauss-Hermite quadrature.
    """

    shape: float
    spread: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        hazard = (bends / self.scale * np.exp(-self.spread * NODES)) ** self.shape
        return float(np.sum(WEIGHTS * np.exp(-hazard)))

    def quantile(self, share: float) -> float:
        return _quantile(self, share, self.scale)

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return self.draw_strips(random, size, 1)

    def draw_strips(self, random: np.random.Generator, size: int, per_strip: int) -> Array:
        """Lives in the order of the strips, ``per_strip`` to each, the last one perhaps short."""
        strips = -(-size // per_strip)
        luck = np.repeat(random.standard_normal(strips), per_strip)[:size]
        own = random.weibull(self.shape, size)
        return np.asarray(self.scale * np.exp(self.spread * luck) * own, dtype=np.float64)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class Competing:
    """The specimen ends when the joint or the wire beside it does: R = R_joint R_wire."""

    joint: Weibull
    wire: Weibull

    def reliability(self, bends: float) -> float:
        return self.joint.reliability(bends) * self.wire.reliability(bends)

    def quantile(self, share: float) -> float:
        return _quantile(self, share, self.joint.scale)

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return np.minimum(self.joint.draw(random, size), self.wire.draw(random, size))

    def scaled(self, factor: float) -> Self:
        return replace(self, joint=self.joint.scaled(factor), wire=self.wire.scaled(factor))


@lru_cache(maxsize=4096)
def _quantile(law: Mixture | SharedLuck | Competing, share: float, start: float) -> float:
    return _solve(law, share, start)
