"""What stands where in written times: day or month first, minutes or hours, as the whole column settles it, or asked."""

import contextlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Final

from logger.base.errors import BenchError
from logger.text.question import Question, Reading, some
from logger.text.spans import span_words
from logger.text.table import PlanWish, Table
from logger.text.timing.written import DAY_S, EPOCH_DAY, Parts, day_number, parts_of, reader

_ORDER_WORDS: Final = {
    "dmy": "day.month.year",
    "mdy": "month/day/year",
    "ymd": "year/month/day",
}
_MIDNIGHT_STEPS: Final = 20.0
_STATED: Final = re.compile(
    r"(?:interval|sampl\w*|period|rate|step|every)\W{0,3}(?:\w*\W{0,3}){0,2}?(\d+(?:[.,]\d+)?)\s*(ms|sec|s|min|hz|h)?\b", re.IGNORECASE
)  # fmt: skip
_STATED_S: Final = {"ms": 1e-3, "s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0}


@dataclass(frozen=True)
class TimeForm:
    """``order``: of the date's numbers where it is not told by the writing; ``minutes_first``: mm:ss, not hh:mm.

    ``has_date``, ``half``: whether there is a date, and am or pm. ``words``: for the user.
    """

    order: str
    minutes_first: bool
    has_date: bool
    half: bool
    words: str


def find_time_form(table: Table, places: Sequence[int], wish: PlanWish) -> TimeForm | None:
    """Form of the times in these columns; None if they are no written times. Raises Question."""
    cells = [cell for cell in table.joined(places) if cell.strip()]
    parts = [part for part in map(parts_of, cells) if part is not None]
    if not parts:
        return None
    has_date = parts[0].numbers is not None
    half = any(part.half for part in parts)
    order, words = "", []
    if has_date:
        order, told = _find_order(table, places, parts, wish)
        words.append(told)
    two = any(len(part.clock) == 2 for part in parts)
    minutes_first = False
    if two and not has_date and not half:
        minutes_first, told = _find_colon(table, places, parts, wish)
        words.append(told)
    elif any(part.clock for part in parts):
        words.append("hours:minutes" if two else "hours:minutes:seconds")
    return TimeForm(order, minutes_first, has_date, half, ", ".join(words))


def _find_order(
    table: Table, places: Sequence[int], parts: Sequence[Parts], wish: PlanWish
) -> tuple[str, str]:
    told = next((part.order for part in parts if part.order), "")
    if told:
        return told, "date and time"
    days = list(dict.fromkeys(re.split(r"[ T_,]", cell.strip())[0] for cell in table.whole(places)))
    if wish.date_order is not None:
        _refuse_other_order(days, wish.date_order)
        return wish.date_order, f"date written {_ORDER_WORDS[wish.date_order]} (given)"
    found = [part.numbers for part in map(parts_of, days) if part is not None and part.numbers]
    orders = [order for order in ("dmy", "mdy", "ymd") if _fits(found, order)]
    if len(orders) > 1:
        steps = {order: _day_steps(found, order) for order in orders}
        forward = [order for order in orders if min(steps[order], default=0) >= 0]
        close = [order for order in forward if steps[order] and max(steps[order]) <= 1]
        if close and not _goes_over_midnight(table.whole(places), close[0]):
            close = []
        far = [order for order in forward if max(steps[order], default=0) > 20]
        if len(forward) == 1:
            orders = forward
        elif len(close) == 1 and set(forward) == {*close, *far}:
            orders = close
    if len(orders) == 1:
        return orders[0], f"date written {_ORDER_WORDS[orders[0]]} (nothing else fits)"
    if not orders:
        orders = ["dmy", "mdy"]
    raise Question(
        f"Which is first in {days[0]}: the day or the month?",
        f"dates in the file: {some(days)}",
        [
            Reading(
                _ORDER_WORDS[order],
                some([_long(numbers, order) for numbers in found]),
                ("--date-order", order),
            )
            for order in orders
        ],
    )


def _refuse_other_order(days: Sequence[str], order: str) -> None:
    """Raises BenchError if a date of the file is none in this order."""
    for day in days:
        part = parts_of(day)
        if part is not None and part.numbers is not None and not _fits([part.numbers], order):
            raise BenchError(
                f"{day} is no date if it is written {_ORDER_WORDS[order]}.",
                next_step="check --date-order (or the mapping).",
            )


def _fits(found: Sequence[tuple[int, int, int]], order: str) -> bool:
    if order == "ymd" and any(numbers[2] > 31 for numbers in found):
        return False
    try:
        days = [day_number(numbers, order) for numbers in found]
    except ValueError:
        return False
    # A logger's file: between 2000 and 2050.
    return all(10_957 <= day <= 29_220 for day in days) and (
        order != "ymd" or all(15 <= numbers[0] <= 50 for numbers in found)
    )


def _goes_over_midnight(cells: Sequence[str], order: str) -> bool:
    """Whether rows follow each other over each change of the date as closely as within a day."""
    read = reader(order, False)
    times = []
    for cell in cells:
        with contextlib.suppress(ValueError, OverflowError):
            times.append(read(cell))
    steps = [
        (after - before, after // DAY_S != before // DAY_S) for before, after in pairwise(times)
    ]
    within = sorted(step for step, new_day in steps if step > 0 and not new_day)
    if not within:
        return False
    usual_s = within[len(within) // 2]
    return all(0 <= step <= _MIDNIGHT_STEPS * usual_s for step, new_day in steps if new_day)


def _day_steps(found: Sequence[tuple[int, int, int]], order: str) -> list[int]:
    days = [day_number(numbers, order) for numbers in found]
    return [after - before for before, after in pairwise(days)]


def _long(numbers: tuple[int, int, int], order: str) -> str:
    try:
        made = date.fromordinal(day_number(numbers, order) + EPOCH_DAY)
    except ValueError:
        return "no date"
    return f"{made.day} {made:%B %Y}"


def _find_colon(
    table: Table, places: Sequence[int], parts: Sequence[Parts], wish: PlanWish
) -> tuple[bool, str]:
    """Whether ``12:30`` is minutes and seconds, and how that is known."""
    if wish.clock is not None:
        words = "minutes:seconds" if wish.clock == "mm:ss" else "hours:minutes"
        return wish.clock == "mm:ss", f"{words} (given)"
    named = " ".join(table.layout.names[place].lower() for place in places)
    if "hh:mm" in named or "h:mm" in named:
        return False, "hours:minutes (by its name)"
    if re.search(r"m+:ss?|min:s", named):
        return True, "minutes:seconds (by its name)"
    if any(part.fraction and len(part.clock) == 2 for part in parts):
        return True, "minutes:seconds (they have decimals)"
    whole = [part for part in map(parts_of, table.whole(places)) if part is not None and part.clock]
    clocks = [part.clock for part in whole]
    if any(part.fraction and len(part.clock) == 2 for part in whole):
        return True, "minutes:seconds (they have decimals)"
    for before, after in pairwise(clocks):
        if len(before) == 2 and len(after) == 3 and before[0] >= 50 and after[0] == 1:
            return True, "minutes:seconds (hours come before them later)"
        if len(before) == len(after) == 2 and after < before and after[0] == 0:
            if before[0] >= 58 and before[0] < 60:
                return True, "minutes:seconds (they begin again after 59)"
            if before[0] == 23:
                return False, "hours:minutes (they begin again after 23)"
    if clocks[0][0] >= 24 and len(clocks[0]) == 2:
        return True, "minutes:seconds (they begin beyond 23)"
    units = [first * 60 + second for first, second, *_ in clocks]
    steps = [after - before for before, after in pairwise(units)]
    forward = sorted(step for step in steps if step > 0)
    step = forward[len(forward) // 2] if forward else 0
    stated = stated_interval_s(table.layout.above)
    if stated is not None and step and stated in (step, 60.0 * step):
        return (
            stated == step,
            f"{'minutes:seconds' if stated == step else 'hours:minutes'} (by the interval of {stated:g} s that the file states)",
        )
    cells = [cell for cell in table.joined(places) if cell.strip()]
    raise Question(
        f"Are the times in {' and '.join(table.name(place) for place in places)} minutes and seconds, or hours and minutes?",
        f"{some(cells)} to {table.whole(places)[-1]}",
        [
            Reading(words, _course(units, factor), ("--clock", form))
            for words, factor, form in (
                ("minutes:seconds", 1, "mm:ss"),
                ("hours:minutes", 60, "hh:mm"),
            )
        ],
    )


def _course(units: Sequence[int], factor: int) -> str:
    spans = [span_words((unit - units[0]) * factor) for unit in units]
    return f"{some(spans)} to {span_words((max(units) - units[0]) * factor)}"


def stated_interval_s(above: Sequence[str]) -> float | None:
    """Time between rows that the lines above the table state (``Interval: 30 s``, ``sample rate;2 Hz``)."""
    for line in above:
        found = _STATED.search(line)
        if found is None or not found[2]:
            continue
        value = float(found[1].replace(",", "."))
        if value > 0:
            return 1 / value if found[2].lower() == "hz" else value * _STATED_S[found[2].lower()]
    return None
