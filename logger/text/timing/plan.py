"""Which columns of a foreign table are the time, and in which unit or form: given, the only plausible one, or asked."""

import contextlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from logger.base.errors import BenchError
from logger.text.question import Question, Reading, some
from logger.text.table import PlanWish, Table, goes_on
from logger.text.timing.form import TimeForm, find_time_form
from logger.text.timing.unit import DAY_ZERO, find_number_unit, names_a_day
from logger.text.timing.written import DAY_S, HOUR_S, day_number, parts_of
from logger.text.units import UNITS, plain_unit, unit_factor

_DAYS_BETWEEN_ROWS: Final = 40


@dataclass(frozen=True)
class TimePlan:
    """Time of a row. ``kind``: ``number``, ``written``, ``pattern`` or ``every`` (no column).

    ``places``: one column, or two or three that are read as one (date, clock, milliseconds).
    ``epoch``: the numbers are Unix time. ``zero``: subtracted from a day number, so that 1970 is 0.
    ``absolute``: it has a date; ``local``: without a zone, so summer time may be in it.
    ``turn_s``: what it begins again after, if it is a clock without a date.
    """

    kind: str
    places: tuple[int, ...]
    factor: float
    how: str
    pattern: str = ""
    epoch: bool = False
    form: TimeForm | None = None
    zero: float = 0.0
    dated: bool = True
    absolute: bool = False
    local: bool = False
    turn_s: float | None = None
    unit: str = ""


def plan_time(table: Table, wish: PlanWish) -> TimePlan:
    """Which columns are the time, and how they are written.

    Raises BenchError where that cannot be told, Question where there is more than one way.
    """
    if wish.every_s is not None:
        return TimePlan("every", (), wish.every_s, f"a row every {wish.every_s:g} s (given)")
    given = wish.columns.get("time")
    places = table.places(given) if given is not None else _guess_time(table, wish)
    how = "given" if given is not None else "guessed"
    name = " and ".join(table.name(place) for place in places)
    if wish.time_format is not None:
        words = f"{name}, written {wish.time_format} ({how})"
        dated = any(sign in wish.time_format for sign in ("%d", "%j", "%c", "%x"))
        local = dated and "%z" not in wish.time_format
        return TimePlan(
            "pattern", places, 1.0, words, wish.time_format, absolute=dated, local=local,
            turn_s=None if dated else DAY_S,
        )  # fmt: skip
    kinds = [table.kind(place) for place in places]
    if len(places) == 1 and kinds[0] == "number":
        return _number_plan(table, places[0], wish, how)
    if kinds == ["number", "number"] and _day_and_fraction(table, places):
        words = f"{name}, day number and part of a day ({how})"
        return TimePlan(
            "number", places, DAY_S, words, zero=float(DAY_ZERO[wish.day_zero or 1900]),
            dated=wish.day_zero is not None, absolute=True, local=True, unit="d",
        )  # fmt: skip
    fraction = len(places) > 1 and kinds[-1] == "number"
    form = find_time_form(table, places[:-1] if fraction else places, wish)
    if form is None or (fraction and len(places) > 3):
        raise BenchError(
            f"The times in {name} are not understood.",
            evidence=f"first: {table.first(places[0])!r}",
            next_step='say how they are written, e.g. --time-format "%d/%m/%Y %H:%M:%S", or name other columns with --time.',
        )
    _refuse_clock_as_date(table, places, form)
    in_cells = (part is not None and part.zone for part in map(parts_of, table.joined(places)[:20]))
    zoned = re.search(r"(?i)\b(?:utc|gmt|zulu)\b", name) is not None or any(in_cells)
    turn_s = None if form.has_date else (HOUR_S if form.minutes_first else DAY_S)
    return TimePlan(
        "written", places, 1e-3 if fraction else 0.0, f"{name}, {form.words} ({how})", form=form,
        absolute=form.has_date, local=form.has_date and not zoned, turn_s=turn_s,
    )  # fmt: skip


