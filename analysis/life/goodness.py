"""Does the fitted life agree with the specimens? Probability plot and its correlation.

On the right paper the failures lie on a line: ln cycles against the standard value of the
share failed, here 1 - the midpoint of the Kaplan-Meier step (NIST/SEMATECH e-Handbook
1.3.3.22 and 8.1.6). Their correlation is compared with that of imitated
tests of as many specimens and failures whose lives do follow the family.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.life.data import Lives
from analysis.life.imitation import FAILURES_MAX, imitated_logs
from analysis.life.solver import LOGNORMAL, WEIBULL, Family
from analysis.life.survival import kaplan_meier

Array = NDArray[np.float64]

_TESTS: Final = 2000
_SEED: Final = 311
FAILURES_MIN: Final = 4


@dataclass(frozen=True)
class Goodness:
    """``correlation`` on the family's probability paper; ``p_value``: share of true samples with a lower one.

    None for fewer than four failures or more than the imitation goes to.
    """

    family: str
    correlation: float | None
    p_value: float | None


def plot_points(lives: Lives) -> tuple[Array, Array]:
    """Cycles and share failed of each distinct failure, for a probability plot."""
    curve = kaplan_meier(lives)
    before = np.concatenate(([1.0], curve.survival[:-1]))
    return curve.cycles, 1.0 - 0.5 * (before + curve.survival)


def goodness(lives: Lives, family: Family) -> Goodness:
    """Probability-plot correlation with its simulated p-value."""
    cycles, share = plot_points(lives)
    failures = round(lives.failures)
    if not FAILURES_MIN <= failures <= FAILURES_MAX or cycles.size < 3:
        return Goodness(family.name, None, None)
    order = np.repeat(np.arange(cycles.size), kaplan_meier(lives).failures.astype(int))
    correlation = float(np.corrcoef(np.log(cycles)[order], family.percentile(share)[order])[0, 1])
    known = _imitated_correlations(family.name, round(lives.count), failures)
    return Goodness(family.name, correlation, float(np.mean(known <= correlation)))


@lru_cache(maxsize=64)
def _imitated_correlations(family_name: str, specimens: int, failures: int) -> Array:
    family = {item.name: item for item in (WEIBULL, LOGNORMAL)}[family_name]
    random = np.random.default_rng(_SEED)
    exact, _ = imitated_logs(family, specimens, failures, _TESTS, random)
    share = (np.arange(1, failures + 1) - 0.5) / specimens
    z = family.percentile(share)
    x = exact - exact.mean(axis=1, keepdims=True)
    z = z - z.mean()
    return np.asarray((x @ z) / np.sqrt((x**2).sum(axis=1) * (z**2).sum()))
