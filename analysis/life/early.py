"""Did some pieces fail too early for one Weibull: are two kinds mixed?

Spacings of the ordered log lives over their expected values are near exponential if the lives are one
Weibull; badly made pieces among good ones stretch those at the short end. So for
each split the share of the first k spacings of all is compared with its beta distribution, and the split that stands out most is
the statistic (the ratio of spacings: Mann, Scheuer & Fertig 1973, Commun. Statist. 2:383; that the split is searched for is ours). Its
p comes from imitated tests of as many pieces and failures, so the search is paid for.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.life.data import Lives
from analysis.life.imitation import FAILURES_MAX, imitated_logs
from analysis.life.order import ordered_cycles
from analysis.life.solver import WEIBULL

Array = NDArray[np.float64]

FAILURES_MIN: Final = 5
_TESTS: Final = 4000
_SEED: Final = 1973


@dataclass(frozen=True)
class Early:
    """``pieces`` that failed first, split off where that stands out most; ``p_value``: as much by chance."""

    pieces: int
    p_value: float


def early_failures(lives: Lives) -> Early | None:
    """The likeliest split; None with fewer than five failures, or pieces taken out whole on the way."""
    ordered = ordered_cycles(lives)
    if ordered is None:
        return None
    logs = np.log(ordered[np.isfinite(ordered)])
    failures = logs.size
    if not FAILURES_MIN <= failures <= FAILURES_MAX or logs[0] == logs[-1]:
        return None
    expected, known = _imitated(ordered.size, failures)
    found, split = _scan(logs[None, :], expected)
    above = known.size - int(np.searchsorted(known, found[0] * (1 - 1e-9)))
    return Early(int(split[0]) + 1, (above + 1) / (known.size + 1))


def _scan(logs: Array, expected: Array) -> tuple[Array, NDArray[np.int_]]:
    """Largest -ln p over the splits, and its place; ``logs`` (tests, failures) in order."""
    spacings = np.diff(logs, axis=1) / expected
    many = spacings.shape[1]
    first = np.cumsum(spacings, axis=1)
    k = np.arange(1, min((many + 1) // 2, many - 2) + 1)
    share = first[:, : k.size] / first[:, -1:]
    p = scipy.special.betaincc(k, many - k, share)
    surprise = -np.log(np.maximum(p, 1e-300))
    return surprise.max(axis=1), surprise.argmax(axis=1)


@lru_cache(maxsize=128)
def _imitated(pieces: int, failures: int) -> tuple[Array, Array]:
    """Expected spacings of a standard test, and the sorted statistic of imitated ones."""
    random = np.random.default_rng(_SEED)
    logs, _ = imitated_logs(WEIBULL, pieces, failures, _TESTS, random)
    expected = np.diff(logs, axis=1).mean(axis=0)
    return expected, np.sort(_scan(logs, expected)[0])
