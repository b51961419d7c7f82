"""Which column of a foreign table is which quantity, in which unit: given, or guessed and said.

A guess is made only where a wrong one would stand out; where two readings are
plausible (ms or s, A or mA) the user is asked.
"""

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logger.errors import BenchError
from logger.text_layout import CELL, Layout, cell_kind
from logger.text_time import Floats, span_words
from logger.text_units import UNITS, VOLT_UNITS, plain_unit, read_name, unit_factor

# quantity -> column of the run
TARGETS: Final = {
    "voltage": "pack_v",
    "bus-voltage": "bus_v",
    "current": "current_ma",
    "charge": "charge_mah",
    "energy": "energy_mwh",
}
_ROWS_SHOWN: Final = 4


@dataclass(frozen=True)
class PlanWish:
    """What the user gave about columns; keys are quantities: ``time`` and those of ``TARGETS``."""

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    scales: Mapping[str, float] = field(default_factory=dict)
    offsets: Mapping[str, float] = field(default_factory=dict)
    time_format: str | None = None
    every_s: float | None = None
    shunt_ohm: float | None = None
    constant_current_ma: float | None = None


@dataclass(frozen=True)
class ColumnPlan:
    """One column: run value = (number * scale + offset) * factor.

    ``units``: other units that a cell may carry, with their factor (a meter that ranges by itself).
    ``how``: in words, for the user.
    """

    target: str
    place: int
    factor: float
    scale: float
    offset: float
    units: Mapping[str, float]
    how: str


@dataclass(frozen=True)
class TimePlan:
    """Time of a row. ``kind``: ``number``, ``date``, ``clock``, ``pattern`` or ``every`` (no column).

    ``places``: one column, or two that are read as one (date and clock).
    ``epoch``: the numbers are Unix time.
    """

    kind: str
    places: tuple[int, ...]
    factor: float
    how: str
    pattern: str = ""
    epoch: bool = False


@dataclass(frozen=True)
class Plan:
    """How rows are read. ``unused``: names of the columns that go nowhere. ``shunt_ohm``: as stated, None if not.

    ``doubts``: in words, columns that are named like a quantity of ours but hold no numbers.
    """

    time: TimePlan
    columns: tuple[ColumnPlan, ...]
    unused: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    shunt_ohm: float | None = None


def make_plan(layout: Layout, rows: Sequence[Sequence[str]], wish: PlanWish) -> Plan:
    """Plan for a table whose first rows are given.

    Raises BenchError for a column or unit that does not exist, and where no safe guess can be made.
    """
    return _Planner(layout, rows, wish).plan()


