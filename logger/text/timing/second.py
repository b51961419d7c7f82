"""A second column of times: where its clock differs from the one the rows are read by, it is asked which holds.

Files that put each quantity beside its own times (``Time V, Voltage, Time I, Current``) are the case: one clock for both
would put one of them at moments when it was not measured.
"""

import math
import re
from collections.abc import Collection, Sequence
from typing import Final

import numpy as np

from logger.text.question import Question, Reading, some
from logger.text.spans import span_words
from logger.text.table import Floats, PlanWish, Table, goes_on, usual_step
from logger.text.timing.plan import TimePlan
from logger.text.timing.written import DAY_S, clock_seconds, day_number, parts_of
from logger.text.units import UNITS

_EPOCH_S: Final = (1e9, 3e9)  # 2001 to 2065
_ZONES_S: Final = 900.0  # zones differ by quarters of an hour
_STEPS_APART: Final = 1.01  # a step, and what rounding adds


def ask_other_clock(
    table: Table, wish: PlanWish, time: TimePlan, measured: Collection[int]
) -> None:
    """Raises Question where another column of times is more than a usual step away from the one that was chosen.

    ``measured``: columns of voltage and current. Nothing is asked if the user named the time.
    """
    told = "time" in wish.columns and not wish.check_clocks
    if told or wish.every_s is not None or not time.places:
        return
    chosen = _clock_place(table, time)
    if chosen is None:
        return
    for place in range(len(table.read)):
        if place in time.places or place in table.taken(wish) | set(measured):
            continue
        apart_s, step_s = _apart(table, time, chosen, place)
        if apart_s > _STEPS_APART * step_s:
            raise _ask(table, time, (chosen, place), measured, (apart_s, step_s))


def _clock_place(table: Table, time: TimePlan) -> int | None:
    """The one column of the time, or of a date and a clock the clock."""
    if len(time.places) == 1:
        return time.places[0]
    return next((place for place in time.places if table.kind(place) == "clock"), None)


def _apart(table: Table, time: TimePlan, chosen: int, place: int) -> tuple[float, float]:
    """How far the times in a column get from the chosen ones, and the usual step; 0 if it holds no such times."""
    kind = table.kind(place)
    if kind != table.kind(chosen) or time.kind not in ("number", "written"):
        return 0.0, 0.0
    if time.kind == "number":
        if table.read[place].quantity != "time" or not goes_on(table.numbers(place)):
            return 0.0, 0.0
        first, other = _numbers(table, chosen, place)
        first = first * time.factor
        unit = table.read[place].unit_of("time")
        other = other * (_likely_factor(first, other) if unit is None else UNITS["time"][unit])
    else:
        first, other = _clocks(table, chosen, place, _date_order(time))
    if len(first) < 2:
        return 0.0, 0.0
    step_s = max(usual_step(first), usual_step(other))
    if not step_s:
        return 0.0, 0.0
    apart = other - first
    if time.kind == "written":
        if max(first.max(), other.max()) < DAY_S:  # clocks without a date: over midnight
            apart = (apart + DAY_S / 2) % DAY_S - DAY_S / 2
        if _zone_named(table, chosen) or _zone_named(table, place):
            apart = apart - np.round(apart / _ZONES_S) * _ZONES_S
    elif _is_epoch(first) != _is_epoch(other):
        apart = apart - apart[0]
    return float(np.max(np.abs(apart))), step_s


def _likely_factor(first_s: Floats, other: Floats) -> float:
    """Factor to seconds of a time without a unit: the one that brings its usual step nearest to the other's."""
    steps = usual_step(first_s), usual_step(other)
    if not all(steps):
        return 1.0
    return min(
        UNITS["time"].values(), key=lambda factor: abs(math.log(steps[1] * factor / steps[0]))
    )


def _pairs(table: Table, first: int, other: int) -> list[tuple[str, str]]:
    """Cells of two columns in all rows of the file that have both."""
    found = []
    for text in table.whole((first, other)):
        words = text.split(" ")  # a cell may have a blank in it, then in both columns alike
        half = len(words) // 2
        cells = " ".join(words[:half]), " ".join(words[half:])
        if len(words) % 2 == 0 and all(cells):
            found.append(cells)
    return found


