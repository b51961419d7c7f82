"""Rows of a foreign table, cell by cell: numbers in the run's units, or the reason why not."""

import math
import re
from array import array
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError
from logger.base.safe_files import open_to_read
from logger.run.reading.order import MOST
from logger.text.cells import cell_kind, fit, is_data
from logger.text.encoding import read_lines
from logger.text.header import names_columns
from logger.text.layout import Layout
from logger.text.number_form import NumberForm, sign_of
from logger.text.plan import ColumnPlan, Plan
from logger.text.question import Question, Reading, some
from logger.text.timing.plan import TimePlan
from logger.text.timing.written import pattern_s, reader
from logger.text.units import UNITS, plain_unit

PLAN_ROWS: Final = 500
_VALUE_MAX: Final = 1e12  # beyond it no reading of any meter, in any of our units
_ROWS_FOR_TOTAL: Final = 6
_KEPT_CELLS: Final = 40  # of cells that are no numbers, to look for a sign between thousands


@dataclass
class Rows:
    """Rows as they are read, column by column; ``numbers`` are their line numbers.

    ``headers``: numbers of the lines that are the header again; ``odd_cells``: cells that should be numbers, and are
    none; ``wide``: rows with too many columns, by number; ``unread``: those of ``rejected`` that look like rows.
    """

    numbers: "array[int]" = field(default_factory=lambda: array("q"))
    time_s: "array[float]" = field(default_factory=lambda: array("d"))
    values: "list[array[float]]" = field(default_factory=list)
    rejected: dict[int, str] = field(default_factory=dict)
    others: dict[int, str] = field(default_factory=dict)
    blank: int = 0
    missing: Counter[str] = field(default_factory=Counter)
    first_time: str = ""
    headers: list[int] = field(default_factory=list)
    odd_cells: list[str] = field(default_factory=list)
    wide: dict[int, list[str]] = field(default_factory=dict)
    unread: dict[int, str] = field(default_factory=dict)


class _BadCell(Exception):
    """A cell that cannot be used; the message is the reason for the row."""


def first_rows(path: Path, layout: Layout) -> list[list[str]]:
    rows: list[list[str]] = []
    for _, line in _row_lines(path, layout, None):
        rows.append(fit(layout.split(line), len(layout.names)))
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


def column_cells(path: Path, layout: Layout, places: Sequence[int]) -> list[str]:
    """Cells of these columns, joined by a blank, in all rows of the file that have as many cells as they should."""
    count = len(layout.names)
    rows = (fit(layout.split(line), count) for _, line in _row_lines(path, layout, None))
    made = (" ".join(row[place] for place in places) for row in rows if len(row) == count)
    return [cell for cell in made if cell.strip()]


def read_rows(path: Path, layout: Layout, plan: Plan) -> Rows:
    """All rows, cell by cell; a row with a cell that cannot be used is rejected with its reason.

    Raises BenchError for a second header that names other columns, Question for numbers whose sign is doubtful.
    """
    rows = Rows(values=[array("d") for _ in plan.columns])
    read_time = _time_reader(plan.time, layout.form)
    count = len(layout.names)
    last_cell = ""
    before = ""
    for index, (number, line) in enumerate(_row_lines(path, layout, rows)):
        cells = layout.split(line)
        if len(cells) != count:
            cells = fit(cells, count)
        before, last_cell = last_cell, cells[-1] if cells else ""
        try:
            if len(cells) != count:
                raise _BadCell(f"has not {count} columns")
            time_s = read_time(cells) if plan.time.kind != "every" else index * plan.time.factor
            values = [
                _value(cells[column.place], column, layout.form, rows) for column in plan.columns
            ]
            if all(map(math.isnan, values)):
                raise _BadCell("has no reading in it")
        except _BadCell as bad:
            rows.rejected[number] = _reason(number, cells, str(bad), layout, plan, rows)
            continue
        if not rows.first_time and plan.time.places:
            rows.first_time = " ".join(cells[place] for place in plan.time.places)
        rows.numbers.append(number)
        rows.time_s.append(time_s)
        for store, value in zip(rows.values, values, strict=True):
            store.append(value)
    kept_last = bool(rows.numbers) and max(rows.rejected, default=0) < rows.numbers[-1]
    if kept_last and _is_torn(last_cell, before, layout) and not _ends_with_newline(path):
        _reject_last(rows, "the file ends in the middle of it")
    _refuse_doubtful_signs(rows, layout)
    _drop_total(rows)
    return rows


def _reason(
    number: int, cells: list[str], reason: str, layout: Layout, plan: Plan, rows: Rows
) -> str:
    """Why a row is rejected; a header in the middle is noted, and refused if it names other columns."""
    if layout.header and cells == list(layout.names):
        rows.headers.append(number)
        return "the header again"
    count = len(layout.names)
    if len(cells) > count and len(rows.wide) < _KEPT_CELLS:
        rows.wide[number] = cells
    if not names_columns(cells):
        if is_data([cell_kind(cell) for cell in cells]):
            rows.unread[number] = reason
        return reason
    if layout.header and cells == layout.split(layout.above[-1] if layout.above else ""):
        rows.headers.append(number)
        return "the header again"
    again = next((line for line in layout.above if layout.split(line) == cells), None)
    if again is not None:
        rows.headers.append(number)
        return "the header again"
    if layout.header or not plan.told:
        raise BenchError(
            f"Line {number} is another header than the first one.",
            evidence=f"{', '.join(layout.names)}; then {', '.join(cells)}"[:200],
            next_step="divide the file there, and import each part by itself.",
        )
    rows.headers.append(number)
    return "a header"


