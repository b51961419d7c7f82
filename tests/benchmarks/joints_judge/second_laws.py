"""Laws of life of the second sealed set: reliability by formula, draws by the physical story.

`reliability` and `quantile` come from formulas, `draw` from another route (numpy's own generator,
or the story step by step), so that each checks the other. Formulas from memory; the tests hold
them against scipy's distributions and draws of a million.
"""

import math
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from scipy.optimize import brentq
from scipy.special import log_ndtr, ndtr, ndtri

from tests.benchmarks.joints_judge.laws import Array, Law

FAR = 60.0


def solved(law: Law, share: float, start: float) -> float:
    """Bends by which `share` failed, where the reliability has no closed inverse."""
    middle = math.log(start)

    def gap(logs: float) -> float:
        return 1 - law.reliability(math.exp(logs)) - share

    return math.exp(float(brentq(gap, middle - FAR, middle + 10, xtol=1e-13, rtol=1e-13)))


@dataclass(frozen=True)
class BirnbaumSaunders:
    """Crack growth in equal normal steps to a limit (Birnbaum & Saunders 1969).

    F(t) = Phi((sqrt(t/s) - sqrt(s/t)) / a), its own inverse in closed form.
    """

    a: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        root = math.sqrt(bends / self.scale)
        return float(ndtr(-(root - 1 / root) / self.a))

    def quantile(self, share: float) -> float:
        half = self.a * float(ndtri(share)) / 2
        return self.scale * (half + math.hypot(half, 1)) ** 2

    def draw(self, random: np.random.Generator, size: int) -> Array:
        # T/s is as likely an inverse Gaussian (mean 1, shape 1/a^2) as the inverse of one.
        drawn = random.wald(1.0, 1 / self.a**2, size)
        turned = random.random(size) < 0.5
        return np.asarray(self.scale * np.where(turned, 1 / drawn, drawn), dtype=np.float64)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class InverseGaussian:
    """First passage of drifting wear to a limit (Schroedinger 1915, Tweedie 1957); mean `scale`.

    F(t) = Phi(u (t/m - 1)) + exp(2 l/m) Phi(-u (t/m + 1)), u = sqrt(l/t), l = ratio m.
    """

    ratio: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        x = bends / self.scale
        u = math.sqrt(self.ratio / x)
        second = math.exp(2 * self.ratio + float(log_ndtr(-u * (x + 1))))
        return float(ndtr(-u * (x - 1))) - second

    def quantile(self, share: float) -> float:
        return solved(self, share, self.scale)

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return random.wald(self.scale, self.ratio * self.scale, size)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class Bathtub:
    """Handling damage that shows early, and wear-out: R = exp(-(t/(late s))^early - (t/s)^wear)."""

    early: float
    late: float
    wear: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        x = bends / self.scale
        return math.exp(-((x / self.late) ** self.early) - x**self.wear)

    def quantile(self, share: float) -> float:
        return solved(self, share, self.scale)

    def draw(self, random: np.random.Generator, size: int) -> Array:
        damaged = self.late * random.weibull(self.early, size)
        worn = random.weibull(self.wear, size)
        return np.asarray(self.scale * np.minimum(damaged, worn), dtype=np.float64)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class TwoBatches:
    """Joints of two evenings, half each; the second evening's live `worse` times as long.

    Within an evening log-normal: R = (Phi(-ln(t/s)/d) + Phi(-ln(t/(worse s))/d)) / 2.
    """

    sigma: float
    worse: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        logs = math.log(bends / self.scale)
        first = ndtr(-logs / self.sigma)
        return float(first + ndtr(-(logs - math.log(self.worse)) / self.sigma)) / 2

    def quantile(self, share: float) -> float:
        return solved(self, share, self.scale)

    def draw_batches(self, random: np.random.Generator, size: int) -> tuple[Array, Array]:
        """Lives, and 1.0 where the joint is of the second evening."""
        second = np.asarray(random.random(size) < 0.5, dtype=np.float64)
        own = random.lognormal(math.log(self.scale), self.sigma, size)
        return np.asarray(own * self.worse**second, dtype=np.float64), second

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return self.draw_batches(random, size)[0]

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class Frailty:
    """Every specimen's hazard is G times the usual, G gamma with mean 1 and variance `spread`.

    A bend a little tighter or wider for each specimen. Within Weibull; over all (Burr 1942)
    R = (1 + spread (t/s)^shape)^(-1/spread), inverse in closed form.
    """

    shape: float
    spread: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        hazard = (bends / self.scale) ** self.shape
        return float((1 + self.spread * hazard) ** (-1 / self.spread))

    def quantile(self, share: float) -> float:
        hazard = math.expm1(-self.spread * math.log1p(-share)) / self.spread
        return self.scale * float(hazard ** (1 / self.shape))

    def draw(self, random: np.random.Generator, size: int) -> Array:
        g = random.gamma(1 / self.spread, self.spread, size)
        own = random.weibull(self.shape, size)
        return np.asarray(self.scale * own * g ** (-1 / self.shape), dtype=np.float64)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class Washed:
    """A wash after `at` scale bends: from there each bend counts for `factor` (linear damage).

    Damage(t) = t to the wash, then at + factor (t - at), over the scale; R = exp(-damage^shape).
    """

    shape: float
    at: float
    factor: float
    scale: float = 1.0

    def reliability(self, bends: float) -> float:
        x = bends / self.scale
        damage = x + (self.factor - 1) * max(x - self.at, 0.0)
        return math.exp(-(damage**self.shape))

    def _bends(self, damage: Array) -> Array:
        after = self.at + (damage - self.at) / self.factor
        return np.asarray(self.scale * np.where(damage > self.at, after, damage), dtype=np.float64)

    def quantile(self, share: float) -> float:
        return float(self._bends(np.asarray((-math.log1p(-share)) ** (1 / self.shape))))

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return self._bends(random.weibull(self.shape, size))

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)


@dataclass(frozen=True)
class LuckyStrips:
    """Strips share a log-normal luck, joints have a log-normal one of their own.

    Over all strips log-normal with sigma^2 = shared^2 + own^2.
    """

    shared: float
    own: float
    scale: float = 1.0

    @property
    def sigma(self) -> float:
        return math.hypot(self.shared, self.own)

    def reliability(self, bends: float) -> float:
        return float(ndtr(-math.log(bends / self.scale) / self.sigma))

    def quantile(self, share: float) -> float:
        return self.scale * math.exp(self.sigma * float(ndtri(share)))

    def draw_strips(self, random: np.random.Generator, size: int, per_strip: int) -> Array:
        """Lives in the order of the strips, the last one perhaps short."""
        luck = random.lognormal(0.0, self.shared, -(-size // per_strip))
        own = random.lognormal(math.log(self.scale), self.own, size)
        return np.asarray(own * np.repeat(luck, per_strip)[:size], dtype=np.float64)

    def draw(self, random: np.random.Generator, size: int) -> Array:
        return self.draw_strips(random, size, 1)

    def scaled(self, factor: float) -> Self:
        return replace(self, scale=self.scale * factor)
