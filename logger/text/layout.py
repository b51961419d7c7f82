"""How a foreign text file is laid out: delimiter, decimal sign, header, first row.

Everything that was not given is found from the first lines and from lines
spread over the whole file. What a cell is, is decided by its form alone.
"""

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError
from logger.text.encoding import find_encoding, read_lines

SPACES: Final = " "  # as a delimiter: any run of blanks and tabs
DELIMITER_WORDS: Final = {
    "tab": "\t",
    "comma": ",",
    "semicolon": ";",
    "bar": "|",
    "space": SPACES,
}
COMMENT_SIGNS: Final = ("#", "%", "//")
MISSING_WORDS: Final = frozenset(
    {"", "-", "--", "---", "nan", "null", "none", "n/a", "na", "ol", "o.l", "o.l.", "overload"}
)
_HEAD_LINES: Final = 500
_NUMBER: Final = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
# "3.31", "3.31 V", "V: 3.31", "U=3.31V": sketches print labels and units beside numbers
CELL: Final = re.compile(
    rf"(?:(?P<label>[A-Za-z_][\w .-]{{0,30}}?)\s*[:=]\s*)?(?P<number>{_NUMBER})\s*(?P<unit>[A-Za-zµμ]{{1,4}})?",
)
# The last one may be day or month first; it counts as a date, and the user is asked.
_DATE: Final = (
    r"(?:\d{4}[-/]\d{1,2}[-/]\d{1,2}|\d{1,2}\.\d{1,2}\.\d{4}|\d{1,2}/\d{1,2}/\d{2}(?:\d{2})?)"
)
_CLOCK: Final = r"\d{1,5}:\d{2}(?::\d{2}(?:[.,]\d{1,9})?)?"
DATE_TIME: Final = re.compile(
    rf"{_DATE}(?:[T ]\s*{_CLOCK})?\s*(?:Z|[AaPp][Mm]|[+-]\d{{2}}:?\d{{2}})?"
)
CLOCK: Final = re.compile(_CLOCK)
# A serial monitor that stamps its lines writes "12:34:56.789 -> " before them.
_STAMP: Final = re.compile(r"\s*(\d{1,2}:\d{2}:\d{2}\.\d{3})\s*->\s?")


@dataclass(frozen=True)
class Layout:
    """How lines become cells. ``names``: one per column, from the header or ``column 1`` on.

    ``first_row``: number of the first line that is a row, from 1. ``guesses``: what was
    found and not given, in words. ``stamped``: lines carry the stamp of a serial monitor.
    """

    encoding: str
    delimiter: str
    decimal: str
    names: tuple[str, ...]
    header: bool
    first_row: int
    comment: str = ""
    stamped: bool = False
    guesses: tuple[str, ...] = ()

    def split(self, line: str) -> list[str]:
        """Cells of a line, without surrounding blanks and quotes."""
        return split_line(line, self.delimiter, self.stamped)

    def is_comment(self, line: str) -> bool:
        return is_comment(line, self.comment)


@dataclass(frozen=True)
class LayoutWish:
    """What the user gave; None: to be found. ``skip_lines``: lines above the header or first row."""

    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    header: bool | None = None
    comment: str = ""
    skip_lines: int = 0


def find_layout(path: Path, wish: LayoutWish) -> Layout:
    """Layout of the file.

    Raises BenchError for an empty or binary file, an unknown encoding, or if no rows are found;
    OSError and UnicodeError if it cannot be read.
    """
    guesses: list[str] = []
    encoding = find_encoding(path, wish.encoding, guesses)
    head, spread = _sample_lines(path, encoding)
    head = head[wish.skip_lines :]
    lines = [
        line for line in (*head, *spread) if line.strip() and not is_comment(line, wish.comment)
    ]
    stamped = sum(_STAMP.match(line) is not None for line in lines) * 2 > len(lines)
    if stamped:
        guesses.append("lines carry a serial monitor's stamp, taken as the first column")
    delimiter, decimal, count = _find_delimiter(lines, wish, stamped)
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
    if wish.decimal is None:
        guesses.append(f"decimal {'comma' if decimal == ',' else 'point'}")
    layout = Layout(encoding, delimiter, decimal, (), False, 1, wish.comment, stamped)
    names, header, first = _find_header(head, layout, count, wish, guesses)
    return Layout(
        encoding,
        delimiter,
        decimal,
        names,
        header,
        wish.skip_lines + first,
        wish.comment,
        stamped,
        tuple(guesses),
    )


