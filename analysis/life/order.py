"""Median and B10 life from the order of the lives alone: no shape of the curve is assumed.

The interval from the d-th shortest to the d-th longest life holds the median with
1 - 2 P(B < d), B binomial(n, 1/2) (Thompson 1936); between two such d the ends are
interpolated to the wanted coverage (Hettmansperger & Sheather 1986, Statist. Probab. Lett. 4:75).
The B10 life alike with B binomial(n, 0.1), ends on a line between two lives (Beran & Hall 1993,
J. R. Statist. Soc. B 55:643). Fewer than 22 pieces have no lower end at 90 %: 0.9^n of such tests hold
no piece of the tenth that fails first, and nobody can know from them when it would.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.life.data import Lives

Array = NDArray[np.float64]

# Five lives give 93.8 % from end to end; four give 87.5 %, less than the usual 90.
_SLACK: Final = 1e-9


@dataclass(frozen=True)
class MedianLife:
    """``value`` and its two-sided interval in cycles; infinite where it did not end. None: not seen."""

    value: float | None
    lower: float
    upper: float
    coverage: float


def median_life(lives: Lives, coverage: float) -> MedianLife | None:
    """Median life with its interval, or None where the lives cannot give it.

    None: too few lives, or pieces taken out whole before the lives that count.
    """
    ordered = ordered_cycles(lives)
    if ordered is None:
        return None
    count = ordered.size
    depth, share = _depth(count, coverage)
    if depth == 0:
        return None
    low = _between(ordered[depth - 1], ordered[min(depth, count - 1)], share)
    high = _between(ordered[count - depth], ordered[max(count - depth - 1, 0)], share)
    if not math.isfinite(low):
        return None
    middle = 0.5 * (ordered[(count - 1) // 2] + ordered[count // 2])
    return MedianLife(float(middle) if math.isfinite(middle) else None, low, high, coverage)


@dataclass(frozen=True)
class B10Life:
    """Two-sided interval of the life by which a tenth has failed, in cycles; ``upper`` may be infinite."""

    lower: float
    upper: float
    coverage: float


def b10_needs(coverage: float) -> int:
    """Fewest pieces whose shortest life is a lower end that leaves something for the upper one."""
    return math.floor(math.log(1 - coverage) / math.log(0.9) + _SLACK) + 1


def b10_life(lives: Lives, coverage: float) -> B10Life | None:
    """Interval of the B10 life; None with too few pieces, or where whole ones were stopped before it.

    Equal tails where there are pieces enough; else the shortest life is the lower end and the
    upper one gets what error is left.
    """
    if round(lives.count) < b10_needs(coverage):
        return None
    ordered = ordered_cycles(lives)
    if ordered is None:
        return None
    count, error = ordered.size, 1 - coverage
    above = scipy.special.bdtr(
        np.arange(count), count, 0.1
    )  # [d - 1]: chance that the d-th shortest is beyond
    lower_error = max(error / 2, float(above[0]))
    d = int(np.searchsorted(above, lower_error + _SLACK, side="right"))
    part = (lower_error - above[d - 1]) / (above[d] - above[d - 1])
    low = _between(ordered[d - 1], ordered[d], part)
    below = 1 - above  # [d - 1]: chance that the d-th shortest comes before
    e = int(np.argmax(below <= error - lower_error))
    part = (error - lower_error - below[e]) / (below[e - 1] - below[e])
    high = _between(ordered[e], ordered[e - 1], part)
    return B10Life(low, high, coverage) if math.isfinite(low) else None


def tenth_life(lives: Lives) -> float | None:
    """Life by which a tenth of these pieces had failed: the ceil(n / 10)-th shortest; None if it was not seen."""
    ordered = ordered_cycles(lives)
    found = math.inf if ordered is None else float(ordered[math.ceil(ordered.size / 10) - 1])
    return found if math.isfinite(found) else None


def ordered_cycles(lives: Lives) -> Array | None:
    """Lives in order; whole ones infinite. None where a whole piece was stopped before another failed.

    Several found broken at one look are spread evenly over the interval before it.
    """
    if lives.scattered:
        return None
    failed, exact = np.isfinite(lives.upper), lives.is_exact
    found = np.repeat(lives.lower[exact], np.rint(lives.weights[exact]).astype(int)).tolist()
    between = failed & ~exact
    for low, high in sorted(
        set(zip(lives.lower[between].tolist(), lives.upper[between].tolist(), strict=True))
    ):
        same = between & (lives.lower == low) & (lives.upper == high)
        many = round(float(lives.weights[same].sum()))
        found += [low + (high - low) * (place + 0.5) / many for place in range(many)]
    whole = round(float(lives.weights[~failed].sum()))
    return np.array(sorted(found) + [np.inf] * whole)


def _depth(count: int, coverage: float) -> tuple[int, float]:
    """Depth d whose interval holds at least ``coverage``, and how far to go to the next one inside."""

    def holds(depth: int) -> float:
        return float(1 - 2 * scipy.special.bdtr(depth - 1, count, 0.5))

    if count < 2 or holds(1) < coverage - _SLACK:
        return 0, 0.0
    depth = 1
    while depth + 1 <= count // 2 and holds(depth + 1) >= coverage:
        depth += 1
    if depth + 1 > count // 2:
        return depth, 0.0
    outer, inner = holds(depth), holds(depth + 1)
    part = (outer - coverage) / (outer - inner)
    return depth, (count - depth) * part / (depth + (count - 2 * depth) * part)


def _between(outer: float, inner: float, share: float) -> float:
    if share == 0 or outer == inner:
        return float(outer)
    if not (math.isfinite(outer) and math.isfinite(inner)):
        return float(outer)  # no end on this side, or the outer one that exists
    return float((1 - share) * outer + share * inner)
