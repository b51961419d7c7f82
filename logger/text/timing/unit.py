"""The unit of a time that is a bare number: told, the only plausible one, or asked.

Plausible is a unit in which the step between rows is a period that loggers have, and the run is neither over at once nor
longer than two months. Day numbers: spreadsheets count days from 1900 or 1904 (ECMA-376 part 1, 18.17.4: 1970-01-01 is day
25569 or 24107).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.base.errors import BenchError
from logger.base.numbers import digits_text
from logger.text.question import Question, Reading, some
from logger.text.spans import span_words
from logger.text.table import Floats, Table, usual_step
from logger.text.timing.form import stated_interval_s
from logger.text.timing.written import DAY_S, utc_text
from logger.text.units import UNITS

DAY_ZERO: Final = {1900: 25569, 1904: 24107}
_DAYS: Final = (20_000.0, 80_000.0)  # 1954 to 2119 counted from 1900
_PERIODS_S: Final = (
    0.001, 0.002, 0.004, 0.005, 0.008, 0.01, 1 / 60, 0.02, 0.025, 1 / 30, 0.04, 0.05, 0.1, 0.125, 0.2, 0.25, 0.5, 0.6,
    1, 2, 3, 5, 10, 15, 20, 30, 60, 120, 180, 300, 600, 900, 1200, 1800, 3600,
)  # fmt: skip
_SLOW_S: Final = 3600.0
_UNITS: Final = ("us", "ms", "s", "min", "h", "d")
_POINTED: Final = {"h": ("min", "%H.%M"), "min": ("s", "%M.%S")}
_LEAST_SPAN_S: Final = 2.0
_MOST_SPAN_S: Final = 60 * DAY_S
_SURE_ROWS: Final = 20  # fewer rows than this may be a short excerpt


@dataclass(frozen=True)
class NumberUnit:
    """``factor`` to seconds, ``words`` for the user; ``epoch``: Unix time; ``days``: day numbers of a spreadsheet."""

    factor: float
    words: str
    epoch: bool = False
    days: bool = False
    unit: str = ""


def find_number_unit(
    table: Table, place: int, unit: str | None, source: str, how: str
) -> NumberUnit:
    """Unit of the time in a column of numbers. ``unit``: as told, with ``source`` in words. Raises Question."""
    name = table.name(place)
    values = table.numbers(place)
    middle = float(np.median(values)) if len(values) else 0.0
    step = usual_step(values)
    if unit is not None:
        factor = UNITS["time"][unit]
        if factor == 1.0 and source == "by its name" and _like_days(middle, step):
            raise _ask(table, place, values, ("s", "d"))
        if unit in _POINTED and source != "given" and _counts_to_sixty(values):
            raise _ask_pointed(table, place, values, unit)
        days = factor == DAY_S and _DAYS[0] <= middle <= _DAYS[1]
        epoch = 1e9 <= middle * factor < 3e9 and factor <= 1
        words = f"{name} in {unit} ({source})"
        return NumberUnit(factor, _day_words(name, values) if days else words, epoch, days, unit)
    for factor, word in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns")):
        if 1e9 <= middle * factor < 3e9 and not (factor == 1.0 and 0 < step < 1e-3):  # 2001 to 2065
            return NumberUnit(
                factor, f"{name}, Unix time in {word} (guessed from its size)", True, unit=word
            )
    if _is_hhmmss(values):
        raise BenchError(
            f"The times in {name} look like hours, minutes and seconds without signs between them.",
            evidence=some([cell for cell in table.joined((place,)) if cell]),
            next_step="say so with --time-format %H%M%S, or give the unit with --time-unit.",
        )
    if _like_days(middle, step):
        if names_a_day(table.layout.names[place]):
            return NumberUnit(DAY_S, _day_words(name, values), days=True, unit="d")
        raise _ask(table, place, values, ("s", "d"))
    units, reason = _plausible(table, place, values, step)
    if len(units) == 1:
        words = f"{name} in {units[0]} ({how}; unit guessed: {reason})"
        return NumberUnit(UNITS["time"][units[0]], words, unit=units[0])
    if not units:
        raise BenchError(
            f"The unit of the time in {name} cannot be told.",
            evidence=f"steps of {step:g}: that is {span_words(step * 1e-6)} in us, {span_words(step * 1e-3)} in ms, {span_words(step)} in s",
            next_step="say it with --time-unit.",
        )
    raise _ask(table, place, values, units, or_numbers=how == "guessed")


def names_a_day(name: str) -> bool:
    """Whether a column is called a date or a day."""
    return re.search(r"da[ty]|fecha|jour|tag\b", name, re.IGNORECASE) is not None


def _is_hhmmss(values: Floats) -> bool:
    """Whether whole numbers go on as 210059, 210100 do."""
    if len(values) < 2 or (values % 1 != 0).any() or values.max() >= 240_000 or values.min() < 0:
        return False
    minutes_fit = bool((values % 100 < 60).all() and (values // 100 % 100 < 60).all())
    return minutes_fit and bool((np.diff(values) % 100 > 40).any()) and values.max() > 10_000


def _counts_to_sixty(values: Floats) -> bool:
    """Whether numbers with two decimals go on as 0.58, 0.59, 1.00 do, over a whole number at least."""
    hundredths = values % 1 * 100
    steps = np.diff(values)
    if not (
        len(values) > 2
        and np.ptp(np.floor(values)) >= 1
        and np.abs(hundredths - np.round(hundredths)).max() < 1e-6
        and np.round(hundredths).max() < 60
    ):
        return False
    jumps = 0 < np.median(steps) < 0.3 and steps.max() > 0.4
    # 0.00, 0.30, 1.00, 1.30: uneven as decimals, even as two numbers
    even = np.ptp(np.diff(_pointed(values))) == 0 and np.ptp(steps) > 0.01
    return bool(jumps or even)


def _pointed(values: Floats) -> Floats:
    """Numbers such as 1.30 as 60 + 30."""
    return np.asarray(np.floor(values) * 60 + np.round(values % 1 * 100))


def _ask_pointed(table: Table, place: int, values: Floats, unit: str) -> Question:
    """``0.58, 0.59, 1.00`` under a unit of hours or minutes: a point between two numbers, or a decimal one."""
    finer, pattern = _POINTED[unit]
    name = table.name(place)
    last = int(np.argmax(np.diff(values))) + 1
    shown = [f"{value:.2f}" for value in values[max(0, last - 2) : last + 1]]
    pointed = _pointed(values) * UNITS["time"][finer]
    decimal = values * UNITS["time"][unit]
    return Question(
        f"Are the times in {name} decimal numbers, or two numbers with a point between?",
        some(shown),
        [
            Reading(f"{_unit_words(unit, False)}, decimal", f"{span_words(float(decimal[-1] - decimal[0]))} in all", ("--time-unit", unit)),
            Reading(f"{_unit_words(unit, False)} and {_unit_words(finer, False)}", f"{span_words(float(pointed[-1] - pointed[0]))} in all", ("--time-format", pattern)),
        ],
    )  # fmt: skip


def _like_days(middle: float, step: float) -> bool:
    return _DAYS[0] <= middle <= _DAYS[1] and 0 < step < 0.5


def _plausible(table: Table, place: int, values: Floats, step: float) -> tuple[list[str], str]:
    """Units that the column may be in, and why."""
    whole = bool((values % 1 == 0).all())
    reason = (
        f"whole numbers, steps of {step:g}"
        if whole
        else f"numbers with decimals, steps of {step:.4g}"
    )
    if whole and table.unevenness(place) > 1e-3 and step >= 100:
        # Uneven steps: the count is finer than the step, as of a sketch's millis() or micros().
        return [word for word, least, most in (("ms", 100, 20_000), ("us", 1e6, np.inf)) if least <= step <= most], reason  # fmt: skip
    stated = stated_interval_s(table.layout.above)
    if stated is not None and step:
        by_statement = [
            word for word in _UNITS if abs(step * UNITS["time"][word] / stated - 1) < 0.02
        ]
        if by_statement:
            return by_statement, f"the file states {stated:g} s between rows"
    rows = max(table.layout.lines, len(values))
    units = []
    for word in _UNITS:
        step_s = step * UNITS["time"][word]
        span_s = step_s * rows
        sure = rows < _SURE_ROWS or _LEAST_SPAN_S <= span_s <= _MOST_SPAN_S
        near = any(abs(step_s / period - 1) < 0.02 for period in _PERIODS_S)
        near |= word == "s" and whole and 100 <= step <= _SLOW_S  # a slow meter
        odd = {"us": step < 1000, "ms": step < 10, "h": whole, "d": whole}.get(word, False)
        if sure and near and not odd:
            units.append(word)
    if units == ["d"]:  # parts of a day; a quick meter's seconds look the same
        units = ["s", "d"]
    if not units and whole and 100 <= step <= 20_000:
        units = ["ms"]
    if not units and whole and step >= 1e6:
        units = ["us"]
    if not units and not whole and 0.001 <= step <= 3600:
        units = ["s"]
    return units, reason


def _ask(
    table: Table, place: int, values: Floats, units: Sequence[str], *, or_numbers: bool = False
) -> Question:
    """``or_numbers``: the column may only number the rows; nobody said that it is the time."""
    name = table.name(place)
    cells = [cell for cell in table.joined((place,)) if cell]
    readings = []
    for unit in units:
        factor = UNITS["time"][unit]
        days = unit == "d" and _DAYS[0] <= values[0] <= _DAYS[1]
        if days:
            rows = some([_day(value, 1900)[:19].replace("T", " ") for value in values[:4]], 2)
        else:
            spans = [span_words(float(value - values[0]) * factor) for value in values[:4]]
            rows = f"{some(spans)} from the first row on"
        readings.append(Reading(_unit_words(unit, days), rows, ("--time-unit", unit)))
    if or_numbers and table.counts_by_one(place) and table.read[place].quantity != "time":
        readings.append(
            Reading(
                "it only numbers the rows", "one each second, or say how often", ("--every", "1s")
            )
        )
    return Question(
        f"Which unit has the time in {name}?",
        f"{some(cells)} (steps of {digits_text(usual_step(values), 3)})",
        readings,
    )


def _unit_words(unit: str, days: bool) -> str:
    if days:
        return "day numbers of a spreadsheet"
    words = {
        "us": "microseconds",
        "ms": "milliseconds",
        "s": "seconds",
        "min": "minutes",
        "h": "hours",
    }
    return words.get(unit, "days")


def _day(value: float, zero: int) -> str:
    return utc_text(round((float(value) - DAY_ZERO[zero]) * DAY_S, 3))


def _day_words(name: str, values: Floats) -> str:
    first = float(values[0])
    return (
        f"{name}, day numbers of a spreadsheet: {_day(first, 1900)[:10]} if counted from 1900, "
        f"{_day(first, 1904)[:10]} if from 1904 (--day-zero says which)"
    )