def _numbers(table: Table, first: int, other: int) -> tuple[Floats, Floats]:
    form = table.layout.form
    found = [(form.read(one), form.read(two)) for one, two in _pairs(table, first, other)]
    read = [(one[0], two[0]) for one, two in found if one is not None and two is not None]
    pairs = np.array(read, dtype=np.float64).reshape(-1, 2)
    pairs = pairs[(np.abs(pairs) < 1e18).all(axis=1)]
    return pairs[:, 0], pairs[:, 1]


def _date_order(time: TimePlan) -> str:
    return (time.form.order if time.form is not None else "") or "dmy"


def _clocks(table: Table, first: int, other: int, order: str) -> tuple[Floats, Floats]:
    """Seconds (n,) in two columns, since 1970 with a date in both, in rows that have hours, minutes and seconds."""
    read = []
    for one, two in ((parts_of(one), parts_of(two)) for one, two in _pairs(table, first, other)):
        if one is None or two is None or not len(one.clock) == len(two.clock) == 3:
            continue
        days = [0, 0]
        try:
            if one.numbers and two.numbers:
                days = [
                    day_number(one.numbers, one.order or order),
                    day_number(two.numbers, two.order or order),
                ]
            seconds = clock_seconds(one), clock_seconds(two)
        except ValueError:  # no such date or time of day: its row is rejected later
            continue
        read.append([day * DAY_S + second for day, second in zip(days, seconds, strict=True)])
    pairs = np.array(read, dtype=np.float64).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


def _zone_named(table: Table, place: int) -> bool:
    """Whether a column says that it keeps the time of a zone."""
    parts = parts_of(table.first(place))
    named = re.search(r"(?i)utc|gmt|zulu|local|zone", table.layout.names[place]) is not None
    return named or (parts is not None and bool(parts.zone))


def _is_epoch(times_s: Floats) -> bool:
    return bool(_EPOCH_S[0] <= np.median(times_s) < _EPOCH_S[1])


def _ask(
    table: Table,
    time: TimePlan,
    places: tuple[int, int],
    measured: Collection[int],
    apart_and_step_s: tuple[float, float],
) -> Question:
    apart_s, step_s = apart_and_step_s
    settle = [
        ("--time", text) for text in (_joined(time.places), _other_time(table, time, places[1]))
    ]
    names = [table.name(place) for place in places]
    readings = [
        Reading(
            f"all values at the times in {name}",
            some([row[place] for row in table.rows]),
            how,
        )
        for name, place, how in zip(names, places, settle, strict=True)
    ]
    beside = [_beside(place, places, measured) for place in places]
    if all(beside):  # each clock has values of its own to its right
        for place, how, own, others in zip(places, settle, beside, reversed(beside), strict=True):
            left_out = (word for other in others for word in ("--leave-out", str(other + 1)))
            readings.append(
                Reading(
                    f"only {' and '.join(map(table.name, own))}, at the times in {table.name(place)}",
                    "",
                    (*how, *left_out),
                )
            )
    return Question(
        "There are two columns of times, and they do not go together.",
        f"{names[0]} and {names[1]} are up to {span_words(apart_s)} apart; the usual step is {span_words(step_s)}",
        readings,
    )


def _joined(places: Sequence[int]) -> str:
    return "+".join(str(place + 1) for place in places)


def _other_time(table: Table, time: TimePlan, place: int) -> str:
    """The other clock as ``--time`` names it: with the date before it, else with the chosen one's."""
    if len(time.places) == 1:
        return str(place + 1)
    dates = [day for day in (place - 1, *time.places) if day >= 0 and table.kind(day) == "date"]
    return _joined([*dates[:1], place])


def _beside(place: int, clocks: Collection[int], measured: Collection[int]) -> list[int]:
    """Measured columns from a clock to the next one."""
    end = min((clock for clock in clocks if clock > place), default=None)
    return [own for own in sorted(measured) if own > place and (end is None or own < end)]
