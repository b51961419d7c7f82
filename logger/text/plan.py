"""Which column of a foreign table is which quantity, in which unit: given, the only plausible one, or asked."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.base.errors import BenchError
from logger.text.layout import Layout
from logger.text.plausible import (
    VOLTS,
    are_plausible,
    ask_current_unit,
    ask_form,
    ask_swapped,
    ask_unit,
)
from logger.text.question import Question, Reading, some
from logger.text.table import Floats, PlanWish, Table
from logger.text.timing.plan import TimePlan, plan_time
from logger.text.timing.second import ask_other_clock
from logger.text.units import UNITS, VOLT_UNITS, plain_unit, unit_factor

# quantity -> column of the run
TARGETS: Final = {
    "voltage": "pack_v",
    "bus-voltage": "bus_v",
    "current": "current_ma",
    "charge": "charge_mah",
    "energy": "energy_mwh",
}
WORD_OF: Final = {target: word for word, target in TARGETS.items()}


@dataclass(frozen=True)
class ColumnPlan:
    """One column: run value = (number * scale + offset) * factor.

    ``units``: other units that a cell may carry, with their factor (a meter that ranges by itself).
    ``how``: in words, for the user. ``unit_in_file``: the file itself names this unit.
    """

    target: str
    place: int
    factor: float
    scale: float
    offset: float
    units: Mapping[str, float]
    how: str
    unit: str = ""
    unit_in_file: bool = False


@dataclass(frozen=True)
class Plan:
    """How rows are read. ``unused``: names of the columns that go nowhere. ``shunt_ohm``: as stated, None if not.

    ``told``: the user named the columns.
    """

    time: TimePlan
    columns: tuple[ColumnPlan, ...]
    unused: tuple[str, ...] = ()
    shunt_ohm: float | None = None
    told: bool = False


def make_plan(
    layout: Layout,
    rows: Sequence[Sequence[str]],
    wish: PlanWish,
    whole: Callable[[tuple[int, ...]], Sequence[str]] | None = None,
) -> Plan:
    """Plan for a table whose first rows are given; ``whole`` gives a column of all rows where these do not settle it.

    Raises BenchError for a column or unit that does not exist, Question where more than one reading is plausible.
    """
    planner = _Planner(Table(layout, rows, whole), wish)
    plan = planner.plan()
    ask_other_clock(planner.table, wish, plan.time, [column.place for column in plan.columns])
    return plan


def settle_form(
    layout: Layout,
    rows: Sequence[Sequence[str]],
    wish: PlanWish,
    whole: Callable[[tuple[int, ...]], Sequence[str]] | None = None,
) -> Layout:
    """The layout with the one form of numbers that gives plausible values, where the text alone leaves two.

    Raises Question if both do, or neither.
    """
    if layout.form.other is None:
        return layout
    forms = [replace(layout.form, other=None), layout.form.other]
    found: list[tuple[Layout, bool]] = []
    failed: BenchError | None = None
    for form in forms:
        planner = _Planner(Table(replace(layout, form=form), rows, whole), wish)
        try:
            found.append(
                (planner.table.layout, are_plausible(planner.values(planner.plan().columns)))
            )
        except BenchError as error:
            failed = failed or error
    plausible = [made for made, fits in found if fits]
    if len(plausible) == 1:
        return plausible[0]
    if failed is not None and len(found) < 2:
        raise failed
    places = [column.place for column in make_plan(found[0][0], rows, wish, whole).columns]
    raise ask_form([row[place] for row in rows for place in places if place < len(row)], forms)


class _Planner:
    """Holds the table and what the user said while the plan is made."""

    def __init__(self, table: Table, wish: PlanWish) -> None:
        self.table = table
        self.wish = wish
        self.time_places: tuple[int, ...] = ()

    def plan(self) -> Plan:
        wish = self.wish
        if wish.constant_current_ma is not None and "current" in wish.columns:
            raise BenchError(
                "A current column and a constant current were both given.",
                next_step="leave out --current or --constant-current.",
            )
        self._refuse_wordy()
        time = plan_time(self.table, wish)
        self.time_places = time.places
        columns = [self._measured(word) for word in TARGETS]
        made = [column for column in columns if column is not None]
        if not any(column.target in ("pack_v", "bus_v", "current_ma") for column in made):
            raise BenchError(
                "Which column is the voltage or the current cannot be told.",
                evidence=self.table.shown(),
                next_step="name them, e.g. --voltage 2 --current 3 --current-unit mA."
                if len(self.table.read) > 1
                else "name it: --voltage 1, or --current 1 --current-unit mA.",
            )
        self._check(made)
        used = {*time.places, *(column.place for column in made)}
        unused = [
            self.table.name(place)
            for place in range(len(self.table.layout.names))
            if place not in used
        ]
        told = all(word in wish.columns for word in ("time", "voltage"))
        return Plan(time, tuple(made), tuple(unused), wish.shunt_ohm, told)

    def _refuse_wordy(self) -> None:
        """Columns by whose name voltage or current would be looked for, whose cells are no numbers."""
        taken = self.table.taken(self.wish)
        for place, read in enumerate(self.table.read):
            wanted = (
                read.quantity in ("voltage", "current") and read.quantity not in self.wish.columns
            )
            if wanted and place not in taken and self.table.kind(place) == "text":
                raise BenchError(
                    f"{self.table.name(place)} may be the {read.quantity}, but its cells are no numbers.",
                    evidence=some([row[place] for row in self.table.rows]),
                    next_step=f"write them as numbers, name another column with --{read.quantity}, or leave it out: "
                    f"--leave-out {place + 1}.",
                )

    def values(self, made: Sequence[ColumnPlan]) -> dict[str, Floats]:
        """Sizes of the first values (n,) by column of the run, in its unit."""
        return {column.target: np.abs(self._values(column)) for column in made}

    def _values(self, column: ColumnPlan) -> Floats:
        cells = (self.table.layout.form.read(row[column.place]) for row in self.table.rows)
        values = [
            (cell[0] * column.scale + column.offset)
            * (column.units.get(plain_unit(cell[1]), column.factor) if cell[1] else column.factor)
            for cell in cells
            if cell is not None
        ]
        return np.array([value for value in values if abs(value) < 1e18], dtype=np.float64)

    def _check(self, made: Sequence[ColumnPlan]) -> None:
        """Asks where voltage and current may be swapped."""
        by_target = {column.target: column for column in made}
        values = self.values(made)
        voltage, current = by_target.get("pack_v"), by_target.get("current_ma")
        named = {"voltage", "current"} & set(self.wish.columns)
        scaled = {*self.wish.scales, *self.wish.offsets}
        in_cells = {column.target for column in made if self.table.units(column.place)}
        pair = {"pack_v", "current_ma"}
        if voltage is not None and current is not None and not (named or scaled or in_cells & pair):
            ask_swapped(
                self.table,
                (voltage.place, current.place),
                values["pack_v"],
                values["current_ma"],
                self.table.numbers(current.place) * voltage.factor,
                self.table.numbers(voltage.place) * current.factor,
            )
        for column in made:
            word = WORD_OF[column.target]
            told = word in self.wish.units or word in scaled or column.target in in_cells
            if not told:
                ask_unit(self.table.name(column.place), word, column.unit, values[column.target])

    def _measured(self, word: str) -> ColumnPlan | None:
        wish = self.wish
        given = wish.columns.get(word)
        place = self.table.place(given) if given is not None else self._guess(word)
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
                    evidence=self.table.shown(),
                    next_step=f"name the column with --{word} COLUMN.",
                )
            return None
        how = "given" if given is not None else "guessed"
        name = self.table.name(place)
        unit, unit_how = self._unit(word, place)
        factor, told = self._factor(word, unit)
        scale, offset = wish.scales.get(word, 1.0), wish.offsets.get(word, 0.0)
        sums = (f" times {scale:g}" if scale != 1 else "") + (f" plus {offset:g}" if offset else "")
        others = {} if told else UNITS[word]
        text = f"{name}{sums} in {unit}{told} ({how}; unit {unit_how})"
        in_file = self._is_in_file(word, place, unit)
        return ColumnPlan(TARGETS[word], place, factor, scale, offset, others, text, unit, in_file)

    def _is_in_file(self, word: str, place: int, unit: str) -> bool:
        """Whether the heading, the cells or the column beside name this unit."""
        named = self.table.read[place].unit_of("voltage" if word == "bus-voltage" else word)
        shown = {*self.table.units(place), *self.table.units_beside(place, UNITS[word])}
        factors = {UNITS[word].get(plain_unit(text)) for text in (named or "", *shown)} - {None}
        return UNITS[word].get(plain_unit(unit)) in factors

    def _guess(self, word: str) -> int | None:
        if word == "current" and self.wish.constant_current_ma is not None:
            return None
        taken = self.table.taken(self.wish) | set(self.time_places)
        found = [
            place
            for place, read in enumerate(self.table.read)
            if read.quantity == word and place not in taken and self.table.kind(place) == "number"
        ]
        exact = [place for place in found if self.table.layout.names[place] == TARGETS[word]]
        found = exact or found
        if len(found) > 1 and word in ("voltage", "current"):
            raise Question(
                f"More than one column could be the {word}.",
                ", ".join(repr(self.table.layout.names[place]) for place in found),
                [
                    Reading(
                        self.table.name(place),
                        some([row[place] for row in self.table.rows]),
                        (f"--{word}", str(place + 1)),
                    )
                    for place in found
                ],
            )
        if not found and word == "voltage" and self.wish.constant_current_ma is not None:
            free = [
                place
                for place in range(len(self.table.read))
                if place not in taken and self.table.kind(place) == "number"
            ]
            return free[0] if len(free) == 1 and "bus-voltage" not in self.wish.columns else None
        return found[0] if len(found) == 1 else None

    def _unit(self, word: str, place: int) -> tuple[str, str]:
        """Unit of a column and how it is known."""
        given = self.wish.units.get(word)
        beside = self._beside(word, place, given)
        if given is None and beside:
            return min(beside), "by the column beside it"
        if given is not None:
            return given, "given"
        quantity = "voltage" if word == "bus-voltage" else word
        named = self.table.read[place].unit_of(quantity)
        if named is not None:
            return named, "by its name"
        in_cells = sorted(
            unit for unit in self.table.units(place) if plain_unit(unit) in UNITS[word]
        )
        if in_cells:
            return in_cells[0], "by its cells"
        if word in self.wish.scales:
            return {"voltage": "V", "current": "mA"}.get(
                quantity, "mAh" if word == "charge" else "mWh"
            ), "assumed"
        values = np.abs(self.table.numbers(place))
        middle = float(np.median(values)) if len(values) else 0.0
        if quantity == "voltage" and VOLTS[0] <= middle <= VOLTS[1]:
            return "V", "guessed from its size"
        if quantity == "voltage" and VOLTS[0] <= middle / 1e3 <= VOLTS[1]:
            return "mV", "guessed from its size"
        name = self.table.name(place)
        if quantity == "current":
            raise ask_current_unit(name, values)
        raise BenchError(
            f"The unit of the {word} in {name} cannot be told.",
            evidence=f"values around {middle:g}",
            next_step=f"say it with --{word}-unit, or leave the column out: --leave-out {place + 1}.",
        )

    def _beside(self, word: str, place: int, given: str | None) -> set[str]:
        """Units in a column of their own beside the values; raises BenchError where they differ, also from the given."""
        if place + 1 in self.table.taken(self.wish):
            return set()
        beside = self.table.units_beside(place, UNITS[word])
        meant = beside | ({given} if given is not None and beside else set())
        if len({UNITS[word].get(plain_unit(unit)) for unit in meant}) > 1:
            name, units = self.table.name(place + 1), ", ".join(sorted(beside))
            raise BenchError(
                f"The unit of the {word} in {self.table.name(place)} is not the same everywhere.",
                evidence=f"{name} says {units}" + (f"; given was {given}" if given else ""),
                next_step="put each value and its unit in one cell (150 uA) and import again; or, if that column means "
                f"something else: --leave-out {place + 2}.",
            )
        return beside

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
