"""What a run leaves open about a budget: no all-clear where an error could hide.

An unknown is resolved where the run pins it down although its own tolerance is not believed, the
others keeping to theirs; or where all that could hide in it is too little to matter.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.budget.compare import CLOSE_SHARE, CONVERTER_LABEL, BudgetComparison
from analysis.budget.estimate import COVERAGE_FACTOR, design_row
from analysis.budget.file import Budget
from analysis.budget.measured import RunModes

# Pinned down to this share of itself, or to this share of the quietest mode it is on in: our own judgement.
PINNED_SHARE: Final = 0.15
LITTLE_SHARE: Final = 0.05
_NAMED: Final = 3


@dataclass(frozen=True)
class Unresolved:
    """One thing that the run does not tell. ``measure``: what would."""

    words: str
    measure: str


def unresolved_modes(budget: Budget, found: RunModes) -> tuple[Unresolved, ...]:
    """Modes that ran together, and such as the run lacks."""
    if found.blurred:
        measure = "record with --window 1s and type each mode's name (a mark) as it begins"
        return tuple(Unresolved(text, measure) for text in found.blurred)
    measured = {item.mode for item in found.measured}
    missing = [mode.name for mode in budget.modes if mode.name not in measured]
    if not missing:
        return ()
    return (
        Unresolved(
            f"{_some(missing)} was not seen, or draws like another mode"
            if len(missing) == 1
            else f"{_some(missing)} were not seen, or draw like another mode",
            f"record {'it' if len(missing) == 1 else 'each'} for a minute, with a mark",
        ),
    )


def unresolved(budget: Budget, comparison: BudgetComparison) -> tuple[Unresolved, ...]:
    """Figures and draws that the run does not tell apart, the gravest first."""
    return (*_together(budget, comparison), *_base(comparison))


def _together(budget: Budget, comparison: BudgetComparison) -> list[Unresolved]:
    """Figures that the run does not pin down, because others are always on with them."""
    open_ones = [
        comparison.labels[index]
        for index in range(len(comparison.labels))
        if not _pinned(budget, comparison, index)
    ]
    groups = {label: group for group in comparison.inseparable for label in group}
    mixed = [
        label for label in open_ones if label != CONVERTER_LABEL and len(groups.get(label, ())) > 1
    ]
    small = [label for label in open_ones if label != CONVERTER_LABEL and label not in mixed]
    told = []
    if mixed:
        partners = [
            label for label in groups[mixed[0]] if label not in mixed and label != CONVERTER_LABEL
        ]
        behind = f" with {partners[0]}" if partners else " with others"
        told.append(
            Unresolved(
                f"{_some(mixed)} {'is' if len(mixed) == 1 else 'are'} always on together{behind}",
                f"record a minute with {_part(mixed[0])} unplugged, with a mark",
            )
        )
    if small:
        told.append(
            Unresolved(
                f"{_some(small)}: too little for this sensor's doubt",
                "calibrate the zero, or take a larger shunt for the quiet modes",
            )
        )
    if open_ones and not told:
        told.append(
            Unresolved(
                "the converter's efficiency",
                "measure its output once with a meter, beside its input",
            )
        )
    return told


def _base(comparison: BudgetComparison) -> list[Unresolved]:
    """A draw in every mode that nothing lists: how much of it could hide."""
    for place, item in enumerate(comparison.suspects):
        index = len(comparison.labels) + place
        # Where it is named as wrong it does not hide.
        if item.duty or not item.everywhere or index in comparison.after.leading:
            continue
        least_ma = min(mode.measured.value or 0.0 for mode in comparison.modes)
        most_ma = comparison.alone.value[index] + COVERAGE_FACTOR * comparison.alone.std[index]
        if most_ma > PINNED_SHARE * least_ma:
            return [
                Unresolved(
                    f"a further draw, up to {most_ma:.2g} mA in every mode, may hide",
                    "record a minute with every part unplugged or asleep, with a mark",
                )
            ]
    return []


def _pinned(budget: Budget, comparison: BudgetComparison, index: int) -> bool:
    """Whether the run tells this figure, or nothing that matters can hide in it."""
    half = COVERAGE_FACTOR * float(comparison.alone.std[index])
    value = float(comparison.after.prior_ma[index])
    shift = abs(float(comparison.alone.value[index]) - value)
    if half + max(shift - CLOSE_SHARE * value, 0.0) <= PINNED_SHARE * value:
        return True
    if comparison.labels[index] == CONVERTER_LABEL:
        return False
    for item in comparison.modes:
        mode = budget.mode(item.estimate.mode)
        per_ma = float(design_row(budget, mode, item.estimate.pack_v)[index])
        if per_ma * (half + shift) > LITTLE_SHARE * (item.measured.value or 0.0):
            return False
    return bool(np.isfinite(half))


def _part(label: str) -> str:
    return label.split(":")[0]


def _some(names: list[str]) -> str:
    shown = ", ".join(names[:_NAMED])
    return shown if len(names) <= _NAMED else f"{shown} and {len(names) - _NAMED} more"
