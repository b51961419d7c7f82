"""The table of a hand test: a row per specimen, made empty, read back and looked through."""

import csv
import difflib
import math
from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import Final

import numpy as np

from analysis.flex.sheet import (
    Row,
    Sheet,
    count_of,
    marks_by_cross,
    measure_of,
    read_sheet,
    text_sheet,
    yes_or_no,
)
from analysis.life.data import Specimen, groups_of
from logger.base.errors import BenchError

COLUMNS: Final = {
    "specimen": "name of the test piece, each once",
    "group": "what is compared, e.g. stranded with relief (empty: all in one group)",
    "strip": "those cut from one strip, or made in one evening, get the same word (empty: each by itself)",
    "cycles": "full bends and back when it broke, or when you stopped (empty: not tested yet)",
    "failed": "yes: it broke; no: still whole when you stopped",
    "how": "where it broke: joint, wire beside the joint, insulation, connector; or why it was taken out",
    "last_whole_cycles": "only if you looked every so many cycles: the last count at which it was seen whole (0: never)",
    "bend_radius_mm": "only if you bent round different rods: inner radius of the bend",
}
REQUIRED: Final = ("specimen", "cycles", "failed")
CYCLES_MAX: Final = 1e9
RADIUS_MM: Final = (0.1, 1000.0)
_SAME: Final = {"batch": "strip", "bend_radius": "bend_radius_mm", "radius_mm": "bend_radius_mm"}
_TEMPLATE: Final = "drawbench flex new"


def flex_table(groups: Sequence[str], specimens_each: int) -> str:
    """Empty table of a hand test as CSV text: header and a row per specimen to be filled in."""
    stream = StringIO()
    writer = csv.writer(stream)
    writer.writerow(COLUMNS)
    number = 0
    for group in groups:
        for _ in range(specimens_each):
            number += 1
            writer.writerow([f"S{number:02d}", group, *[""] * (len(COLUMNS) - 2)])
    return stream.getvalue()


def read_flex_table(path: Path) -> tuple[tuple[Specimen, ...], tuple[str, ...]]:
    """Specimens of a hand-test table, and in words what was noticed in it.

    Raises BenchError that names row and column if a cell cannot be understood.
    """
    return _specimens(read_sheet(path, tuple(COLUMNS), REQUIRED, _SAME, _TEMPLATE))


def parse_flex_table(text: str, name: str) -> tuple[tuple[Specimen, ...], tuple[str, ...]]:
    """As ``read_flex_table``, from the table's text; ``name`` is used in messages."""
    return _specimens(text_sheet(text, name, tuple(COLUMNS), REQUIRED, _SAME, _TEMPLATE))


def _specimens(sheet: Sheet) -> tuple[tuple[Specimen, ...], tuple[str, ...]]:
    notes: list[str] = []
    if sheet.unused:
        notes.append(f"{sheet.name}: not used: column {', '.join(sheet.unused)}.")
    cross = marks_by_cross([row.get("failed") for row in sheet.rows if row.get("cycles")])
    specimens: list[Specimen] = []
    first: dict[str, int] = {}
    empty = by_cross = 0
    for row in sheet.rows:
        if not row.get("cycles") and not row.get("failed"):
            empty += 1
            continue
        by_cross += cross and not row.get("failed")
        specimen = _specimen(row, cross)
        if specimen.name in first:
            raise row.wrong(
                "specimen",
                f"{specimen.name!r} stands twice, first in row {first[specimen.name]}.",
                "give each test piece a name of its own; one row per piece.",
            )
        first[specimen.name] = row.number
        specimens.append(specimen)
    if empty:
        notes.append(
            f"{sheet.name}: {_many(empty, 'row')} without cycles left out: not tested yet."
        )
    if by_cross:
        notes.append(
            f"{sheet.name}: {_many(by_cross, 'row')} without a cross under failed taken as still whole."
        )
    if not specimens:
        raise BenchError(
            f"{sheet.name} holds no tested specimen.",
            evidence=f"{_many(empty, 'row')} without cycles",
            next_step="fill in cycles and failed (yes or no) for at least one specimen.",
        )
    return tuple(specimens), (*notes, *notices(specimens))


