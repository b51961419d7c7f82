"""Lives of test pieces in cycles: exact, still whole, or broken somewhere between two inspections.

A hand test is a CSV table with a row per specimen; ``flex_table`` makes an empty one.
"""

import csv
import difflib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.base.errors import BenchError

Array = NDArray[np.float64]

COLUMNS: Final = {
    "specimen": "name of the test piece, each once",
    "group": "what is compared, e.g. stranded with relief (empty: all in one group)",
    "cycles": "full bends and back when it broke, or when you stopped (empty: not tested yet)",
    "failed": "yes: it broke; no: still whole when you stopped",
    "how": "in your words: broke at the solder, stopped, clamp slipped ...",
    "last_whole_cycles": "only if you looked every so many cycles: the last count at which it was seen whole (0: never)",
    "bend_radius_mm": "only if you bent round different rods: inner radius of the bend",
}
REQUIRED: Final = ("specimen", "cycles", "failed")
CYCLES_MAX: Final = 1e9
_YES: Final = {"yes", "y", "true", "1", "failed", "broke", "broken"}
_NO: Final = {"no", "n", "false", "0", "whole", "stopped", "survived"}


@dataclass(frozen=True)
class Specimen:
    """One test piece: it was whole at ``whole_cycles`` and broken at ``broken_cycles``.

    Equal: broke at that very cycle. ``broken_cycles`` infinite: never broke.
    ``whole_cycles`` 0: found broken at the first look.
    """

    name: str
    group: str
    whole_cycles: float
    broken_cycles: float
    how: str = ""
    bend_radius_mm: float | None = None

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


def flex_table(groups: Sequence[str], specimens_each: int) -> str:
    """Empty table of a hand test as CSV text: header and a row per specimen to be filled in."""
    stream = StringIO()
    writer = csv.writer(stream)
    writer.writerow(COLUMNS)
    number = 0
    for group in groups:
        for _ in range(specimens_each):
            number += 1
            writer.writerow([f"S{number:02d}", group, "", "", "", "", ""])
    return stream.getvalue()


def read_flex_table(path: Path) -> tuple[tuple[Specimen, ...], tuple[str, ...]]:
    """Specimens of a hand-test table, and in words what was noticed in it.

    Raises BenchError that names line and column if a row cannot be understood.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise BenchError(
            f"{path.name} is not UTF-8 text.",
            evidence=f"byte {error.start} cannot be read",
            next_step='save it from the spreadsheet as "CSV UTF-8".',
        ) from error
    except OSError as error:
        raise BenchError(
            f"{path} cannot be read.",
            evidence=str(error.strerror or error),
            next_step="check the name; `drawbench flex new` makes an empty table.",
        ) from error
    return parse_flex_table(text, path.name)


def parse_flex_table(text: str, name: str) -> tuple[tuple[Specimen, ...], tuple[str, ...]]:
    """As ``read_flex_table``, from the table's text; ``name`` is used in messages."""
    reader = _reader(text, name)
    notes: list[str] = []
    specimens: list[Specimen] = []
    first_line: dict[str, int] = {}
    empty = 0
    for row in reader:
        line = reader.line_num
        where = f"{name}, line {line}"
        if None in row:
            raise BenchError(
                f"{where}: more cells than the header has columns.",
                evidence=repr(row[None]),
                next_step='put text that holds a comma into "double quotes", and write 4800, not 4,800.',
            )
        cells = {key: (value or "").strip() for key, value in row.items()}
        if not any(cells.values()):
            continue
        if not cells["cycles"] and not cells["failed"]:
            empty += 1
            continue
        specimen = _specimen(cells, where)
        if specimen.name in first_line:
            raise BenchError(
                f"{where}, column specimen: {specimen.name!r} stands twice.",
                evidence=f"first in line {first_line[specimen.name]}",
                next_step="give each test piece a name of its own; one row per piece.",
            )
        first_line[specimen.name] = line
        specimens.append(specimen)
    if empty:
        notes.append(f"{name}: {_many(empty, 'row')} without cycles left out: not tested yet.")
    if not specimens:
        raise BenchError(
            f"{name} holds no tested specimen.",
            evidence=f"{_many(empty, 'row')} without cycles",
            next_step="fill in cycles and failed (yes or no) for at least one specimen.",
        )
    return tuple(specimens), (*notes, *notices(specimens))


