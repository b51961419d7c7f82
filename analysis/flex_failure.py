"""When did a joint fail? Three criteria on the rows of a flex run, and what each would have said.

- ``open``: one interruption at least so long (an open that lasts over several whole cycles adds up),
- ``resistance``: greatest resistance of the cycle above a multiple of the specimen's own
  baseline for so many cycles in a row; the failure is the first of them,
- ``break``: open for whole cycles and never conducting again.

The baseline is the median of the first cycles that conduct. Faults that heal are counted, not smoothed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.life_data import Specimen
from logger.errors import BenchError

Array = NDArray[np.float64]
CriterionName = Literal["open", "resistance", "break"]
CRITERIA: Final[tuple[CriterionName, ...]] = ("open", "resistance", "break")


@dataclass(frozen=True)
class Criterion:
    """What counts as failed; ``name`` decides, the others are told beside it."""

    name: CriterionName = "open"
    open_s: float = 0.010
    resistance_factor: float = 2.0
    cycles_in_a_row: int = 10
    baseline_cycles: int = 20

    def __str__(self) -> str:
        if self.name == "open":
            return f"an interruption of {self.open_s * 1000:g} ms or longer"
        if self.name == "resistance":
            return (
                f"resistance above {self.resistance_factor:g} times the joint's own first value "
                f"for {self.cycles_in_a_row} cycles in a row"
            )
        return "open for good"


@dataclass(frozen=True)
class JointRecord:
    """One specimen's rows, arrays (rows,); ``resistance_max_ohm`` is not-a-number where open all the cycle."""

    specimen: str
    group: str
    cycle: Array
    resistance_max_ohm: Array
    opens: Array
    longest_open_s: Array


@dataclass(frozen=True)
class Intermittent:
    """A cycle with an interruption after which the joint conducted again."""

    cycle: int
    opens: int
    longest_open_s: float


@dataclass(frozen=True)
class Verdict:
    """``first_cycle`` of each criterion, None: not reached. ``rows_missing``: cycles without a row."""

    specimen: str
    group: str
    cycles_run: int
    baseline_ohm: float | None
    first_cycle: dict[CriterionName, int | None]
    healed: tuple[Intermittent, ...]
    rows_missing: int

    def life(self, criterion: Criterion) -> Specimen:
        """The specimen's life by this criterion."""
        first = self.first_cycle[criterion.name]
        if first is None:
            return Specimen(self.specimen, self.group, self.cycles_run, np.inf, "whole when stopped")
        return Specimen(self.specimen, self.group, first, first, f"{criterion.name} at {first}")


def judge(record: JointRecord, criterion: Criterion) -> Verdict:
    """First cycle of each criterion, and the interruptions that healed. Raises BenchError without rows."""
    if record.cycle.size == 0:
        raise BenchError(f"{record.specimen}: there is no flex cycle to judge.")
    order = np.argsort(record.cycle, kind="stable")
    cycle = record.cycle[order]
    resistance, opens = record.resistance_max_ohm[order], record.opens[order]
    longest = record.longest_open_s[order]
    dark = np.isnan(resistance)  # open all the cycle
    conducting = np.flatnonzero(~dark)
    baseline = (
        float(np.median(resistance[conducting[: criterion.baseline_cycles]]))
        if conducting.size
        else None
    )
    last_conducting = int(conducting[-1]) if conducting.size else -1
    first: dict[CriterionName, int | None] = {
        "open": _first(cycle, _open_stretch_s(dark, longest) >= criterion.open_s),
        "resistance": _first_in_a_row(
            cycle, resistance, dark, baseline, criterion
        ),
        "break": int(cycle[last_conducting + 1]) if last_conducting + 1 < cycle.size else None,
    }
    healed = tuple(
        Intermittent(int(cycle[i]), int(opens[i]), float(longest[i]))
        for i in np.flatnonzero((opens > 0) | dark)
        if i < last_conducting
    )
    return Verdict(
        record.specimen,
        record.group,
        int(cycle[-1]),
        baseline,
        first,
        healed,
        int(cycle[-1] - cycle[0] + 1 - np.unique(cycle).size),
    )


def _open_stretch_s(dark: NDArray[np.bool_], longest_s: Array) -> Array:
    """Longest interruption known to have lasted until each cycle; whole open cycles in a row add up."""
    total = longest_s.copy()
    for i in np.flatnonzero(dark):
        if i and (dark[i - 1] or longest_s[i - 1] > 0):
            total[i] = longest_s[i] + (total[i - 1] if dark[i - 1] else 0.0)
    return total


def _first(cycle: Array, hit: NDArray[np.bool_]) -> int | None:
    places = np.flatnonzero(hit)
    return int(cycle[places[0]]) if places.size else None


def _first_in_a_row(
    cycle: Array,
    resistance: Array,
    dark: NDArray[np.bool_],
    baseline: float | None,
    criterion: Criterion,
) -> int | None:
    """First of ``cycles_in_a_row`` cycles above the limit; an open cycle is above any limit."""
    if baseline is None:
        return int(cycle[0])
    high = dark | (np.nan_to_num(resistance) > criterion.resistance_factor * baseline)
    count = 0
    for i, above in enumerate(high):
        count = count + 1 if above else 0
        if count >= criterion.cycles_in_a_row:
            return int(cycle[i - count + 1])
    # A joint that is open at the end stays so: the run was stopped before the count was full.
    if count and dark[-1]:
        return int(cycle[len(cycle) - count])
    return None


def lives_by_criterion(
    verdicts: Sequence[Verdict], criterion: Criterion
) -> tuple[Specimen, ...]:
    """Every specimen's life by the chosen criterion."""
    return tuple(verdict.life(criterion) for verdict in verdicts)
