"""Lives of test pieces in cycles: exact, still whole, or broken somewhere between two inspections."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.base.errors import BenchError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Specimen:
    """One test piece: it was whole at ``whole_cycles`` and broken at ``broken_cycles``.

    Equal: broke at that very cycle. ``broken_cycles`` infinite: never broke.
    ``whole_cycles`` 0: found broken at the first look. ``strip``: cut from one piece, or one
    person's evening; those of one strip may share their luck. ``row``: of its table, 0 if it has none.
    """

    name: str
    group: str
    whole_cycles: float
    broken_cycles: float
    how: str = ""
    bend_radius_mm: float | None = None
    strip: str = ""
    row: int = 0

    @property
    def failed(self) -> bool:
        return math.isfinite(self.broken_cycles)


@dataclass(frozen=True)
class Lives:
    """Lives as arrays of one length: broke in (``lower``, ``upper``] cycles; ``weights`` counts alike pieces.

    lower == upper: exact; upper infinite: right-censored; lower 0: left-censored.
    """

    lower: Array
    upper: Array
    weights: Array

    @property
    def count(self) -> float:
        return float(self.weights.sum())

    @property
    def failures(self) -> float:
        return float(self.weights[np.isfinite(self.upper)].sum())

    @property
    def is_exact(self) -> NDArray[np.bool_]:
        return np.equal(self.lower, self.upper)

    @property
    def inspected(self) -> bool:
        """Some failures are only known to lie between two inspections."""
        return bool(np.any(np.isfinite(self.upper) & ~self.is_exact))

    @property
    def scattered(self) -> bool:
        """Some pieces were taken out whole before the last failure."""
        failed = np.isfinite(self.upper)
        if failed.all() or not failed.any():
            return False
        return bool(self.lower[~failed].min() < self.upper[failed].max())

    @property
    def seen_cycles(self) -> Array:
        """Count at which each piece's fate was seen: its failure's upper end, or where it stopped whole."""
        return np.where(np.isfinite(self.upper), self.upper, self.lower)

    @property
    def seen_failed(self) -> NDArray[np.bool_]:
        return np.isfinite(self.upper)


def lives(
    failed: Sequence[float] | Array = (),
    censored: Sequence[float] | Array = (),
    between: Sequence[tuple[float, float]] = (),
    failed_weights: Sequence[float] | None = None,
    censored_weights: Sequence[float] | None = None,
) -> Lives:
    """Lives from exact failures, whole pieces (``censored``) and (last whole, first broken) pairs, in cycles."""
    ends = [(float(t), float(t)) for t in failed] + [(float(t), np.inf) for t in censored]
    ends += [(float(low), float(high)) for low, high in between]
    weights = [*(failed_weights or [1.0] * len(failed))]
    weights += [*(censored_weights or [1.0] * len(censored)), *([1.0] * len(between))]
    return _checked(np.array(ends, dtype=float).reshape(-1, 2), np.array(weights, dtype=float))


def _checked(ends: Array, weights: Array) -> Lives:
    lower, upper = ends[:, 0], ends[:, 1]
    if lower.size == 0:
        raise BenchError("There is no specimen to reckon with.", next_step="test at least one.")
    wrong = ~(
        (lower >= 0)
        & (upper >= lower)
        & (upper > 0)
        & np.isfinite(lower)
        & ~((lower == 0) & np.isinf(upper))
        & (weights > 0)
    )
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        raise BenchError(
            "A life must be a positive number of cycles, and a piece cannot break before it was last seen whole.",
            evidence=f"specimen {first + 1}: whole at {lower[first]:g}, broken at {upper[first]:g}",
            next_step="correct that row.",
        )
    return Lives(lower, upper, weights)


def lives_of(specimens: Sequence[Specimen]) -> Lives:
    """Lives of test pieces, in their order."""
    ends = np.array([(item.whole_cycles, item.broken_cycles) for item in specimens], dtype=float)
    return _checked(ends.reshape(-1, 2), np.ones(len(specimens)))


def groups_of(specimens: Sequence[Specimen]) -> dict[str, tuple[Specimen, ...]]:
    """Specimens by group, in the order in which groups first appear."""
    found: dict[str, list[Specimen]] = {}
    for item in specimens:
        found.setdefault(item.group, []).append(item)
    return {name: tuple(items) for name, items in found.items()}