def _refuse_doubtful_signs(rows: Rows, layout: Layout) -> None:
    """Numbers that were no numbers because of a sign between thousands, or that fell into two columns by it."""
    odd = [cell for cell in rows.odd_cells if sign_of(cell)[0]]
    if odd:
        sign = sign_of(odd[0])[1]
        word, other = ("comma", "point") if sign == "," else ("point", "comma")
        raise Question(
            f"Some numbers have a {word}, and what it means cannot be told.",
            f"cells such as {some(odd)}; the decimal sign seemed to be a {'comma' if layout.decimal == ',' else 'point'}",
            [
                Reading(
                    "it stands between thousands", "", ("--decimal", other, "--thousands", word)
                ),
                Reading("it is the decimal sign", "", ("--decimal", word)),
            ],
        )
    count, sign = len(layout.names), layout.delimiter
    for number, cells in rows.wide.items():
        for left, right in pairwise(cells):
            if (
                sign == ","
                and re.fullmatch(r"-?\d{1,3}", left)
                and re.fullmatch(r"\d{3}(?:\.\d+)?", right)
            ):
                raise BenchError(
                    f"Line {number} has {len(cells)} columns, the others {count}: a comma between thousands divides a number.",
                    evidence=",".join(cells)[:100],
                    next_step="export the file with semicolons or tabs between columns, or without signs between thousands.",
                )


def _is_torn(last: str, before: str, layout: Layout) -> bool:
    """Whether the last cell of a file without a last line end is less than was to be written."""
    if len(last) < len(before):
        return True
    numbers = [layout.form.read(cell) for cell in (last, before)]
    decimals = [layout.form.decimals(cell) for cell in (last, before)]
    if None in numbers or None in decimals:
        return False
    (value, _), (above, _) = (number for number in numbers if number is not None)
    fewer = (decimals[0] or 0) < (decimals[1] or 0)
    return fewer or abs(value) < 0.2 * abs(above)


def _reject_last(rows: Rows, reason: str) -> None:
    rows.rejected[rows.numbers.pop()] = reason
    rows.time_s.pop()
    for store in rows.values:
        store.pop()


def _drop_total(rows: Rows) -> None:
    """The last row holds the sums of the rows above it in a column: a total, no reading."""
    if len(rows.numbers) < _ROWS_FOR_TOTAL:
        return
    for store in rows.values:
        above = math.fsum(value for value in store[:-1] if not math.isnan(value))
        if above and abs(store[-1] / above - 1) < 1e-3:
            _reject_last(rows, "it holds the sum of the rows above")
            return


def _ends_with_newline(path: Path) -> bool:
    with open_to_read(path) as stream:
        stream.seek(max(0, path.stat().st_size - 2))
        return re.search(rb"[\r\n]", stream.read()) is not None


def _value(cell: str, column: ColumnPlan, form: NumberForm, rows: Rows) -> float:
    """Run value of a cell; NaN for one that says "missing". Raises _BadCell."""
    found = form.read(cell)
    if found is None:
        if len(rows.odd_cells) < _KEPT_CELLS and cell_kind(cell) == "number":
            rows.odd_cells.append(cell)
        raise _BadCell("holds NUL bytes" if "\0" in cell else f"{column.target} is no number")
    number, unit = found
    if math.isnan(number):
        rows.missing[cell] += 1
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


def _time_reader(plan: TimePlan, form: NumberForm) -> Callable[[Sequence[str]], float]:
    """Function from a row's cells to its time in s; it raises _BadCell."""

    def of_number(text: str) -> float:
        found = form.read(text)
        if found is None:
            raise _BadCell("holds NUL bytes" if "\0" in text else "its time is no number")
        number, unit = found
        if math.isnan(number):
            raise _BadCell("its time is missing")
        factor = UNITS["time"].get(plain_unit(unit), plan.factor) if unit else plan.factor
        return (number - plan.zero) * factor

    written: Callable[[str], float] = of_number
    if plan.kind == "pattern":
        written = pattern_s(plan.pattern)
    elif plan.form is not None:
        written = reader(plan.form.order, plan.form.minutes_first)
    places = plan.places
    thousandths = plan.kind == "written" and plan.factor > 0

    def read(cells: Sequence[str]) -> float:
        try:
            if len(places) == 1:
                time_s = written(cells[places[0]])
            elif plan.kind == "number":
                time_s = (
                    of_number(cells[places[0]])
                    + of_number(cells[places[1]])
                    + plan.zero * plan.factor
                )
            elif thousandths:
                found = form.read(cells[places[-1]])
                if found is None:
                    raise _BadCell("its time is not understood")
                time_s = (
                    written(" ".join(cells[place] for place in places[:-1]))
                    + found[0] * plan.factor
                )
            else:
                time_s = written(" ".join(cells[place] for place in places))
        except (ValueError, OverflowError):
            raise _BadCell("its time is not understood") from None
        if not -_VALUE_MAX < time_s < _VALUE_MAX:
            raise _BadCell("its time is beyond all measure")
        return time_s

    return read
