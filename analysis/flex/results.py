"""The Weibull fit of one group of joints: every result with its interval and its one-sided bound."""

from dataclasses import dataclass

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.flex.claim import Claim
from analysis.life.fit import LifeFit
from analysis.life.interval import Asked, Bounds, Method, calibratable, intervals
from analysis.life.weibull import scale_cycles_of, shape_median_unbiased, shape_of


@dataclass(frozen=True)
class WeibullResult:
    """Fit of one group, every result with its interval; ``..._lower``: one-sided bound at the claim's confidence."""

    fit: LifeFit
    shape: Quantity
    shape_unbiased: Quantity
    scale: Quantity
    b10: Quantity
    b50: Quantity
    b10_lower: Quantity
    b50_lower: Quantity
    reliability: Quantity | None
    reliability_lower: Quantity | None


def weibull_result(fit: LifeFit, claim: Claim) -> WeibullResult:
    """Every result of a Weibull fit with its two-sided interval and its one-sided lower bound."""
    asked = [Asked("shape"), Asked("scale"), Asked("percentile", 0.1), Asked("percentile", 0.5)]
    values = [shape_of(fit), scale_cycles_of(fit)]
    values += [fit.percentile_cycles(share) for share in (0.1, 0.5)]
    units = ["", "cycles", "cycles", "cycles"]
    if claim.target_cycles is not None:
        asked.append(Asked("reliability", claim.target_cycles))
        values.append(fit.reliability(claim.target_cycles))
        units.append("")
    note = _method_words(
        claim.method if calibratable(fit) or claim.method == "wald" else "likelihood-ratio"
    )
    bounds = intervals(fit, asked, claim.coverage, claim.method)
    shape, scale, b10, b50, *reliability = [
        _two_sided(*given, claim.coverage, note)
        for given in zip(values, units, bounds, strict=True)
    ]
    # Shape and scale have no side that is worse for the user.
    bounds = intervals(fit, asked[2:], 2 * claim.confidence - 1, claim.method)
    b10_lower, b50_lower, *reliability_lower = [
        _lower(*given, claim.confidence, note)
        for given in zip(values[2:], units[2:], bounds, strict=True)
    ]
    unbiased_note = "maximum likelihood reads high in small samples; its median excess in imitated tests is taken out"
    return WeibullResult(
        fit,
        shape,
        Quantity(shape_median_unbiased(fit), "", note=unbiased_note),
        scale,
        b10,
        b50,
        b10_lower,
        b50_lower,
        reliability[0] if reliability else None,
        reliability_lower[0] if reliability_lower else None,
    )


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
