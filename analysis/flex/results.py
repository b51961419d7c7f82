"""What a model, and what their order alone, says of one group's lives: reckoned only where somebody asks for it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.flex.claim import Claim
from analysis.life.data import Lives, Specimen, lives_of
from analysis.life.early import Early, early_failures
from analysis.life.fit import LifeFit, why_not
from analysis.life.goodness import Goodness, goodness
from analysis.life.interval import Asked, Bounds, Method, bound_reaches, calibratable, intervals
from analysis.life.lognormal import fit_lognormal
from analysis.life.order import (
    B10Life,
    MedianLife,
    b10_life,
    b10_needs,
    median_life,
    tenth_life,
)
from analysis.life.solver import LOGNORMAL, WEIBULL
from analysis.life.weibull import fit_weibull, scale_cycles_of, shape_median_unbiased, shape_of
from logger.base.errors import BenchError

FEW_FAILURES: Final = 5
STRIPS_MIN: Final = 5
COARSE: Final = 0.1  # step between looks over the shortest life, from which B10 is not told
POOR_FIT: Final = 0.05  # as often a true Weibull lies as badly, or has failures as early


@dataclass(frozen=True)
class WeibullResult:
    """Fit of one group, every result with its interval; ``..._lower``: one-sided bound at the claim's confidence.

    Reckoned when first asked for.
    """

    fit: LifeFit
    claim: Claim

    @property
    def shape(self) -> Quantity:
        return self._spans["shape"]

    @cached_property
    def shape_unbiased(self) -> Quantity:
        note = "maximum likelihood reads high in small samples; its median excess in imitated tests is taken out"
        return Quantity(shape_median_unbiased(self.fit), "", note=note)

    @property
    def scale(self) -> Quantity:
        return self._spans["scale"]

    @property
    def b10(self) -> Quantity:
        return self._spans["b10"]

    @property
    def b50(self) -> Quantity:
        return self._spans["b50"]

    @property
    def reliability(self) -> Quantity | None:
        return self._spans.get("reliability")

    @property
    def b10_lower(self) -> Quantity:
        return self._bounds["b10"]

    @property
    def b50_lower(self) -> Quantity:
        return self._bounds["b50"]

    @property
    def reliability_lower(self) -> Quantity | None:
        return self._bounds.get("reliability")

    @property
    def _asked(self) -> dict[str, tuple[Asked, float, str]]:
        """What is reckoned: the unknown, its estimate and unit. Shape and scale have no side that is worse."""
        fit, target = self.fit, self.claim.target_cycles
        found = {
            "shape": (Asked("shape"), shape_of(fit), ""),
            "scale": (Asked("scale"), scale_cycles_of(fit), "cycles"),
            "b10": (Asked("percentile", 0.1), fit.percentile_cycles(0.1), "cycles"),
            "b50": (Asked("percentile", 0.5), fit.percentile_cycles(0.5), "cycles"),
        }
        if target is not None:
            found["reliability"] = (Asked("reliability", target), fit.reliability(target), "")
        return found

    @property
    def _note(self) -> str:
        method = self.claim.method
        plain = method == "wald" or calibratable(self.fit)
        return _method_words(method if plain else "likelihood-ratio")

    @cached_property
    def _spans(self) -> dict[str, Quantity]:
        asked, coverage = self._asked, self.claim.coverage
        found = intervals(
            self.fit, [item for item, _, _ in asked.values()], coverage, self.claim.method
        )
        return {
            name: _two_sided(value, unit, bounds, coverage, self._note)
            for (name, (_, value, unit)), bounds in zip(asked.items(), found, strict=True)
        }

    @cached_property
    def _bounds(self) -> dict[str, Quantity]:
        asked, confidence = self._asked, self.claim.confidence
        del asked["shape"], asked["scale"]
        found = intervals(
            self.fit,
            [item for item, _, _ in asked.values()],
            2 * confidence - 1,
            self.claim.method,
        )
        return {
            name: _lower(value, unit, bounds, confidence, self._note)
            for (name, (_, value, unit)), bounds in zip(asked.items(), found, strict=True)
        }


@dataclass(frozen=True)
class Model:
    """Weibull fit of ``lives`` with its rival and its doubts, for ``claim``."""

    lives: Lives
    claim: Claim

    @cached_property
    def _fitted(self) -> tuple[LifeFit | None, str]:
        reason = why_not(self.lives)
        if reason:
            return None, reason
        try:
            return fit_weibull(self.lives), ""
        except BenchError as error:
            return None, error.happened.split(": ", 1)[-1].rstrip(".")

    @property
    def fit(self) -> LifeFit | None:
        return self._fitted[0]

    @property
    def no_fit(self) -> str:
        """Why there is no fit; empty if there is one."""
        return self._fitted[1]

    @cached_property
    def result(self) -> WeibullResult | None:
        """Every number of the fit."""
        return None if self.fit is None else WeibullResult(self.fit, self.claim)

    @cached_property
    def rival(self) -> LifeFit | None:
        """Lognormal fit, None where there is none."""
        try:
            return None if self.fit is None else fit_lognormal(self.lives)
        except BenchError:
            return None

    @cached_property
    def weibull_line(self) -> Goodness | None:
        """How well the lives lie on the Weibull's line."""
        return None if self.fit is None else goodness(self.lives, WEIBULL)

    @property
    def goodness(self) -> tuple[Goodness, ...]:
        """Of the Weibull, then of the lognormal; empty without a fit."""
        line = self.weibull_line
        return () if line is None else (line, goodness(self.lives, LOGNORMAL))

    @property
    def straight(self) -> float | None:
        """p of the probability plot; None where it cannot be told."""
        return None if self.weibull_line is None else self.weibull_line.p_value

    @cached_property
    def early(self) -> Early | None:
        """Failures too early for one Weibull; None where that cannot be told."""
        return early_failures(self.lives)

    @property
    def mixed(self) -> bool:
        """Two kinds of failure seem to be mixed: the first ones come too early for one Weibull."""
        return self.early is not None and self.early.p_value < POOR_FIT

    @property
    def poor(self) -> bool:
        """The lives do not follow one Weibull."""
        return self.mixed or (self.straight is not None and self.straight < POOR_FIT)

    @property
    def trusted(self) -> bool:
        """Whether an indication may rest on the fit: enough failures, and they follow it."""
        return self.fit is not None and self.lives.failures >= FEW_FAILURES and not self.poor

    def shows(self, confidence: float) -> bool:
        """Whether the fit's lower bound at this confidence reaches the claim, if it may be trusted."""
        if self.lives.failures < FEW_FAILURES or self.claim.target_cycles is None:
            return False
        if self.fit is None:
            return False
        asked = Asked("reliability", self.claim.target_cycles)
        claim = self.claim
        reached = bound_reaches(self.fit, asked, claim.reliability, confidence, claim.method)
        return reached and not self.poor


