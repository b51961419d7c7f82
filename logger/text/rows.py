"""Rows of a foreign table, cell by cell: numbers in the run's units, or the reason why not."""

import math
import re
from array import array
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from logger.base.safe_files import open_to_read
from logger.run.reader import MOST
from logger.text.encoding import read_lines
from logger.text.layout import CELL, MISSING_WORDS, Layout
from logger.text.plan import ColumnPlan, Plan
from logger.text.time_column import clock_s, date_time_s, pattern_s
from logger.text.time_plan import TimePlan
from logger.text.units import UNITS, plain_unit

PLAN_ROWS: Final = 500
_VALUE_MAX: Final = 1e12  # beyond it no reading of any meter, in any of our units


@dataclass
class Rows:
    """Rows as they are read, column by column; ``numbers`` are their line numbers."""

    numbers: "array[int]" = field(default_factory=lambda: array("q"))
    time_s: "array[float]" = field(default_factory=lambda: array("d"))
    values: "list[array[float]]" = field(default_factory=list)
    rejected: dict[int, str] = field(default_factory=dict)
    others: dict[int, str] = field(default_factory=dict)
    blank: int = 0
    missing: Counter[str] = field(default_factory=Counter)
    first_time: str = ""


class _BadCell(Exception):
    """A cell that cannot be used; the message is the reason for the row."""


def first_rows(path: Path, layout: Layout) -> list[list[str]]:
    rows: list[list[str]] = []
    for _, line in _row_lines(path, layout, None):
        rows.append(_fitted(layout.split(line), len(layout.names)))
        if len(rows) >= PLAN_ROWS:
            break
    return rows


def _row_lines(path: Path, layout: Layout, rows: Rows | None) -> Iterator[tuple[int, str]]:
    """Number and text of every line that is a row; the others are noted in ``rows``."""
    for number, line in enumerate(read_lines(path, layout.encoding), start=1):
        if not line or line.isspace():
            if rows is not None:
                rows.blank += 1
        elif layout.is_comment(line):
            if rows is not None:
                rows.others[number] = "comment"
        elif number < layout.first_row:
            if rows is not None:
                header = layout.header and number == layout.first_row - 1
                rows.others[number] = "header" if header else "above the table"
        else:
            yield number, line


def _fitted(cells: list[str], count: int) -> list[str]:
    while len(cells) > count and not cells[-1]:
        cells.pop()
    return cells


def read_rows(path: Path, layout: Layout, plan: Plan) -> Rows:
    """All rows, cell by cell; a row with a cell that cannot be used is rejected with its reason."""
    rows = Rows(values=[array("d") for _ in plan.columns])
    read_time = _time_reader(plan.time, layout.decimal)
    count = len(layout.names)
    last_cell = ""
    before = ""
    for index, (number, line) in enumerate(_row_lines(path, layout, rows)):
        cells = layout.split(line)
        if len(cells) != count:
            cells = _fitted(cells, count)
        before, last_cell = last_cell, cells[-1] if cells else ""
        try:
            if len(cells) != count:
                raise _BadCell(f"has not {count} columns")
            time_s = read_time(cells) if plan.time.kind != "every" else index * plan.time.factor
            values = [
                _value(cells[column.place], column, layout.decimal, rows.missing)
                for column in plan.columns
            ]
            if all(map(math.isnan, values)):
                raise _BadCell("has no reading in it")
        except _BadCell as bad:
            header = layout.header and cells == list(layout.names)
            rows.rejected[number] = "the header again" if header else str(bad)
            continue
        if not rows.first_time and plan.time.places:
            rows.first_time = " ".join(cells[place] for place in plan.time.places)
        rows.numbers.append(number)
        rows.time_s.append(time_s)
        for store, value in zip(rows.values, values, strict=True):
            store.append(value)
    kept_last = bool(rows.numbers) and max(rows.rejected, default=0) < rows.numbers[-1]
    if kept_last and len(last_cell) < len(before) and not _ends_with_newline(path):
        _drop_torn_row(rows)
    return rows


def _drop_torn_row(rows: Rows) -> None:
    """The last line has no end and a last cell that is shorter than the one above: cut off while written."""
    rows.rejected[rows.numbers.pop()] = "the file ends in the middle of it"
    rows.time_s.pop()
    for store in rows.values:
        store.pop()


def _ends_with_newline(path: Path) -> bool:
    with open_to_read(path) as stream:
        stream.seek(max(0, path.stat().st_size - 2))
        return re.search(rb"[\r\n]", stream.read()) is not None


def _value(cell: str, column: ColumnPlan, decimal: str, missing: Counter[str]) -> float:
    """Run value of a cell; NaN for one that says "missing". Raises _BadCell."""
    number, unit = _number(cell, decimal, column.target)
    if math.isnan(number):
        missing[cell] += 1
        return number
    factor = column.factor
    if unit and column.units:
        factor = column.units.get(plain_unit(unit), math.nan)
        if math.isnan(factor):
            raise _BadCell(f"{column.target} has an unknown unit")
    value = (number * column.scale + column.offset) * factor
    most = MOST.get(column.target, _VALUE_MAX)
    if not -most <= value <= most:
        raise _BadCell(f"{column.target} is beyond all measure")
    return value


def _number(cell: str, decimal: str, name: str) -> tuple[float, str]:
    """Number and unit of a cell; NaN for one that says "missing". Raises _BadCell."""
    text = cell.replace(",", ".") if decimal == "," else cell
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if math.isfinite(number) and "_" not in text:  # float() takes "1_0" for ten
        return number, ""
    match = CELL.fullmatch(text)
    if match is not None:
        return float(match["number"]), match["unit"] or ""
    if cell.lower() in MISSING_WORDS:
        return math.nan, ""
    raise _BadCell("holds NUL bytes" if "\0" in cell else f"{name} is no number")


def _time_reader(plan: TimePlan, decimal: str) -> Callable[[Sequence[str]], float]:
    """Function from a row's cells to its time in s; it raises _BadCell."""

    def of_number(text: str) -> float:
        number, unit = _number(text, decimal, "its time")
        if math.isnan(number):
            raise _BadCell("its time is missing")
        return number * UNITS["time"].get(plain_unit(unit), plan.factor)

    readers = {"number": of_number, "date": date_time_s, "clock": clock_s}
    reader = (
        pattern_s(plan.pattern) if plan.kind == "pattern" else readers.get(plan.kind, of_number)
    )

    def read(cells: Sequence[str]) -> float:
        text = " ".join(cells[place] for place in plan.places)
        try:
            time_s = reader(text)
        except (ValueError, OverflowError):
            raise _BadCell("its time is not understood") from None
        if not -_VALUE_MAX < time_s < _VALUE_MAX:
            raise _BadCell("its time is beyond all measure")
        return time_s

    return read