def _refuse_clock_as_date(table: Table, places: Sequence[int], form: TimeForm) -> None:
    """A clock with points, ``21.05.33``, looks like a date a year after the one above."""
    parts = [part for part in map(parts_of, table.joined(places)) if part is not None]
    if not form.has_date or any(part.clock for part in parts):
        return
    days = []
    for part in parts:
        with contextlib.suppress(ValueError):
            if part.numbers is not None:
                days.append(day_number(part.numbers, part.order or form.order or "dmy"))
    steps = [abs(after - before) for before, after in pairwise(days) if after != before]
    if steps and sorted(steps)[len(steps) // 2] > _DAYS_BETWEEN_ROWS:
        raise BenchError(
            f"The times in {table.name(places[0])} look like dates that lie far apart.",
            evidence=some(table.joined(places)),
            next_step="if they are hours, minutes and seconds, say --time-format %H.%M.%S.",
        )


def _number_plan(table: Table, place: int, wish: PlanWish, how: str) -> TimePlan:
    unit, source = wish.units.get("time"), "given"
    if unit is not None:
        unit_factor("time", unit)
        unit = plain_unit(unit)
    elif (named := table.read[place].unit_of("time")) is not None:
        unit, source = named, "by its name"
    elif in_cells := [
        unit for unit in map(plain_unit, table.units(place)) if unit in UNITS["time"]
    ]:
        unit, source = in_cells[0], "by its cells"
    found = find_number_unit(table, place, unit, source, how)
    plan = TimePlan(
        "number", (place,), found.factor, found.words, epoch=found.epoch, unit=found.unit
    )
    if found.epoch:
        return replace(plan, absolute=True)
    if not found.days:
        return plan
    return replace(
        plan,
        zero=float(DAY_ZERO[wish.day_zero or 1900]),
        dated=wish.day_zero is not None,
        absolute=True,
        local=True,
    )


def _guess_time(table: Table, wish: PlanWish) -> tuple[int, ...]:
    taken = table.taken(wish)
    free = [place for place in range(len(table.read)) if place not in taken]
    named = [place for place in free if table.read[place].quantity == "time"]
    kinds = {place: table.kind(place) for place in free}
    written = [place for place in named if kinds[place] in ("date", "clock")]
    written += [place for place in free if kinds[place] in ("date", "clock") and place not in named]
    numbers = [place for place in named if kinds[place] == "number"]
    fractions = [(place, place + 1) for place in numbers if place + 1 in free]
    if found := next((pair for pair in fractions if _day_and_fraction(table, pair)), None):
        return found
    steady = [place for place in numbers if goes_on(table.numbers(place))]
    if steady:
        return _one_of(table, steady)
    if written:
        return _joined(table, written, numbers)
    if numbers:
        return (numbers[0],)
    if named:
        return (named[0],)
    rising = [place for place in free if kinds[place] == "number" and table.rises(place)]
    rising = [place for place in rising if table.read[place].quantity == ""]
    # A plain row number rises too: anything else that rises is the better time.
    other = [place for place in rising if not table.counts_by_one(place)] or rising
    if not other:
        raise BenchError(
            "Which column is the time cannot be told.",
            evidence=table.shown(),
            next_step="name it with --time COLUMN, or give the time between rows with --every."
            if len(table.read) > 1
            else "one value a line has no time beside it: give the time between rows and what the "
            "value is, e.g. --every 1s --voltage 1, or --every 1s --current 1 --current-unit mA.",
        )
    return (min(other, key=table.unevenness),)


def _day_and_fraction(table: Table, places: Sequence[int]) -> bool:
    """Whether a column of whole day numbers stands beside one of parts of a day."""
    named = names_a_day(table.layout.names[places[0]])
    if not named or any(table.kind(place) != "number" for place in places):
        return False
    days, parts = (table.numbers(place) for place in places)
    return bool(
        len(days) and len(parts) and (days % 1 == 0).all() and 20_000 <= days.min() <= days.max() <= 80_000
        and np.ptp(days) < 400 and parts.min() >= 0 and parts.max() < 1 and (parts % 1 != 0).any()
    )  # fmt: skip


def _one_of(table: Table, places: Sequence[int]) -> tuple[int, ...]:
    """The first of these, if they go together; else asked."""
    first = np.diff(table.numbers(places[0]))
    for place in places[1:]:
        other = np.diff(table.numbers(place))
        if len(other) != len(first) or first.sum() <= 0 or other.sum() <= 0:
            agree = False
        else:
            shares = other / other.sum() - first / first.sum()
            agree = bool(np.abs(np.cumsum(shares)).max() < 0.05)
        if not agree:
            raise Question(
                "More than one column could be the time, and they do not go together.",
                "they are named alike",
                [
                    Reading(
                        table.name(place),
                        some([row[place] for row in table.rows]),
                        ("--time", str(place + 1)),
                    )
                    for place in places
                ],
            )
    return (places[0],)


def _joined(table: Table, written: Sequence[int], numbers: Sequence[int]) -> tuple[int, ...]:
    """A date and a clock column together, with a column of milliseconds if there is one."""
    parts = {place: parts_of(table.first(place)) for place in written}
    whole = [
        place for place, part in parts.items() if part is not None and part.numbers and part.clock
    ]
    days = [
        place
        for place, part in parts.items()
        if part is not None and part.numbers and not part.clock
    ]
    clocks = [place for place, part in parts.items() if part is not None and not part.numbers]
    if whole:
        found: tuple[int, ...] = (whole[0],)
    elif days and clocks:
        found = (days[0], clocks[0])
    elif clocks:
        found = (clocks[0],)
    else:
        cells = [row[written[0]] for row in table.rows]
        if len(set(cells)) < 0.9 * len(cells):
            raise BenchError(
                "There is a date, but no time of day that can be read.",
                evidence=table.shown(),
                next_step="name both with --time DATE+CLOCK (and --time-format), or give the time between rows with --every.",
            )
        return tuple(written[:1])
    last = parts[found[-1]]
    if last is None or last.fraction:
        return found
    for place in numbers:
        values = table.numbers(place)
        if (
            table.read[place].unit_of("time") == "ms"
            and len(values)
            and values.min() >= 0
            and values.max() < 1000
        ):
            return (*found, place)
    return found
