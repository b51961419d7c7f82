"""How a foreign text file is laid out: delimiter, number form, header, first row.

Everything that was not given is found from the first lines and from lines
spread over the whole file. What a cell is, is decided by its form alone.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError
from logger.text.cells import (
    DELIMITER_WORDS,
    SPACES,
    cell_kind,
    delimiter_word,
    is_comment,
    is_data,
    is_stamped,
    split_line,
)
from logger.text.encoding import find_encoding, read_lines
from logger.text.header import Header, find_header
from logger.text.number_form import NumberForm, find_number_form
from logger.text.question import Question, Reading, some

_HEAD_LINES: Final = 500


@dataclass(frozen=True)
class Layout:
    """How lines become cells. ``names``: one per column, from the header or ``column 1`` on.

    ``first_row``: number of the first line that is a row, from 1. ``guesses``: what was
    found and not given, in words. ``stamped``: lines carry the stamp of a serial monitor.
    ``above``: the lines above the first row; ``lines``: how many the file has.
    """

    encoding: str
    delimiter: str
    form: NumberForm
    names: tuple[str, ...]
    header: bool
    first_row: int
    comment: str = ""
    stamped: bool = False
    guesses: tuple[str, ...] = ()
    above: tuple[str, ...] = ()
    lines: int = 0

    @property
    def decimal(self) -> str:
        return self.form.decimal

    def split(self, line: str) -> list[str]:
        """Cells of a line, without surrounding blanks and quotes."""
        return split_line(line, self.delimiter, self.stamped)

    def is_comment(self, line: str) -> bool:
        return is_comment(line, self.comment)


@dataclass(frozen=True)
class LayoutWish:
    """What the user gave; None: to be found. ``skip_lines``: lines above the header or first row.

    ``thousands``: sign between thousands, "" for none.
    """

    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    header: bool | None = None
    comment: str = ""
    skip_lines: int = 0
    thousands: str | None = None


def find_layout(path: Path, wish: LayoutWish) -> Layout:
    """Layout of the file.

    Raises BenchError for an empty or binary file, an unknown encoding, or if no rows are found;
    OSError and UnicodeError if it cannot be read.
    """
    guesses: list[str] = []
    encoding = find_encoding(path, wish.encoding, guesses)
    head, spread, count_lines = _sample_lines(path, encoding)
    head = head[wish.skip_lines :]
    lines = [
        line for line in (*head, *spread) if line.strip() and not is_comment(line, wish.comment)
    ]
    stamped = is_stamped(lines)
    if stamped:
        guesses.append("lines carry a serial monitor's stamp, taken as the first column")
    delimiter, count = _find_delimiter(lines, wish, stamped)
    if count == 0:
        shown = (
            "; ".join(repr(line.strip()[:60]) for line in lines[:3])
            or "only comments or blank lines"
        )
        raise BenchError(
            f"No rows of numbers were found in {path}.",
            evidence=shown,
            next_step="say how its columns are divided with --delimiter, and skip a preamble with --skip-lines.",
        )
    if wish.delimiter is None:
        guesses.append(f"columns divided by {delimiter_word(delimiter)}")
    data = _data_rows(lines, delimiter, count, stamped)
    form = _find_form(data, delimiter, wish)
    if wish.decimal is None:
        guesses.append(f"decimal {'comma' if form.decimal == ',' else 'point'}")
    if form.thousands and wish.thousands is None:
        guesses.append(f"{'commas' if form.thousands == ',' else 'points'} between thousands")
    header = find_header(
        head,
        Header(delimiter, count, wish.comment, stamped, wish.header, _empty_tail(data)),
        guesses,
    )
    return Layout(
        encoding,
        delimiter,
        form,
        header.names,
        header.found,
        wish.skip_lines + header.first_row,
        wish.comment,
        stamped,
        tuple(guesses),
        tuple(head[: header.first_row - 1]),
        count_lines,
    )


def _sample_lines(path: Path, encoding: str) -> tuple[list[str], list[str], int]:
    """First lines, lines spread evenly over the rest, and how many there are."""
    head: list[str] = []
    spread: list[str] = []
    stride, number = 1, -1
    for number, line in enumerate(read_lines(path, encoding)):
        if number < _HEAD_LINES:
            head.append(line)
        elif number % stride == 0:
            spread.append(line)
            if len(spread) > 2 * _HEAD_LINES:
                spread, stride = spread[::2], stride * 2
    return head, spread, number + 1


def _find_delimiter(lines: Sequence[str], wish: LayoutWish, stamped: bool) -> tuple[str, int]:
    """Delimiter and count of columns under which the most cells make sense; count 0: none."""
    delimiters = [wish.delimiter] if wish.delimiter else list(DELIMITER_WORDS.values())
    best = (0.0, delimiters[0], 0)
    quoted = any('"' in line for line in lines[:_HEAD_LINES])
    for delimiter in delimiters:
        if delimiter == wish.decimal and not quoted:
            continue
        score, count = _score([split_line(line, delimiter, stamped) for line in lines])
        if score > best[0] + 1e-9:
            best = (score, delimiter, count)
    return best[1], best[2]


def _data_rows(lines: Sequence[str], delimiter: str, count: int, stamped: bool) -> list[list[str]]:
    """Cells of the lines that are rows of ``count`` columns."""
    rows = [split_line(line, delimiter, stamped) for line in lines]
    return [row for row in rows if len(row) == count and is_data([cell_kind(cell) for cell in row])]


def _empty_tail(data: Sequence[Sequence[str]]) -> int:
    """How many columns at the end are empty in every row, as closing delimiters leave them."""
    tails = [len(row) - len("\0".join(row).rstrip("\0").split("\0")) for row in data]
    return min(tails, default=0)


def _score(rows: Sequence[Sequence[str]]) -> tuple[float, int]:
    """Share of rows with the usual count of cells, times the share of their cells that are no text."""
    kinds = [[cell_kind(cell) for cell in row] for row in rows]
    data = [row for row in kinds if is_data(row)]
    if not data:
        return 0.0, 0
    count = Counter(len(row) for row in data).most_common(1)[0][0]
    usual = [row for row in data if len(row) == count]
    text = sum(row.count("text") for row in usual)
    made = len(usual) / len(rows) * (1 - text / (count * len(usual)))
    # One column is what every wrong delimiter gives.
    return made * (0.3 if count == 1 else 1.0), count


def _find_form(data: Sequence[Sequence[str]], delimiter: str, wish: LayoutWish) -> NumberForm:
    """Form of the numbers, as given or found; asks where both signs are seen as decimal signs."""
    if wish.decimal is not None:
        # "none" said for thousands: then nothing may pass for a sign between them.
        return NumberForm(wish.decimal, wish.thousands or "", wish.thousands is None)
    if wish.thousands is not None and wish.thousands in (".", ","):
        return NumberForm("," if wish.thousands == "." else ".", wish.thousands, True)
    columns = [
        [cell for cell in cells if cell_kind(cell) == "number"] for cells in zip(*data, strict=True)
    ]
    if delimiter == SPACES:
        columns = [[cell for cell in cells if " " not in cell] for cells in columns]
    form, both = find_number_form(columns)
    if both:
        cells = [cell for cells in columns for cell in cells]
        # A single sign may stand for both, in unlike columns.
        seen = (next((cell for cell in cells if sign in cell), "") for sign in (".", ","))
        shown = [cell for cell in seen if cell]
        raise Question(
            "The file writes numbers with a point and with a comma, and both may be the decimal sign.",
            f"numbers such as {some(shown)}",
            [
                Reading(
                    "the point is the decimal sign",
                    "",
                    ("--decimal", "point", "--thousands", "comma"),
                ),
                Reading(
                    "the comma is the decimal sign",
                    "",
                    ("--decimal", "comma", "--thousands", "point"),
                ),
            ],
        )
    return replace(form, other=None) if wish.thousands == "" else form