def is_comment(line: str, sign: str = "") -> bool:
    """Whether a line begins with ``sign``, by default with one of the usual comment signs."""
    return line.lstrip(" \t\"'").startswith((sign,) if sign else COMMENT_SIGNS)


def delimiter_word(delimiter: str) -> str:
    words = {sign: f"{word}s" for word, sign in DELIMITER_WORDS.items()}
    return words.get(delimiter, repr(delimiter))


def split_line(line: str, delimiter: str, stamped: bool) -> list[str]:
    """Cells of one line; quotes as in RFC 4180, a stray quote is left as it is."""
    first: list[str] = []
    if stamped:
        stamp = _STAMP.match(line)
        if stamp:
            first, line = [stamp[1]], line[stamp.end() :]
    if delimiter == SPACES:
        return first + line.split()
    if '"' in line:
        try:
            cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
            return first + [cell.strip() for cell in cells]
        except csv.Error:
            pass
    return first + [cell.strip() for cell in line.split(delimiter)]


def cell_kind(cell: str, decimal: str) -> str:
    """``number``, ``date``, ``clock``, ``missing`` or ``text``."""
    if cell.lower() in MISSING_WORDS:
        return "missing"
    if CELL.fullmatch(cell.replace(",", ".") if decimal == "," else cell):
        return "number"
    if DATE_TIME.fullmatch(cell):
        return "date"
    return "clock" if CLOCK.fullmatch(cell) else "text"


def _sample_lines(path: Path, encoding: str) -> tuple[list[str], list[str]]:
    """First lines, and lines spread evenly over the rest."""
    head: list[str] = []
    spread: list[str] = []
    stride = 1
    for number, line in enumerate(read_lines(path, encoding)):
        if number < _HEAD_LINES:
            head.append(line)
        elif number % stride == 0:
            spread.append(line)
            if len(spread) > 2 * _HEAD_LINES:
                spread, stride = spread[::2], stride * 2
    return head, spread


def _find_delimiter(lines: Sequence[str], wish: LayoutWish, stamped: bool) -> tuple[str, str, int]:
    """Delimiter, decimal sign and count of columns under which the most cells make sense; count 0: none."""
    delimiters = [wish.delimiter] if wish.delimiter else list(DELIMITER_WORDS.values())
    decimals = [wish.decimal] if wish.decimal else [".", ","]
    best = (0.0, delimiters[0], decimals[0], 0)
    for decimal in decimals:
        for delimiter in delimiters:
            if delimiter == decimal:
                continue
            rows = [split_line(line, delimiter, stamped) for line in lines]
            score, count = _score(rows, decimal)
            if score > best[0] + 1e-9:
                best = (score, delimiter, decimal, count)
    return best[1], best[2], best[3]


def _score(rows: Sequence[Sequence[str]], decimal: str) -> tuple[float, int]:
    """Share of rows with the usual count of cells, times the share of their cells that are no text."""
    kinds = [[cell_kind(cell, decimal) for cell in row] for row in rows]
    data = [row for row in kinds if _is_data(row)]
    if not data:
        return 0.0, 0
    count = Counter(len(row) for row in data).most_common(1)[0][0]
    usual = [row for row in data if len(row) == count]
    text = sum(row.count("text") for row in usual)
    made = len(usual) / len(rows) * (1 - text / (count * len(usual)))
    # One column is what every wrong delimiter gives.
    return made * (0.3 if count == 1 else 1.0), count


def _is_data(kinds: Sequence[str]) -> bool:
    typed = sum(kind in ("number", "date", "clock") for kind in kinds)
    return typed > 0 and typed >= min(2, len(kinds)) and "number" in kinds


