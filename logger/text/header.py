"""Where the rows of a foreign file begin, and what its columns are called."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from logger.base.errors import BenchError
from logger.text.cells import SPACES, cell_kind, fit, is_comment, is_data, split_line
from logger.text.number_form import CELL
from logger.text.timing.written import parts_of
from logger.text.units import UNITS, plain_unit, read_name

_HEAD_SEARCH: Final = 60  # a preamble is no longer than this
_OF_DAY: Final = " of day"
_UNIT: Final = re.compile(
    r"[\[(]?\s*(?:[kmµμu]?[VAWΩ]|[kMmμµu]?(?:Ohm|Ω)|[hm]+:mm(?::ss)?|m+:ss|°?C|%|-)\s*[\])]?"
)
_UNIT_WORDS: Final = frozenset(unit for units in UNITS.values() for unit in units)


@dataclass(frozen=True)
class Header:
    """How lines are split, and what was found: names of the columns, whether a header gave them, the first row.

    ``wanted``: whether the user says that there is a header; ``tail``: columns at the end that are empty in every row.
    """

    delimiter: str
    count: int
    comment: str
    stamped: bool
    wanted: bool | None
    tail: int = 0
    names: tuple[str, ...] = ()
    found: bool = False
    first_row: int = 1

    def split(self, line: str) -> list[str]:
        return split_line(line, self.delimiter, self.stamped)


def find_header(head: Sequence[str], table: Header, guesses: list[str]) -> Header:
    """``table`` with names, header and first row filled in. Raises BenchError for a header that does not fit."""
    numbers = tuple(f"column {place}" for place in range(1, table.count + 1))
    above, first = _above_rows(head, table)
    if table.wanted is None and not above and 1 < first <= len(head):
        cells = _commented_header(head[first - 2], table)
        if cells:
            guesses.append("header found in the comment line above the rows")
            return replace(table, names=tuple(cells), found=True, first_row=first)
    if table.wanted is False or not above:
        if table.wanted is None:
            _refuse_unfit(head[: first - 1], table)
            guesses.append("no header row")
        labels = _labels(head[first - 1 :], table)
        if any(labels):
            guesses.append("columns named by the labels in the rows")
        named = zip(labels, numbers, strict=True)
        names = tuple(label or number for label, number in named)
        return replace(table, names=names, first_row=first)
    if table.wanted is None:
        guesses.append("header row found")
    named = zip(_names(above), numbers, strict=True)
    names = tuple(name or number for name, number in named)
    if names[1:2] == (f"{names[0]}{_OF_DAY}",) and not _day_and_clock(head, first, table):
        _refuse_unfit(head[: first - 1], table)
    return replace(table, names=_apart(names), found=True, first_row=first)


def _apart(names: tuple[str, ...]) -> tuple[str, ...]:
    """Names with a number behind those that come twice."""
    return tuple(
        name if names.index(name) == place else f"{name} #{names[: place + 1].count(name)}"
        for place, name in enumerate(names)
    )


def _names(above: Sequence[Sequence[str]]) -> list[str]:
    """Names from the header rows; a row of units below (or above) the names joins them."""
    names = list(above[-1])
    if len(above) < 2:
        return names
    for first, units in ((above[-2], names), (names, above[-2])):
        if any(units) and all(cell == "" or is_unit(cell) for cell in units):
            return [
                f"{name} ({unit.strip('[]() ')})" if unit.strip("[]()- ") else name
                for name, unit in zip(first, units, strict=True)
            ]
    if names_columns(above[-2]) and not names_columns(names):
        return list(above[-2])  # below it stand units that are not known: they are asked
    return names


def _above_rows(head: Sequence[str], table: Header) -> tuple[list[list[str]], int]:
    """Lines of as many cells right above the first row, and its number; one past the last if there is none."""
    above: list[list[str]] = []
    named = _named_header(head, table)
    for number, line in enumerate(head, start=1):
        if not line.strip() or (is_comment(line, table.comment) and not table.wanted):
            continue
        cells = header_cells(line, table) or fit(table.split(line), table.count)
        if table.wanted and not above and len(cells) == table.count:
            above.append(cells)
            continue
        kinds = [cell_kind(cell) for cell in cells]
        if is_data(kinds) and len(cells) == table.count and number > named:
            return above, number
        if len(cells) == table.count and any(cells):
            above.append(cells)
        elif not (
            above and names_columns(above[-1])
        ):  # what is printed below the names leaves them
            above.clear()
    return above, len(head) + 1


def _named_header(head: Sequence[str], table: Header) -> int:
    """Number of the last line of a preamble that names two columns of ours; 0 if none does.

    A preamble such as ``Interval;0.5`` above it looks like a row.
    """
    found = rows = 0
    for number, line in enumerate(head[:_HEAD_SEARCH], start=1):
        cells = header_cells(line, table)
        if cells and not rows > 5:
            found = number
            break
        kinds = [cell_kind(cell) for cell in table.split(line)]
        rows += len(kinds) == table.count and is_data(kinds) and "text" not in kinds
    return found


def header_cells(line: str, table: Header) -> list[str]:
    """Cells of a line that names at least two quantities, as many as the table has columns; else none."""
    for cells in _splits(line, table):
        if names_columns(cells) and table.count - table.tail <= len(cells) <= table.count:
            return cells + [""] * (table.count - len(cells))
        if len(cells) == table.count - 1 and table.delimiter == SPACES and names_columns(cells):
            return [cells[0], cells[0] + _OF_DAY, *cells[1:]]  # one name over date and clock
    return []


def _day_and_clock(head: Sequence[str], first: int, table: Header) -> bool:
    cells = table.split(head[first - 1]) if first <= len(head) else []
    day, clock = (parts_of(cell) for cell in (*cells, "", "")[:2])
    return (day is not None and day.numbers is not None and not day.clock) and (
        clock is not None and clock.numbers is None
    )


def _splits(line: str, table: Header) -> list[list[str]]:
    ways = [fit(table.split(line), table.count)]
    if table.delimiter == SPACES:
        ways.append([cell for cell in re.split(r"\t+| {2,}", line.strip()) if cell])
        ways.append(
            [cell.replace("\0", " ") for cell in re.sub(r" +(?=[\[(])", "\0", line).split()]
        )
    return ways


def names_columns(cells: Sequence[str]) -> bool:
    """Whether these cells are texts and at least two of them name a quantity of ours."""
    kinds = [cell_kind(cell) for cell in cells]
    if not all(kind in ("text", "missing") for kind in kinds):
        return False
    return len({read.quantity for read in map(read_name, cells) if read.quantity}) >= 2


def _refuse_unfit(above: Sequence[str], table: Header) -> None:
    """A line right above the rows that names columns, but not as many as the rows have."""
    split = [(line, fit(table.split(line.lstrip("#%/ ")), table.count)) for line in above]
    named = [(line, cells) for line, cells in split if names_columns(cells)]
    if not named or len(named[-1][1]) == table.count:
        return
    line, cells = named[-1]
    raise BenchError(
        f"The header names {len(cells)} columns, the rows have {table.count}.",
        evidence=line.strip()[:160],
        next_step="a number such as 1,234 makes two columns where commas divide them: export it with another "
        "sign, say --delimiter, or name columns by number with --no-header.",
    )


def _commented_header(line: str, table: Header) -> list[str]:
    """Names in a header written as a comment, as some programs do: "# time_s, pack_v"; else none."""
    if not is_comment(line, table.comment):
        return []
    cells = table.split(re.sub(r"^\W+", "", line))
    is_header = len(cells) == table.count and all(cell_kind(cell) == "text" for cell in cells)
    return cells if is_header else header_cells(re.sub(r"^\W+", "", line), table)


def _labels(rows: Sequence[str], table: Header) -> list[str]:
    """Names that stand in the rows themselves, in the cells or between them; empty where there is none."""
    if not rows:
        return [""] * table.count
    cells = fit(table.split(rows[0]), table.count)
    if len(cells) != table.count:
        return [""] * table.count
    labels = [_label(cell) for cell in cells]
    return labels if any(labels) else _labels_between(rows, table)


def _labels_between(lines: Sequence[str], table: Header) -> list[str]:
    """Names from cells that are the same text in every row: ``Bus: 4.51 V  Current: 48.2 mA``."""
    count = table.count
    rows = [fit(table.split(line), count) for line in lines if line.strip()]
    rows = [row for row in rows if len(row) == count]
    labels = [""] * count
    words: list[str] = []
    for place in range(count):
        cells = {row[place] for row in rows}
        if len(cells) != 1 or cell_kind(cell := cells.pop()) != "text":
            labels[place], words = " ".join(words), []
        elif place > 0 and labels[place - 1] and is_unit(cell):
            labels[place - 1] += f" ({cell})"
        else:
            words.append(cell.rstrip(":="))
    return labels if len(set(filter(None, labels))) == sum(map(bool, labels)) else [""] * count


def _label(cell: str) -> str:
    match = CELL.fullmatch(cell)
    return (match["label"] or "") if match else ""


def is_unit(cell: str) -> bool:
    """Whether a header cell holds nothing but a unit: ``mV``, ``[s]``, ``(mA)``."""
    return _UNIT.fullmatch(cell) is not None or plain_unit(cell.strip("[]() ")) in _UNIT_WORDS