def _specimen(row: Row, cross: bool) -> Specimen:
    name = row.get("specimen")
    if not name:
        raise row.wrong("specimen", "empty.", "give the piece a name, e.g. S01.")
    cycles = count_of(row, "cycles", CYCLES_MAX)
    failed = yes_or_no(row, "failed", cross)
    if cycles == 0:
        raise row.wrong(
            "cycles",
            "0 cycles say nothing about bending.",
            "a piece that was broken before its first bend is a soldering fault: leave it out and write that down.",
        )
    whole = float(cycles)
    if row.get("last_whole_cycles"):
        last_whole = count_of(row, "last_whole_cycles", CYCLES_MAX)
        if failed and last_whole > cycles:
            raise row.wrong(
                "last_whole_cycles",
                f"{last_whole} is after the failure at {cycles}.",
                "it is the last count at which the piece was still seen whole.",
            )
        if not failed and last_whole != cycles:
            raise row.wrong(
                "last_whole_cycles",
                f"{last_whole}, but the piece did not fail and stopped at {cycles}.",
                "leave the cell empty for a piece that did not fail.",
            )
        whole = float(last_whole)
    radius_mm = None
    if row.get("bend_radius_mm"):
        radius_mm = measure_of(row, "bend_radius_mm", "a bend radius in millimetres", *RADIUS_MM)
    return Specimen(
        name,
        " ".join(row.get("group").split()),
        whole,
        float(cycles) if failed else math.inf,
        row.get("how"),
        radius_mm,
        row.get("strip"),
        row.number,
    )


def notices(specimens: Sequence[Specimen]) -> tuple[str, ...]:
    """What looks odd without being wrong: group names alike, lives far from all others."""
    found = list(_alike_groups(specimens))
    seen = np.array(
        [item.broken_cycles if item.failed else item.whole_cycles for item in specimens]
    )
    middle = float(np.median(seen))
    for item, cycles in zip(specimens, seen, strict=True):
        if middle > 0 and (cycles > 1000 * middle or cycles * 1000 < middle):
            found.append(
                f"{item.name}: {cycles:.0f} cycles is a thousand times off the others (middle {middle:.0f}): a slip of the pen?"
            )
    return tuple(found)


def _alike_groups(specimens: Sequence[Specimen]) -> tuple[str, ...]:
    sizes = {name: len(items) for name, items in groups_of(specimens).items()}
    names = list(sizes)
    found = []
    for place, first in enumerate(names):
        for second in names[place + 1 :]:
            if _one_letter_apart(first, second):
                found.append(
                    f"Groups {first!r} ({sizes[first]}) and {second!r} ({sizes[second]}) differ by one letter or by capitals: "
                    "they are kept apart; if they are the same, correct the table."
                )
    return tuple(found)


def _one_letter_apart(first: str, second: str) -> bool:
    if not first or not second:
        return False
    one, two = first.casefold(), second.casefold()
    if one == two:
        return True
    if one.replace(" ", "") == two.replace(" ", ""):
        return True
    if min(len(one), len(two)) < 4 or abs(len(one) - len(two)) > 1:
        return False  # "A" and "B", "5 mm" and "8 mm" are names on purpose
    blocks = [
        step for step in difflib.SequenceMatcher(None, one, two).get_opcodes() if step[0] != "equal"
    ]
    if len(blocks) != 1:
        return False
    _, start, stop, other_start, other_stop = blocks[0]
    changed = one[start:stop] + two[other_start:other_stop]
    return max(stop - start, other_stop - other_start) == 1 and not any(
        letter.isdigit() for letter in changed
    )


def _many(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"
