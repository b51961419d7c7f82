"""Verdict on each specimen of a recorded flex run: when did it fail, by each criterion?

The criteria are followed by ``logger.flex.criterion``; here they are applied to stored
runs, and the chosen one becomes the life that the statistics take.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Final

from analysis.life.data import Specimen
from logger.base.errors import BenchError
from logger.flex.criterion import CRITERIA, Criterion, CriterionName, CycleSeen, JointWatch
from logger.flex.store import FlexDescription, read_flex_description, read_flex_rows

# As many as the baseline is taken of.
DRIFT_CYCLES: Final = 20
SIMULATED_NOTE = "SIMULATED: a simulated board with simulated joints; no hardware was there."


@dataclass(frozen=True)
class Verdict:
    """One specimen: ``first_cycle`` of each criterion (None: not reached), interruptions that ``healed``."""

    specimen: str
    group: str
    bend_radius_mm: float | None
    cycles_run: int
    baseline_ohm: float | None
    first_cycle: dict[CriterionName, int | None]
    healed: tuple[CycleSeen, ...]
    rows_missing: int
    cycles: tuple[CycleSeen, ...]

    @property
    def drift(self) -> float | None:
        """Resistance of the last cycles that conduct over the joint's own first value, before it failed by opening."""
        if self.baseline_ohm is None:
            return None
        seen = [c.resistance_max_ohm for c in self.cycles if c.resistance_max_ohm is not None]
        return median(seen[-DRIFT_CYCLES:]) / self.baseline_ohm if seen else None

    def life(self, criterion: CriterionName) -> Specimen:
        """The specimen's life by a criterion."""
        first = self.first_cycle[criterion]
        how = "whole when stopped" if first is None else f"{criterion} at cycle {first}"
        return Specimen(
            self.specimen,
            self.group,
            float(self.cycles_run if first is None else first),
            math.inf if first is None else float(first),
            how,
            self.bend_radius_mm,
        )


def judge(
    cycles: Sequence[CycleSeen],
    criterion: Criterion,
    specimen: str,
    group: str = "",
    bend_radius_mm: float | None = None,
) -> Verdict:
    """Follow one specimen's cycles by all criteria. Raises BenchError without a cycle."""
    if not cycles:
        raise BenchError(
            f"{specimen}: there is no flex cycle to judge.", next_step="leave that run away."
        )
    watch = JointWatch(criterion)
    ordered = sorted(cycles, key=lambda item: item.cycle)
    for seen in ordered:
        watch.feed(seen)
    watch.close()
    return Verdict(
        specimen,
        group,
        bend_radius_mm,
        watch.cycles_run,
        watch.baseline_ohm,
        dict(watch.first_cycle),
        tuple(watch.healed),
        watch.cycles_run - watch.rows - (ordered[0].cycle - 1),
        tuple(ordered),
    )


def read_flex_run(
    folder: Path, criterion: Criterion | None
) -> tuple[FlexDescription, tuple[Verdict, ...], tuple[str, ...]]:
    """Verdicts of a recorded run, by its own criterion unless another is given, and what was noticed."""
    description = read_flex_description(folder)
    rows, damaged = read_flex_rows(folder)
    chosen = criterion or description.criterion
    notes = []
    if damaged:
        notes.append(f"{folder.name}: {damaged} damaged rows left out.")
    verdicts = []
    for item in description.joints:
        if item.joint not in rows:
            notes.append(f"{folder.name}: {item.specimen} has no row and is left out.")
            continue
        verdict = judge(rows[item.joint], chosen, item.specimen, item.group, item.bend_radius_mm)
        verdicts.append(verdict)
        if verdict.rows_missing:
            notes.append(
                f"{folder.name}: {item.specimen}: {verdict.rows_missing} of {verdict.cycles_run} cycles have no row; "
                "a failure that first showed in one of them is dated late."
            )
    if description.simulated:
        notes.append(SIMULATED_NOTE)
    if not verdicts:
        raise BenchError(f"{folder} holds no flex cycle.", next_step="give another run.")
    return description, tuple(verdicts), tuple(notes)


def criteria_summary(verdicts: Sequence[Verdict]) -> str:
    """How many each criterion would have called failed, and what healed."""
    failed = ", ".join(
        f"{name} {sum(v.first_cycle[name] is not None for v in verdicts)}" for name in CRITERIA
    )
    healed = sum(len(v.healed) for v in verdicts)
    return (
        f"Failed of {len(verdicts)} specimens by each criterion: {failed} (a run that stopped at the chosen one did not wait "
        f"for the others). Interrupted cycles that healed: {healed:,}."
    )


def criteria_words(verdict: Verdict) -> str:
    """What each criterion would have said of a specimen, and what healed."""
    parts = [
        f"{name} {'-' if verdict.first_cycle[name] is None else format(verdict.first_cycle[name], ',')}"
        for name in CRITERIA
    ]
    healed = len(verdict.healed)
    drift = (
        ""
        if verdict.drift is None
        else f"; resistance at the end {verdict.drift:.3g} times its first"
    )
    return f"{verdict.specimen}: {', '.join(parts)}; {healed} interrupted cycle{'s' if healed != 1 else ''} that healed{drift}"
