"""How steeply life goes with a stress of which only a few values were tested, with an interval that holds for a handful.

The signed root of the likelihood ratio at the true slope does not depend on the unknown level,
slope and scatter when the tests are complete or end at a failure (Lawless 2003, section 5.1), so its
quantiles come from imitated tests with as many pieces and failures at each value. Chi-square is too
narrow: of five joints at two radii a nominal 90 % held 70 %.
"""

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.life.data import Lives
from analysis.life.imitation import FAILURES_MAX, imitated_logs
from analysis.life.ratio import signed_roots
from analysis.life.regression import coefficient_bound, coefficient_interval, fit_regression
from analysis.life.solver import WEIBULL, LogLives

Array = NDArray[np.float64]

_SEED: Final = 4177
_TESTS: Final = 2000


def slope(lives: Lives, at: Array, coverage: float) -> tuple[float, float, float]:
    """d ln life / d ``at`` with its interval; ends may be infinite. Raises BenchError for too few failures."""
    design = np.stack((np.ones(at.size), at), axis=1)
    fit = fit_regression(lives, design, WEIBULL)
    value = float(fit.coefficients[1])
    failed = np.isfinite(lives.upper)
    strata = tuple(
        (float(x), round(float(lives.weights[at == x].sum())), int(failed[at == x].sum()))
        for x in np.unique(at)
    )
    if lives.failures > FAILURES_MAX or any(failures == 0 for _, _, failures in strata):
        return (value, *coefficient_interval(fit, 1, coverage))
    roots = imitated_roots(strata)
    tail = (1.0 - coverage) / 2.0
    low, high = (float(np.quantile(roots, share)) for share in (1.0 - tail, tail))
    return value, coefficient_bound(fit, 1, low), coefficient_bound(fit, 1, high)


@lru_cache(maxsize=64)
def imitated_roots(strata: tuple[tuple[float, int, int], ...]) -> Array:
    """Signed roots at the true slope over imitated tests; (value, pieces, failures) of each stratum."""
    random = np.random.default_rng(_SEED)
    parts = [
        imitated_logs(WEIBULL, count, failures, _TESTS, random) for _, count, failures in strata
    ]
    exact = np.concatenate([part[0] for part in parts], axis=-1)
    right = np.concatenate([part[1] for part in parts], axis=-1)
    x = [np.full(part[0].shape[-1], at) for part, (at, _, _) in zip(parts, strata, strict=True)]
    x += [np.full(part[1].shape[-1], at) for part, (at, _, _) in zip(parts, strata, strict=True)]
    at = np.concatenate(x)
    at = at - at.mean()
    whole = [float(count - failures) for _, count, failures in strata if count > failures]
    none = np.empty((_TESTS, 0))
    logs = LogLives(
        exact,
        right,
        none,
        none,
        none,
        np.array([1.0] * exact.shape[-1] + whole),
        np.stack((np.ones(at.size), at), axis=1),
    )
    return signed_roots(logs, _TESTS)
