"""Capacity and runtime against draw, cutoff, temperature and pauses.

Peukert 1897, in the two forms that go by the name; for "a 100 Ah battery" they disagree, so each
says which it is:

- plain: t = C_1 / I^k, with C_1 the capacity at 1 A;
- rated: t = H (C / (I H))^k, with C the capacity on the label, rated over H hours.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy

from analysis.doubt.quantity import Quantity

COVERAGE: Final = 0.95

# Usual exponents where there is only one run, with their standard deviation: alkaline from a cell
# supplier's published bench table of AA cells (PowerStream, 2006-2020: 1.32 to 1.46), the others typical.
USUAL_EXPONENT: Final = {
    "alkaline": (1.37, 0.05),
    "zinc-carbon": (1.4, 0.1),
    "nimh": (1.04, 0.02),
    "li-ion": (1.02, 0.02),
    "lifepo4": (1.02, 0.02),
    "lithium-coin": (1.25, 0.1),
    "lithium-aa": (1.06, 0.04),
}
# Share of the 20 C capacity at 0 C and at a moderate draw: least and greatest, typical, from memory.
_COLD_SHARE: Final = {
    "alkaline": (0.4, 0.75),
    "zinc-carbon": (0.3, 0.65),
    "nimh": (0.75, 0.95),
    "li-ion": (0.75, 0.92),
    "lifepo4": (0.65, 0.9),
    "lithium-coin": (0.6, 0.95),
    "lithium-aa": (0.85, 1.0),
}
_REST_GAIN: Final = {"alkaline": (1.0, 1.25), "zinc-carbon": (1.0, 1.6)}


def peukert_plain_h(capacity_ah: float, current_a: float, exponent: float) -> float:
    """Hours by the plain form t = C / I^k; C is the capacity at 1 A."""
    return float(capacity_ah / current_a**exponent)


def peukert_rated_h(capacity_ah: float, rated_h: float, current_a: float, exponent: float) -> float:
    """Hours by the rated form t = H (C / (I H))^k; C is the capacity rated over H hours."""
    return float(rated_h * (capacity_ah / (current_a * rated_h)) ** exponent)


@dataclass(frozen=True)
class RateFit:
    """ln t = level - k ln I fitted over runs. ``exponent``: k with its interval (none for two runs).

    ``capacity_at_1a_ah``: C of the plain form.
    """

    exponent: Quantity
    capacity_at_1a_ah: float
    mean_log_current: float
    log_sd: float
    runs: int
    spread: float

    def hours_at(self, current_a: float) -> Quantity:
        """Runtime at another draw with the prediction interval of a straight line."""
        assert self.exponent.value is not None
        log_t = math.log(self.capacity_at_1a_ah) - self.exponent.value * math.log(current_a)
        value = math.exp(log_t)
        if self.runs < 3:
            return Quantity(value, "h", note="two runs: no interval")
        away = (math.log(current_a) - self.mean_log_current) ** 2 / self.spread
        half = float(scipy.special.stdtrit(self.runs - 2, (1 + COVERAGE) / 2)) * self.log_sd
        half *= math.sqrt(1 + 1 / self.runs + away)
        return Quantity(value, "h", math.exp(log_t - half), math.exp(log_t + half), COVERAGE)


def fit_rate(currents_a: Sequence[float], hours: Sequence[float]) -> RateFit:
    """Peukert's exponent from runs at different draws, k = -d ln t / d ln I, with Student's interval.

    Raises ValueError for fewer than two different draws or a value that is not positive.
    """
    if min(*currents_a, *hours) <= 0:
        raise ValueError("draws and runtimes must be positive")
    x, y = np.log(np.asarray(currents_a)), np.log(np.asarray(hours))
    spread = float(((x - x.mean()) ** 2).sum())
    if len(x) < 2 or spread < 1e-4:
        raise ValueError("a rate exponent needs at least two clearly different draws")
    slope = float(((x - x.mean()) * y).sum() / spread)
    level = float(y.mean() - slope * x.mean())
    if len(x) < 3:
        exponent = Quantity(-slope, "1", note="two runs: no interval")
        return RateFit(exponent, math.exp(level), float(x.mean()), 0.0, len(x), spread)
    rest = y - level - slope * x
    log_sd = math.sqrt(float((rest**2).sum()) / (len(x) - 2))
    half = float(scipy.special.stdtrit(len(x) - 2, (1 + COVERAGE) / 2)) * log_sd / math.sqrt(spread)
    exponent = Quantity(-slope, "1", -slope - half, -slope + half, COVERAGE)
    return RateFit(exponent, math.exp(level), float(x.mean()), log_sd, len(x), spread)


def runtime_at_draw(
    runtime_h: float, draw_ma: float, other_ma: float, chemistry: str, runtime_sd: float = 0.05
) -> Quantity:
    """Runtime at another draw from one run: t2 = t1 (I1/I2)^k with the chemistry's usual exponent.

    ``runtime_sd``: relative difference from pack to pack. Interval at 90 %; widens with the step.
    """
    exponent, exponent_sd = USUAL_EXPONENT[chemistry]
    step = math.log(draw_ma / other_ma)
    value = runtime_h * math.exp(exponent * step)
    half = 1.645 * math.hypot(exponent_sd * step, runtime_sd)
    return Quantity(
        value,
        "h",
        value * math.exp(-half),
        value * math.exp(half),
        0.9,
        f"one run and the usual exponent {exponent:g} of {chemistry}; a second run at another draw would measure it",
    )


def cold_share(chemistry: str, celsius: float) -> tuple[float, float]:
    """Least and greatest share of the 20 C capacity at a moderate draw: straight line to 0 C, as much again (as a factor) to -20 C.

    Typical, from memory; 1 at 20 C and above, and for a chemistry of which nothing is known.
    """
    part = min(max((20 - celsius) / 20, 0.0), 2.0)
    ends = _COLD_SHARE.get(chemistry, (1.0, 1.0))
    low, high = (1 - part * (1 - end) if part <= 1 else end**part for end in ends)
    return low, high


def runtime_in_cold(runtime_h: float, celsius: float, chemistry: str) -> Quantity:
    """Runtime at another temperature of the cells between 0 and 20 C, from one run near 20 C.

    Bounds from typical shares (from memory), straight line between 0 and 20 C. Raises ValueError outside.
    """
    if not 0 <= celsius <= 20:
        raise ValueError("only between 0 and 20 C is anything usual known")
    low, high = cold_share(chemistry, celsius)
    return Quantity(
        runtime_h * (low + high) / 2,
        "h",
        runtime_h * low,
        runtime_h * high,
        None,
        "typical bounds, not measured; cells worn under a coat stay warmer than the air",
    )


def runtime_with_pauses(runtime_h: float, chemistry: str) -> Quantity:
    """Hours of use when worn an evening at a time instead of in one go, from one unbroken run."""
    low, high = _REST_GAIN.get(chemistry, (0.97, 1.03))
    return Quantity(
        runtime_h * (low + high) / 2,
        "h",
        runtime_h * low,
        runtime_h * high,
        None,
        "typical bounds, not measured: alkaline and zinc-carbon recover in pauses, the more so at a heavy draw",
    )


def what_if(runtime_h: float, draw_ma: float, chemistry: str) -> tuple[tuple[str, Quantity], ...]:
    """Runtime at other draws, in the cold and with pauses, from one measured run; each says what it rests on."""
    if chemistry not in USUAL_EXPONENT:
        return ()
    return (
        ("At half the draw", runtime_at_draw(runtime_h, draw_ma, draw_ma / 2, chemistry)),
        ("At twice the draw", runtime_at_draw(runtime_h, draw_ma, draw_ma * 2, chemistry)),
        ("With cells at 0 °C", runtime_in_cold(runtime_h, 0.0, chemistry)),
        ("Used an evening at a time", runtime_with_pauses(runtime_h, chemistry)),
    )
