"""The first rows of a foreign table, by column: which one is meant, what its cells hold, how they go on."""

import difflib
import math
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.errors import BenchError
from logger.text.cells import cell_kind
from logger.text.layout import Layout
from logger.text.units import plain_unit, read_name

Floats = npt.NDArray[np.float64]

_ROWS_SHOWN: Final = 4


@dataclass(frozen=True)
class PlanWish:
    """What the user gave about columns; keys are quantities: ``time`` and those of ``plan.TARGETS``.

    ``clock``: ``hh:mm`` or ``mm:ss``; ``hours``: 12 or 24; ``date_order``: ``dmy``, ``mdy`` or ``ymd``; ``day_zero``: 1900
    or 1904; ``time_zone``: IANA name or offset; ``time_back``: ``restart``, ``next-day``, ``next-hour``,
    ``sort`` or ``drop``; ``row_order``: ``newest-first`` or ``count-down``; ``current_sign``: ``as-read`` or ``turned``;
    ``leave_out``: columns to leave alone; ``check_clocks``: the time is a mapping's, which nobody chose of several.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    scales: Mapping[str, float] = field(default_factory=dict)
    offsets: Mapping[str, float] = field(default_factory=dict)
    time_format: str | None = None
    every_s: float | None = None
    shunt_ohm: float | None = None
    constant_current_ma: float | None = None
    clock: str | None = None
    hours: int | None = None
    date_order: str | None = None
    day_zero: int | None = None
    time_zone: str | None = None
    time_back: str | None = None
    row_order: str | None = None
    current_sign: str | None = None
    leave_out: tuple[str, ...] = ()
    check_clocks: bool = False


class Table:
    """First rows of a table and what the names of its columns say; columns are counted from 0."""

    def __init__(
        self,
        layout: Layout,
        rows: Sequence[Sequence[str]],
        whole: Callable[[tuple[int, ...]], Sequence[str]] | None = None,
    ) -> None:
        self.layout = layout
        self._whole = whole
        self.rows = [row for row in rows if len(row) == len(layout.names)]
        # A name that comes twice has got a number: what it says of its column is the same.
        self.read = [read_name(re.sub(r" #\d+$", "", name)) for name in layout.names]
        if any(read.load_side == "bus" for read in self.read):
            # Sketches that print a bus voltage call bus plus shunt the "load voltage".
            self.read = [
                replace(read, quantity="voltage") if read.load_side == "load" else read
                for read in self.read
            ]

    def taken(self, wish: PlanWish) -> set[int]:
        """Columns that the user gave to a quantity, or wants left out."""
        given = {place for text in wish.columns.values() for place in self.places(text)}
        return given | {self.place(text) for text in wish.leave_out}

    def place(self, text: str) -> int:
        """Index of a column that the user named, or numbered from 1."""
        names = self.layout.names
        wanted = text.strip()
        for place, name in enumerate(names):
            if name == wanted:
                return place
        alike = [place for place, name in enumerate(names) if name.lower() == wanted.lower()]
        if len(alike) == 1:
            return alike[0]
        if re.fullmatch(r"\d{1,4}", wanted) and 1 <= int(wanted) <= len(names):
            return int(wanted) - 1
        near = difflib.get_close_matches(
            wanted.lower(), [name.lower() for name in names], n=1, cutoff=0.5
        )
        meant = next((name for name in names if near and name.lower() == near[0]), "")
        shown = ", ".join(f"{place} {name!r}" for place, name in enumerate(names, start=1))
        raise BenchError(
            f"There is no column {wanted!r}.",
            evidence=f"the columns are: {shown}",
            next_step=f"did you mean {meant!r}?"
            if meant
            else "give one of these names or numbers.",
        )

    def places(self, text: str) -> tuple[int, ...]:
        """Columns of the time: one, or two or three joined with a plus sign (a mapping: each on its line)."""
        if "\n" in text:
            return tuple(self.place(part) for part in text.split("\n"))
        if "+" in text and text.strip() not in self.layout.names:
            parts = text.split("+")
            if len(parts) in (2, 3):
                return tuple(self.place(part) for part in parts)
        return (self.place(text),)

    def name(self, place: int) -> str:
        """Column in words: ``'Voltage (V)'``, or ``column 4`` without a header."""
        name = self.layout.names[place]
        return name if name == f"column {place + 1}" else repr(name)

    def kind(self, place: int) -> str:
        """The most frequent kind of cell in a column, not counting missing ones."""
        kinds = [cell_kind(row[place]) for row in self.rows]
        present = [kind for kind in kinds if kind != "missing"]
        return max(set(present), key=present.count) if present else "missing"

    def first(self, place: int) -> str:
        """First cell that is not empty."""
        return next((row[place] for row in self.rows if row[place]), "")

    def joined(self, places: Sequence[int]) -> list[str]:
        """Cells of one or more columns, joined by a blank, in the first rows."""
        return [" ".join(row[place] for place in places) for row in self.rows]

    def whole(self, places: Sequence[int]) -> Sequence[str]:
        """The same in all rows: the file is read once more, so only where the first rows leave a question."""
        if self._whole is None:
            return self.joined(places)
        return self._whole(tuple(places))

    def units(self, place: int) -> set[str]:
        """Units that stand in the cells of a column."""
        found = (self.layout.form.read(row[place]) for row in self.rows)
        return {cell[1] for cell in found if cell is not None and cell[1]}

    def units_beside(self, place: int, known: Collection[str]) -> set[str]:
        """Units, out of ``known``, that stand row by row in the next column, all rows of which are looked at."""
        beside = place + 1
        if beside >= len(self.layout.names) or plain_unit(self.first(beside)) not in known:
            return set()
        found = {cell.strip() for cell in self.whole((beside,)) if cell.strip()}
        return found if all(plain_unit(unit) in known for unit in found) else set()

    def numbers(self, place: int) -> Floats:
        """Numbers of a column, shape (n,); cells that are none are left out."""
        cells = [self.layout.form.read(row[place]) for row in self.rows]
        values = [cell[0] for cell in cells if cell is not None]
        return np.array([value for value in values if abs(value) < 1e18], dtype=np.float64)

    def rises(self, place: int) -> bool:
        """Whether its numbers mostly grow from row to row, as a time does."""
        steps = np.diff(self.numbers(place))
        return len(steps) > 0 and bool((steps > 0).mean() > 0.75)

    def counts_by_one(self, place: int) -> bool:
        """Whether it may only number the rows."""
        steps = np.diff(self.numbers(place))
        return len(steps) > 0 and bool((steps == 1).mean() > 0.98)

    def unevenness(self, place: int) -> float:
        """Relative spread of a column's steps: small for a clock."""
        steps = np.diff(self.numbers(place))
        middle = float(np.median(steps)) if len(steps) else 0.0
        return float(np.median(np.abs(steps - middle))) / middle if middle > 0 else math.inf

    def shown(self) -> str:
        """Columns with their numbers and first cells, for a message."""
        lines = []
        for place, name in enumerate(self.layout.names):
            cells = ", ".join(row[place][:20] for row in self.rows[:_ROWS_SHOWN])
            title = "" if name == f"column {place + 1}" else f" {name!r}"
            lines.append(f"column {place + 1}{title}: {cells}, ...")
        return "\n        ".join(lines)


def usual_step(values: Floats) -> float:
    """Median of the steps forward of numbers (n,); 0 if there are none."""
    steps = np.diff(values)
    return float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0


def goes_on(values: Floats) -> bool:
    """Whether no more than a restart or two lies between numbers (n,), unlike in a column of milliseconds or of spans."""
    steps = np.diff(values)
    return bool(
        (steps > 0).sum() > 0.02 * len(steps) and (steps < 0).sum() <= max(2, 0.01 * len(steps))
    )