def _reader(text: str, name: str) -> "csv.DictReader[str]":
    """Reader of the table's rows by column, in small letters. Raises BenchError for missing columns."""
    text = text.removeprefix("\ufeff")
    header_line = text.split("\n", 1)[0]
    delimiter = ";" if header_line.count(";") > header_line.count(",") else ","
    reader = csv.DictReader(StringIO(text), delimiter=delimiter, skipinitialspace=True)
    header = [(column or "").strip().lower() for column in reader.fieldnames or []]
    missing = [column for column in REQUIRED if column not in header]
    if missing:
        raise BenchError(
            f"{name}, line 1: the table has no column {', '.join(missing)}.",
            evidence=f"columns seen: {', '.join(header) or 'none'}",
            next_step="start from `drawbench flex new`, or add a header row with these names.",
        )
    reader.fieldnames = header
    return reader


def _specimen(cells: dict[str, str], where: str) -> Specimen:
    name = cells["specimen"]
    if not name:
        raise BenchError(
            f"{where}, column specimen: empty.", next_step="give the piece a name, e.g. S01."
        )
    cycles = _number(cells["cycles"], where, "cycles")
    failed = _yes_or_no(cells["failed"], where)
    if cycles == 0:
        raise BenchError(
            f"{where}, column cycles: 0 cycles say nothing about bending.",
            next_step="a piece that was broken before its first bend is a soldering fault: leave it out and write that down.",
        )
    whole, broken = (cycles, cycles) if failed else (cycles, math.inf)
    if cells.get("last_whole_cycles"):
        last_whole = _number(cells["last_whole_cycles"], where, "last_whole_cycles")
        if failed:
            whole = last_whole
            if whole > broken:
                raise BenchError(
                    f"{where}, column last_whole_cycles: {whole:g} is after the failure at {broken:g}.",
                    next_step="it is the last count at which the piece was still seen whole.",
                )
        elif last_whole != cycles:
            raise BenchError(
                f"{where}, column last_whole_cycles: {last_whole:g}, but the piece did not fail and stopped at {cycles:g}.",
                next_step="leave the cell empty for a piece that did not fail.",
            )
    radius_mm = None
    if cells.get("bend_radius_mm"):
        radius_mm = _number(cells["bend_radius_mm"], where, "bend_radius_mm")
        if not 0.1 <= radius_mm <= 1000:
            raise BenchError(
                f"{where}, column bend_radius_mm: {radius_mm:g} mm is not a bend radius.",
                next_step="write the inner radius in millimetres, 0.1 to 1000.",
            )
    return Specimen(
        name,
        " ".join(cells.get("group", "").split()),
        whole,
        broken,
        cells.get("how", ""),
        radius_mm,
    )


def _number(text: str, where: str, column: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    # A spreadsheet's 1.200 is twelve hundred in half of the world.
    thousands = column != "bend_radius_mm" and re.fullmatch(r"\d{1,3}\.\d{3}", text)
    if not math.isfinite(number) or number < 0 or thousands:
        raise BenchError(
            f"{where}, column {column}: {text!r} is not a count of zero or more."
            if text
            else f"{where}, column {column}: empty, though the row says whether it failed.",
            next_step="write digits only, without thousands sign, e.g. 4800.",
        )
    if number > CYCLES_MAX:
        raise BenchError(
            f"{where}, column {column}: {text} is absurd for a bench.",
            evidence="at one bend a second a billion bends take 32 years",
            next_step="check for digits too many.",
        )
    return number


def _yes_or_no(text: str, where: str) -> bool:
    word = text.lower()
    if word in _YES:
        return True
    if word in _NO:
        return False
    raise BenchError(
        f"{where}, column failed: {text!r} is neither yes nor no."
        if text
        else f"{where}, column failed: empty.",
        next_step="yes: it broke at that count; no: still whole when you stopped.",
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
