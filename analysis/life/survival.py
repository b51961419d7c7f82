"""Share of specimens alive after so many cycles, without any assumed shape of the curve.

Kaplan & Meier 1958: S = product of (1 - failures / at risk), ties of a failure and a
removal counted failure first; Greenwood's variance; pointwise bands on the linear, log
or log-minus-log scale (Kalbfleisch & Prentice 2002, section 1.4). A failure found at
an inspection is counted where it was found.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.life.data import Lives

Array = NDArray[np.float64]
Scale = Literal["log-log", "log", "linear"]


@dataclass(frozen=True)
class SurvivalCurve:
    """Steps at ``cycles`` where failures were seen, all arrays (steps,).

    ``survival`` holds from that count on; ``lower``/``upper`` its pointwise band at ``coverage``.
    ``at_risk``: specimens still on test just before.
    """

    cycles: Array
    survival: Array
    standard_error: Array
    lower: Array
    upper: Array
    at_risk: Array
    failures: Array
    coverage: float
    end_cycles: float

    def at(self, cycles: float) -> tuple[float, float, float]:
        """Survival and its band after so many cycles."""
        place = int(np.searchsorted(self.cycles, cycles, side="right")) - 1
        if place < 0:
            return 1.0, 1.0, 1.0
        return float(self.survival[place]), float(self.lower[place]), float(self.upper[place])


def kaplan_meier(lives: Lives, coverage: float = 0.9, scale: Scale = "log-log") -> SurvivalCurve:
    """Survival curve with its pointwise band; ends that do not exist are 0 and 1."""
    seen, failed = lives.seen_cycles, lives.seen_failed
    cycles = np.unique(seen[failed])
    at_risk = np.array([lives.weights[seen >= t].sum() for t in cycles])
    failures = np.array([lives.weights[failed & (seen == t)].sum() for t in cycles])
    survival = np.cumprod(1.0 - failures / at_risk) if cycles.size else np.empty(0)
    with np.errstate(divide="ignore", invalid="ignore"):
        hazard = np.cumsum(failures / (at_risk * (at_risk - failures)))
        error = survival * np.sqrt(hazard)
    alive = survival > 1e-12
    survival = np.where(alive, survival, 0.0)
    error = np.where(alive, error, 0.0)
    factor = float(scipy.special.ndtri(0.5 + coverage / 2))
    lower, upper = _band(survival, error, factor, scale)
    return SurvivalCurve(
        cycles,
        survival,
        error,
        np.where(alive, lower, 0.0),
        np.where(alive, upper, _last_upper(upper)),
        at_risk,
        failures,
        coverage,
        float(seen.max()),
    )


def _band(survival: Array, error: Array, factor: float, scale: Scale) -> tuple[Array, Array]:
    with np.errstate(divide="ignore", invalid="ignore"):
        if scale == "linear":
            low, high = survival - factor * error, survival + factor * error
        elif scale == "log":
            spread = np.exp(factor * error / survival)
            low, high = survival / spread, survival * spread
        else:
            log_survival = np.log(survival)
            spread = np.exp(factor * error / (survival * -log_survival))
            low, high = np.exp(log_survival * spread), np.exp(log_survival / spread)
    return np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)


def _last_upper(upper: Array) -> float:
    """Where all have failed the formulas give no upper end: the last one that exists is kept."""
    finite = upper[np.isfinite(upper)]
    return float(finite[-1]) if finite.size else 1.0