@dataclass(frozen=True)
class Ordered:
    """A life by the order of the lives alone, or why there is none."""

    life: Quantity | None
    why_not: str = ""


def lives_in_order(
    specimens: Sequence[Specimen], coverage: float, worn: bool, looked: bool = False
) -> tuple[Ordered, Ordered]:
    """When half and a tenth have failed, without a shape of the curve; of strips one piece each.

    ``looked``: somebody looked before, with fewer joints.
    """
    if worn:
        none = Ordered(
            None, "some were taken out worn, and when they would have failed nobody knows"
        )
        return none, none
    first = {
        item.strip or f"\0{place}": item for place, item in reversed(list(enumerate(specimens)))
    }
    alone = list(first.values())
    shared = len(alone) < len(specimens)
    if shared and len(alone) < STRIPS_MIN:
        few = (
            f"joints of one strip share their luck, and {len(alone)} strips are too few to know it"
        )
        return Ordered(None, few), Ordered(None, few)
    lives = lives_of(alone if shared else specimens)
    if lives.scattered:
        none = Ordered(None, "some were taken out whole before others failed")
        return none, none
    note = "order of the lives, interpolated" + (", one joint of each strip" if shared else "")
    return _median(lives, coverage, note), _b10(lives, coverage, note, looked)


def _median(lives: Lives, coverage: float, note: str) -> Ordered:
    found = median_life(lives, coverage)
    if found is None:
        few = lives.count < STRIPS_MIN
        return Ordered(None, "fewer than five joints" if few else "fewer than half failed")
    return Ordered(_span(found.value, found, note))


def _b10(lives: Lives, coverage: float, note: str, looked: bool) -> Ordered:
    needs, found = b10_needs(coverage), b10_life(lives, coverage)
    if found is not None and looked:  # measured: 86 % instead of 90
        return Ordered(
            None, "somebody looked before, and stopping at a lucky look flatters the first failures"
        )
    early = lives.lower[np.argmin(lives.upper)], lives.upper.min()
    if found is not None and early[0] < (1 - COARSE) * early[1]:  # measured: 94 to 96 %
        return Ordered(None, "the first failures were only seen at the next look")
    if found is None:
        few = lives.count < needs
        return Ordered(
            None,
            f"fewer than {needs} joints may hold none of the tenth that fails first"
            if few
            else "fewer than a tenth failed",
        )
    return Ordered(_span(tenth_life(lives), found, note))


def _span(value: float | None, found: MedianLife | B10Life, note: str) -> Quantity:
    """Interval of a life; no upper end where nobody saw one."""
    upper = found.upper if math.isfinite(found.upper) else None
    return Quantity(value, "cycles", found.lower, upper, found.coverage, note)


def _two_sided(value: float, unit: str, bounds: Bounds, coverage: float, note: str) -> Quantity:
    upper = bounds.upper if np.isfinite(bounds.upper) else None
    return Quantity(value, unit, bounds.lower, upper, coverage, note)


def _lower(value: float, unit: str, bounds: Bounds, confidence: float, note: str) -> Quantity:
    return Quantity(value, unit, bounds.lower, None, confidence, f"one-sided lower bound, {note}")


def _method_words(method: Method) -> str:
    """The interval's convention in words."""
    return {
        "calibrated": "likelihood ratio, calibrated for small samples by imitated tests",
        "likelihood-ratio": "likelihood ratio, chi-square limit",
        "wald": "Wald, on the log scale",
    }[method]