def _find_header(
    head: Sequence[str], layout: Layout, count: int, wish: LayoutWish, guesses: list[str]
) -> tuple[tuple[str, ...], bool, int]:
    """Names of the columns, whether they came from a header, and the number of the first row."""
    numbers = tuple(f"column {place}" for place in range(1, count + 1))
    above, first = _above_rows(head, layout, count, wish)
    if wish.header is None and not above and 1 < first <= len(head):
        cells = _commented_header(head[first - 2], layout, count)
        if cells:
            guesses.append("header found in the comment line above the rows")
            return tuple(cells), True, first
    if wish.header is False or not above:
        if wish.header is None:
            guesses.append("no header row")
        labels = _labels(head[first - 1 :], layout, count)
        if any(labels):
            guesses.append("columns named by the labels in the rows")
        named = zip(labels, numbers, strict=True)
        return tuple(label or number for label, number in named), False, first
    names = above[-1]
    if len(above) > 1 and all(cell == "" or is_unit(cell) for cell in names):
        names = [
            f"{name} ({unit.strip('[]()')})" for name, unit in zip(above[-2], names, strict=True)
        ]
    if wish.header is None:
        guesses.append("header row found")
    return tuple(name or number for name, number in zip(names, numbers, strict=True)), True, first


def _above_rows(
    head: Sequence[str], layout: Layout, count: int, wish: LayoutWish
) -> tuple[list[list[str]], int]:
    """Lines of as many cells right above the first row, and its number; one past the last if there is none."""
    above: list[list[str]] = []
    for number, line in enumerate(head, start=1):
        if not line.strip() or (layout.is_comment(line) and not wish.header):
            continue
        cells = _fit(layout.split(line), count)
        if wish.header and not above and len(cells) == count:
            above.append(cells)
            continue
        kinds = [cell_kind(cell, layout.decimal) for cell in cells]
        if _is_data(kinds) and len(cells) == count:
            return above, number
        if len(cells) == count and any(cells):
            above.append(cells)
        else:
            above.clear()
    return above, len(head) + 1


def _commented_header(line: str, layout: Layout, count: int) -> list[str]:
    """Names in a header written as a comment, as some programs do: "# time_s, pack_v"; else none."""
    if not layout.is_comment(line):
        return []
    cells = layout.split(re.sub(r"^\W+", "", line))
    is_header = len(cells) == count and all(
        cell_kind(cell, layout.decimal) == "text" for cell in cells
    )
    return cells if is_header else []


def _labels(rows: Sequence[str], layout: Layout, count: int) -> list[str]:
    """Names that stand in the rows themselves, in the cells or between them; empty where there is none."""
    if not rows:
        return [""] * count
    cells = _fit(layout.split(rows[0]), count)
    labels = [_label(cell, layout.decimal) for cell in cells]
    return labels if any(labels) else _labels_between(rows, layout, count)


def _labels_between(lines: Sequence[str], layout: Layout, count: int) -> list[str]:
    """Names from cells that are the same text in every row: ``Bus: 4.51 V  Current: 48.2 mA``."""
    rows = [_fit(layout.split(line), count) for line in lines if line.strip()]
    rows = [row for row in rows if len(row) == count]
    labels = [""] * count
    words: list[str] = []
    for place in range(count):
        cells = {row[place] for row in rows}
        if len(cells) != 1 or cell_kind(cell := cells.pop(), layout.decimal) != "text":
            labels[place], words = " ".join(words), []
        elif place > 0 and labels[place - 1] and is_unit(cell):
            labels[place - 1] += f" ({cell})"
        else:
            words.append(cell.rstrip(":="))
    return labels if len(set(filter(None, labels))) == sum(map(bool, labels)) else [""] * count


def _fit(cells: list[str], count: int) -> list[str]:
    """Cells without the empty ones that a closing delimiter leaves beyond ``count``."""
    while len(cells) > count and not cells[-1]:
        cells = cells[:-1]
    return cells


def _label(cell: str, decimal: str) -> str:
    match = CELL.fullmatch(cell.replace(",", ".") if decimal == "," else cell)
    return (match["label"] or "") if match else ""


def is_unit(cell: str) -> bool:
    """Whether a header cell holds nothing but a unit: ``mV``, ``[s]``, ``(mA)``."""
    return (
        re.fullmatch(r"[\[(]?\s*(?:[mµμuk]?(?:V|A|Ah|Wh|W|s|Ohm|Ω)|min|h|°?C|%)\s*[\])]?", cell)
        is not None
    )
