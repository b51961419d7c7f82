"""One description of the test, made of the table: looks, radii, strips, and pieces taken out worn.

What the rows say by themselves is turned into lives that the model can read, and said in words:
lives that all fall on multiples of a step become inspection intervals; a piece taken out
because it looked worn counts as failed there; two bend radii are two groups.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.flex.ways import taken_out_worn
from analysis.life.data import Specimen, groups_of
from analysis.life.looks import last_whole_cycles, looked_every
from logger.base.errors import BenchError


@dataclass(frozen=True)
class Described:
    """Specimens as they are judged; ``notes`` in words; ``worn``: names of those taken out worn.

    ``steps``: bends between looks of each group where they were found or stated.
    ``radii_split``: groups that were parted by bend radius.
    """

    specimens: tuple[Specimen, ...]
    notes: tuple[str, ...]
    worn: tuple[str, ...]
    steps: dict[str, float]
    radii_split: tuple[str, ...]


def describe(
    specimens: Sequence[Specimen],
    looked_every_cycles: float | None = None,
    keep_radii: bool = False,
) -> Described:
    """Read what the rows say of the test. ``keep_radii``: the radii are reckoned with, not parted."""
    found, notes, steps = _inspected(tuple(specimens), looked_every_cycles)
    found, worn, said = _worn(found)
    notes += said
    split: tuple[str, ...] = ()
    if not keep_radii:
        found, split, said = _parted(found)
        notes += said
    return Described(found, tuple(notes), worn, steps, split)


def _inspected(
    specimens: tuple[Specimen, ...], stated: float | None
) -> tuple[tuple[Specimen, ...], list[str], dict[str, float]]:
    if stated is not None and not 0 < stated < 1e9:
        raise BenchError(
            f"Looking every {stated:g} bends cannot be.",
            next_step="give the bends between two looks.",
        )
    entered = [
        item for item in specimens if item.failed and item.whole_cycles == item.broken_cycles
    ]
    open_lives = {id(item) for item in entered}
    steps: dict[str, float] = {}
    if stated is not None:
        steps = {item.group: stated for item in entered}
        notes = [
            f"Looked every {stated:,.0f} bends, as stated: each failure came somewhere before its look."
        ]
    else:
        together = looked_every([item.broken_cycles for item in entered])
        for name, items in groups_of(entered).items():
            step = looked_every([item.broken_cycles for item in items]) or together
            if step is not None:
                steps[name] = step
        notes = [
            f"{_group(names)}: every life is a multiple of {step:,.0f}. Taken as looked at (or rounded) every "
            f"{step:,.0f} bends, so each failure came somewhere before. State it otherwise: --looked-every 1."
            for step, names in _by_step(steps).items()
        ]
    if stated is not None and stated <= 1:
        return specimens, [], {}
    found = tuple(
        replace(item, whole_cycles=last_whole_cycles(item.broken_cycles, steps[item.group]))
        if id(item) in open_lives and item.group in steps
        else item
        for item in specimens
    )
    return found, notes, steps


def _by_step(steps: dict[str, float]) -> dict[float, list[str]]:
    found: dict[float, list[str]] = {}
    for name, step in steps.items():
        found.setdefault(step, []).append(name)
    return found


def _group(names: Sequence[str]) -> str:
    return ", ".join(name or "all specimens" for name in names)


def _worn(
    specimens: tuple[Specimen, ...],
) -> tuple[tuple[Specimen, ...], tuple[str, ...], list[str]]:
    worn = tuple(item.name for item in specimens if taken_out_worn(item))
    if not worn:
        return specimens, (), []
    found = tuple(
        replace(item, broken_cycles=max(item.whole_cycles, 1.0)) if item.name in worn else item
        for item in specimens
    )
    return (
        found,
        worn,
        [
            f"Taken out because they looked worn: {_some(worn)}. Their end was near, so they count as failed there; "
            "counted as whole they would flatter the joint. Next time bend on until it breaks."
        ],
    )


def _parted(
    specimens: tuple[Specimen, ...],
) -> tuple[tuple[Specimen, ...], tuple[str, ...], list[str]]:
    split = tuple(
        name
        for name, items in groups_of(specimens).items()
        if len({item.bend_radius_mm for item in items}) > 1
    )
    if not split:
        return specimens, (), []
    found = tuple(
        replace(item, group=f"{item.group or 'all'}, {_radius(item.bend_radius_mm)}")
        if item.group in split
        else item
        for item in specimens
    )
    return (
        found,
        split,
        [
            f"{_group(split)}: bent round different radii, which are judged apart: a sharper bend breaks sooner. With --wire and "
            "--worn-radius they are reckoned together."
        ],
    )


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(names[:5])
    return shown if len(names) <= 5 else f"{shown} and {len(names) - 5} more"


def _radius(radius_mm: float | None) -> str:
    return "radius not noted" if radius_mm is None else f"{radius_mm:g} mm radius"