class _Planner:
    """Holds the table's first rows and what the user said while the plan is made."""

    def __init__(self, layout: Layout, rows: Sequence[Sequence[str]], wish: PlanWish) -> None:
        self.layout = layout
        self.rows = [row for row in rows if len(row) == len(layout.names)]
        self.wish = wish
        self.time_places: tuple[int, ...] = ()
        self.read = [read_name(name) for name in layout.names]
        if any(read.load_side == "bus" for read in self.read):
            # Sketches that print a bus voltage call bus plus shunt the "load voltage".
            self.read = [
                replace(read, quantity="voltage") if read.load_side == "load" else read
                for read in self.read
            ]

    def plan(self) -> Plan:
        wish = self.wish
        if wish.constant_current_ma is not None and "current" in wish.columns:
            raise BenchError(
                "A current column and a constant current were both given.",
                next_step="leave out --current or --constant-current.",
            )
        time = self._time()
        self.time_places = time.places
        columns = [self._measured(word) for word in TARGETS]
        made = [column for column in columns if column is not None]
        if not any(column.target in ("pack_v", "bus_v", "current_ma") for column in made):
            raise BenchError(
                "Which column is the voltage or the current cannot be told.",
                evidence=self._table(),
                next_step="name them, e.g. --voltage 2 --current 3 --current-unit mA."
                if len(self.read) > 1
                else "name it: --voltage 1, or --current 1 --current-unit mA.",
            )
        used = {*time.places, *(column.place for column in made)}
        unused = [self._name(place) for place in range(len(self.layout.names)) if place not in used]
        return Plan(time, tuple(made), tuple(unused), self._wordy(made), wish.shunt_ohm)

    def _wordy(self, made: Sequence[ColumnPlan]) -> tuple[str, ...]:
        """Columns by whose name voltage or current was looked for, whose cells are no numbers."""
        found = {column.target for column in made}
        return tuple(
            f"{self._name(place)} may be the {read.quantity}, but its cells are no numbers "
            f"({self._first(place)[:20]!r}): write them without a sign between thousands"
            for place, read in enumerate(self.read)
            if read.quantity in ("voltage", "current")
            and TARGETS[read.quantity] not in found
            and self._kind(place) == "text"
        )

    # time ------------------------------------------------------------------------------------

    def _time(self) -> TimePlan:
        wish = self.wish
        if wish.every_s is not None:
            return TimePlan("every", (), wish.every_s, f"a row every {wish.every_s:g} s (given)")
        given = wish.columns.get("time")
        places = self._places(given) if given is not None else self._guess_time()
        how = "given" if given is not None else "guessed"
        name = " and ".join(self._name(place) for place in places)
        if wish.time_format is not None:
            return TimePlan(
                "pattern",
                places,
                1.0,
                f"{name}, written {wish.time_format} ({how})",
                wish.time_format,
            )
        kinds = [self._kind(place) for place in places]
        unclear = re.match(r"\d{1,2}/\d{1,2}/|.*[AaPp][Mm]$", self._first(places[0])) is not None
        if not unclear and (len(places) == 2 or kinds[0] == "date"):
            return TimePlan("date", places, 1.0, f"{name}, date and time ({how})")
        if not unclear and kinds[0] == "clock":
            return TimePlan("clock", places, 1.0, f"{name}, hours:minutes:seconds ({how})")
        if unclear or kinds[0] != "number":
            clock = "%I:%M:%S %p" if self._first(places[0])[-1:] in "mM" else "%H:%M:%S"
            raise BenchError(
                f"The times in {name} are not understood.",
                evidence=f"first: {self._first(places[0])!r}",
                next_step=f'say how they are written: --time-format "%m/%d/%Y {clock}" if the month comes first, "%d/%m/%Y {clock}" if the day does.',
            )
        unit = wish.units.get("time") or self.read[places[0]].unit_of("time")
        cell = CELL.fullmatch(self._first(places[0]).replace(",", "."))
        if unit is None and cell is not None and plain_unit(cell["unit"] or "") in UNITS["time"]:
            unit, source = cell["unit"], "by its cells"
        else:
            source = "given" if "time" in wish.units else "by its name"
        if unit is not None:
            return TimePlan(
                "number", places, unit_factor("time", unit), f"{name} in {unit} ({source})"
            )
        return self._guess_time_unit(places, name, how)

    def _places(self, text: str) -> tuple[int, ...]:
        """Columns of the time: one, or two joined with a plus sign."""
        if "+" in text and text.strip() not in self.layout.names:
            parts = text.split("+")
            if len(parts) == 2:
                return (self._place(parts[0]), self._place(parts[1]))
        return (self._place(text),)

    def _guess_time(self) -> tuple[int, ...]:
        named = [place for place, read in enumerate(self.read) if read.quantity == "time"]
        free = [place for place in range(len(self.read)) if place not in self._taken()]
        pool = named or free
        numbers = [place for place in pool if self._kind(place) == "number"]
        if named and numbers:
            return (numbers[0],)
        dates = [place for place in pool if self._kind(place) == "date"]
        clocks = [place for place in pool if self._kind(place) == "clock"]
        if dates:
            only_day = re.fullmatch(r"[\d./-]+", self._first(dates[0])) is not None
            return (dates[0], clocks[0]) if only_day and clocks else (dates[0],)
        if clocks:
            return (clocks[0],)
        rising = [place for place in numbers if self._rises(place)]
        # A plain row number rises too: anything else that rises is the better time.
        other = [place for place in rising if not self._counts_by_one(place)] or rising
        if named and not numbers:
            return (named[0],)
        if not other:
            raise BenchError(
                "Which column is the time cannot be told.",
                evidence=self._table(),
                next_step="name it with --time COLUMN, or give the time between rows with --every."
                if len(self.read) > 1
                else "one value a line has no time beside it: give the time between rows and what the "
                "value is, e.g. --every 1s --voltage 1, or --every 1s --current 1 --current-unit mA.",
            )
        return (min(other, key=self._unevenness),)

    def _guess_time_unit(self, places: tuple[int, ...], name: str, how: str) -> TimePlan:
        """Unit of bare numbers, from their size and steps; asks where two units are plausible."""
        values = self._numbers(places[0])
        middle = float(np.median(values)) if len(values) else 0.0
        for factor, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us")):
            if 1e9 <= middle * factor < 3e9:  # 2001 to 2065
                return TimePlan(
                    "number",
                    places,
                    factor,
                    f"{name}, Unix time in {unit} (guessed from its size)",
                    epoch=True,
                )
        steps = np.diff(values)
        step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
        whole = bool((values % 1 == 0).all())
        if not whole or step <= 5:
            reason = "numbers with decimals" if not whole else f"whole numbers, steps of {step:g}"
            if whole and self._counts_by_one(places[0]):
                reason += "; if they only number the rows, give --every"
            return TimePlan("number", places, 1.0, f"{name} in s ({how}; unit guessed: {reason})")
        if 100 <= step <= 20_000:
            return TimePlan(
                "number",
                places,
                1e-3,
                f"{name} in ms ({how}; unit guessed: whole numbers, steps of {step:g})",
            )
        if step >= 1e6:
            return TimePlan(
                "number",
                places,
                1e-6,
                f"{name} in us ({how}; unit guessed: whole numbers, steps of {step:g})",
            )
        raise BenchError(
            f"The unit of the time in {name} cannot be told.",
            evidence=f"steps of {step:g}: that is {span_words(step * 1e-6)} in us, {span_words(step * 1e-3)} in ms, {span_words(step)} in s",
            next_step="say it with --time-unit.",
        )

    # measured columns ------------------------------------------------------------------------

    def _measured(self, word: str) -> ColumnPlan | None:
        wish = self.wish
        given = wish.columns.get(word)
        place = self._place(given) if given is not None else self._guess(word)
        if place is None:
            unused = [
                option
                for option, values in (
                    ("unit", wish.units),
                    ("scale", wish.scales),
                    ("offset", wish.offsets),
                )
                if word in values
            ]
            if unused:
                raise BenchError(
                    f"A {unused[0]} was given for the {word}, but no column of it is known.",
                    evidence=self._table(),
                    next_step=f"name the column with --{word} COLUMN.",
                )
            return None
        how = "given" if given is not None else "guessed"
        name = self._name(place)
        unit, unit_how = self._unit(word, place)
        factor, told = self._factor(word, unit)
        scale, offset = wish.scales.get(word, 1.0), wish.offsets.get(word, 0.0)
        sums = (f" times {scale:g}" if scale != 1 else "") + (f" plus {offset:g}" if offset else "")
        others = {} if told else UNITS[word]
        text = f"{name}{sums} in {unit}{told} ({how}; unit {unit_how})"
        return ColumnPlan(TARGETS[word], place, factor, scale, offset, others, text)

    def _guess(self, word: str) -> int | None:
        if word == "current" and self.wish.constant_current_ma is not None:
            return None
        taken = self._taken() | set(self.time_places)
        found = [
            place
            for place, read in enumerate(self.read)
            if read.quantity == word and place not in taken and self._kind(place) == "number"
        ]
        exact = [place for place in found if self.layout.names[place] == TARGETS[word]]
        found = exact or found
        if len(found) > 1 and word in ("voltage", "current"):
            raise BenchError(
                f"More than one column could be the {word}.",
                evidence=", ".join(repr(self.layout.names[place]) for place in found),
                next_step=f"say which with --{word} COLUMN.",
            )
        if not found and word == "voltage" and self.wish.constant_current_ma is not None:
            free = [
                place
                for place in range(len(self.read))
                if place not in taken and self._kind(place) == "number"
            ]
            return free[0] if len(free) == 1 and "bus-voltage" not in self.wish.columns else None
        return found[0] if len(found) == 1 else None

    def _unit(self, word: str, place: int) -> tuple[str, str]:
        """Unit of a column and how it is known."""
        given = self.wish.units.get(word)
        if given is not None:
            return given, "given"
        quantity = "voltage" if word == "bus-voltage" else word
        named = self.read[place].unit_of(quantity)
        if named is not None:
            return named, "by its name"
        cell = CELL.fullmatch(self._first(place).replace(",", "."))
        if cell is not None and cell["unit"] and plain_unit(cell["unit"]) in UNITS[word]:
            return cell["unit"], "by its cells"
        if word in self.wish.scales:
            return {"voltage": "V", "current": "mA"}.get(
                quantity, "mAh" if word == "charge" else "mWh"
            ), "assumed"
        values = np.abs(self._numbers(place))
        middle = float(np.median(values)) if len(values) else 0.0
        if quantity == "voltage" and 0.3 <= middle <= 60:
            return "V", "guessed from its size"
        if quantity == "voltage" and 300 <= middle <= 60_000:
            return "mV", "guessed from its size"
        if quantity == "current" and middle >= 5:
            return "mA", "guessed from its size"
        raise BenchError(
            f"The unit of the {word} in {self._name(place)} cannot be told.",
            evidence=f"values around {middle:g}",
            next_step=f"say it with --{word}-unit.",
        )

    def _factor(self, word: str, unit: str) -> tuple[float, str]:
        """Factor to the run's unit; a voltage over a shunt becomes a current."""
        if word == "current" and plain_unit(unit) in VOLT_UNITS:
            shunt_ohm = self.wish.shunt_ohm
            if shunt_ohm is None:
                raise BenchError(
                    f"The current is given as a voltage ({unit}), but not over which resistance.",
                    next_step="add --shunt-ohm, e.g. --shunt-ohm 0.1.",
                )
            return 1e3 * VOLT_UNITS[plain_unit(unit)] / shunt_ohm, f" over {shunt_ohm:g} ohm"
        return unit_factor(word, unit), ""

    # looking at the table ---------------------------------------------------------------------

    def _place(self, text: str) -> int:
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

    def _name(self, place: int) -> str:
        """Column in words: ``'Voltage (V)'``, or ``column 4`` without a header."""
        name = self.layout.names[place]
        return name if name == f"column {place + 1}" else repr(name)

    def _taken(self) -> set[int]:
        return {place for text in self.wish.columns.values() for place in self._places(text)}

    def _kind(self, place: int) -> str:
        """The most frequent kind of cell in a column, not counting missing ones."""
        kinds = [cell_kind(row[place], self.layout.decimal) for row in self.rows]
        present = [kind for kind in kinds if kind != "missing"]
        return max(set(present), key=present.count) if present else "missing"

    def _first(self, place: int) -> str:
        return next((row[place] for row in self.rows if row[place]), "")

    def _numbers(self, place: int) -> Floats:
        cells = [CELL.fullmatch(row[place].replace(",", ".")) for row in self.rows]
        values = [float(cell["number"]) for cell in cells if cell is not None]
        return np.array([value for value in values if abs(value) < 1e18], dtype=np.float64)

    def _rises(self, place: int) -> bool:
        steps = np.diff(self._numbers(place))
        return len(steps) > 0 and bool((steps > 0).mean() > 0.75)

    def _counts_by_one(self, place: int) -> bool:
        steps = np.diff(self._numbers(place))
        return len(steps) > 0 and bool((steps == 1).mean() > 0.98)

    def _unevenness(self, place: int) -> float:
        """Relative spread of a column's steps: small for a clock."""
        steps = np.diff(self._numbers(place))
        middle = float(np.median(steps)) if len(steps) else 0.0
        return float(np.median(np.abs(steps - middle))) / middle if middle > 0 else math.inf

    def _table(self) -> str:
        """Columns with their numbers and first cells, for a message."""
        lines = []
        for place, name in enumerate(self.layout.names):
            cells = ", ".join(row[place][:20] for row in self.rows[:_ROWS_SHOWN])
            title = "" if name == f"column {place + 1}" else f" {name!r}"
            lines.append(f"column {place + 1}{title}: {cells}, ...")
        return "\n        ".join(lines)
