"""Which column of a foreign table is the time, and in which unit or form: given, or guessed and said."""

import re
from dataclasses import dataclass

import numpy as np

from logger.base.errors import BenchError
from logger.text.layout import CELL
from logger.text.table import PlanWish, Table
from logger.text.time_column import span_words
from logger.text.units import UNITS, plain_unit, unit_factor


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


def plan_time(table: Table, wish: PlanWish) -> TimePlan:
    """Which columns are the time, and how they are written. Raises BenchError where that cannot be told."""
    if wish.every_s is not None:
        return TimePlan("every", (), wish.every_s, f"a row every {wish.every_s:g} s (given)")
    given = wish.columns.get("time")
    places = table.places(given) if given is not None else _guess_time(table, wish)
    how = "given" if given is not None else "guessed"
    name = " and ".join(table.name(place) for place in places)
    if wish.time_format is not None:
        words = f"{name}, written {wish.time_format} ({how})"
        return TimePlan("pattern", places, 1.0, words, wish.time_format)
    kinds = [table.kind(place) for place in places]
    unclear = re.match(r"\d{1,2}/\d{1,2}/|.*[AaPp][Mm]$", table.first(places[0])) is not None
    if not unclear and (len(places) == 2 or kinds[0] == "date"):
        return TimePlan("date", places, 1.0, f"{name}, date and time ({how})")
    if not unclear and kinds[0] == "clock":
        return TimePlan("clock", places, 1.0, f"{name}, hours:minutes:seconds ({how})")
    if unclear or kinds[0] != "number":
        clock = "%I:%M:%S %p" if table.first(places[0])[-1:] in "mM" else "%H:%M:%S"
        raise BenchError(
            f"The times in {name} are not understood.",
            evidence=f"first: {table.first(places[0])!r}",
            next_step=f'say how they are written: --time-format "%m/%d/%Y {clock}" if the month comes first, "%d/%m/%Y {clock}" if the day does.',
        )
    unit = wish.units.get("time") or table.read[places[0]].unit_of("time")
    cell = CELL.fullmatch(table.first(places[0]).replace(",", "."))
    if unit is None and cell is not None and plain_unit(cell["unit"] or "") in UNITS["time"]:
        unit, source = cell["unit"], "by its cells"
    else:
        source = "given" if "time" in wish.units else "by its name"
    if unit is not None:
        return TimePlan("number", places, unit_factor("time", unit), f"{name} in {unit} ({source})")
    return _guess_unit(table, places, name, how)


def _guess_time(table: Table, wish: PlanWish) -> tuple[int, ...]:
    named = [place for place, read in enumerate(table.read) if read.quantity == "time"]
    free = [place for place in range(len(table.read)) if place not in table.taken(wish)]
    pool = named or free
    numbers = [place for place in pool if table.kind(place) == "number"]
    if named and numbers:
        return (numbers[0],)
    dates = [place for place in pool if table.kind(place) == "date"]
    clocks = [place for place in pool if table.kind(place) == "clock"]
    if dates:
        only_day = re.fullmatch(r"[\d./-]+", table.first(dates[0])) is not None
        return (dates[0], clocks[0]) if only_day and clocks else (dates[0],)
    if clocks:
        return (clocks[0],)
    rising = [place for place in numbers if table.rises(place)]
    # A plain row number rises too: anything else that rises is the better time.
    other = [place for place in rising if not table.counts_by_one(place)] or rising
    if named and not numbers:
        return (named[0],)
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


def _guess_unit(table: Table, places: tuple[int, ...], name: str, how: str) -> TimePlan:
    """Unit of bare numbers, from their size and steps; asks where two units are plausible."""
    values = table.numbers(places[0])
    middle = float(np.median(values)) if len(values) else 0.0
    for factor, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us")):
        if 1e9 <= middle * factor < 3e9:  # 2001 to 2065
            words = f"{name}, Unix time in {unit} (guessed from its size)"
            return TimePlan("number", places, factor, words, epoch=True)
    steps = np.diff(values)
    step = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    whole = bool((values % 1 == 0).all())
    if not whole or step <= 5:
        reason = "numbers with decimals" if not whole else f"whole numbers, steps of {step:g}"
        if whole and table.counts_by_one(places[0]):
            reason += "; if they only number the rows, give --every"
        return TimePlan("number", places, 1.0, f"{name} in s ({how}; unit guessed: {reason})")
    for factor, unit, least, most in ((1e-3, "ms", 100, 20_000), (1e-6, "us", 1e6, np.inf)):
        if least <= step <= most:
            words = f"{name} in {unit} ({how}; unit guessed: whole numbers, steps of {step:g})"
            return TimePlan("number", places, factor, words)
    raise BenchError(
        f"The unit of the time in {name} cannot be told.",
        evidence=f"steps of {step:g}: that is {span_words(step * 1e-6)} in us, {span_words(step * 1e-3)} in ms, {span_words(step)} in s",
        next_step="say it with --time-unit.",
    )
