"""The first rows of a foreign table, by column: which one is meant, what its cells hold, how they go on."""

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logger.base.errors import BenchError
from logger.text.layout import CELL, Layout, cell_kind
from logger.text.time_column import Floats
from logger.text.units import read_name

_ROWS_SHOWN: Final = 4


@dataclass(frozen=True)
class PlanWish:
    """What the user gave about columns; keys are quantities: ``time`` and those of ``text_plan.TARGETS``."""

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    scales: Mapping[str, float] = field(default_factory=dict)
    offsets: Mapping[str, float] = field(default_factory=dict)
    time_format: str | None = None
    every_s: float | None = None
    shunt_ohm: float | None = None
    constant_current_ma: float | None = None


class Table:
    """First rows of a table and what the names of its columns say; columns are counted from 0."""

    def __init__(self, layout: Layout, rows: Sequence[Sequence[str]]) -> None:
        self.layout = layout
        self.rows = [row for row in rows if len(row) == len(layout.names)]
        self.read = [read_name(name) for name in layout.names]
        if any(read.load_side == "bus" for read in self.read):
            # Sketches that print a bus voltage call bus plus shunt the "load voltage".
            self.read = [
                replace(read, quantity="voltage") if read.load_side == "load" else read
                for read in self.read
            ]

    def taken(self, wish: PlanWish) -> set[int]:
        """Columns that the user gave to a quantity."""
        return {place for text in wish.columns.values() for place in self.places(text)}

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
        """Columns of the time: one, or two joined with a plus sign."""
        if "+" in text and text.strip() not in self.layout.names:
            parts = text.split("+")
            if len(parts) == 2:
                return (self.place(parts[0]), self.place(parts[1]))
        return (self.place(text),)

    def name(self, place: int) -> str:
        """Column in words: ``'Voltage (V)'``, or ``column 4`` without a header."""
        name = self.layout.names[place]
        return name if name == f"column {place + 1}" else repr(name)

    def kind(self, place: int) -> str:
        """The most frequent kind of cell in a column, not counting missing ones."""
        kinds = [cell_kind(row[place], self.layout.decimal) for row in self.rows]
        present = [kind for kind in kinds if kind != "missing"]
        return max(set(present), key=present.count) if present else "missing"

    def first(self, place: int) -> str:
        """First cell that is not empty."""
        return next((row[place] for row in self.rows if row[place]), "")

    def numbers(self, place: int) -> Floats:
        """Numbers of a column, shape (n,); cells that are none are left out."""
        cells = [CELL.fullmatch(row[place].replace(",", ".")) for row in self.rows]
        values = [float(cell["number"]) for cell in cells if cell is not None]
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
