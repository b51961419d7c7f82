"""A line of a foreign file to cells, and what a cell is: number, date, clock, nothing or text."""

import csv
import re
from collections.abc import Sequence
from typing import Final

from logger.text.number_form import CELL, MISSING_WORDS
from logger.text.timing.written import TIME_TEXT

SPACES: Final = " "  # as a delimiter: any run of blanks and tabs
DELIMITER_WORDS: Final = {
    "tab": "\t",
    "comma": ",",
    "semicolon": ";",
    "bar": "|",
    "space": SPACES,
}
DELIMITER_NAMES: Final = {sign: word for word, sign in DELIMITER_WORDS.items()}
COMMENT_SIGNS: Final = ("#", "%", "//")
# A serial monitor that stamps its lines writes "12:34:56.789 -> " before them.
_STAMP: Final = re.compile(r"\s*(\d{1,2}:\d{2}:\d{2}\.\d{3})\s*->\s?")


def is_comment(line: str, sign: str = "") -> bool:
    """Whether a line begins with ``sign``, by default with one of the usual comment signs."""
    return line.lstrip(" \t\"'").startswith((sign,) if sign else COMMENT_SIGNS)


def is_stamped(lines: Sequence[str]) -> bool:
    """Whether most lines carry the stamp of a serial monitor."""
    return sum(_STAMP.match(line) is not None for line in lines) * 2 > len(lines)


def delimiter_word(delimiter: str) -> str:
    name = DELIMITER_NAMES.get(delimiter)
    return repr(delimiter) if name is None else f"{name}s"


def may_divide(sign: str) -> bool:
    """Whether it is one character that can stand between columns."""
    return len(sign) == 1 and sign not in '"\r\n'


def split_line(line: str, delimiter: str, stamped: bool) -> list[str]:
    """Cells of one line; quotes as in RFC 4180, a stray quote is left as it is."""
    first: list[str] = []
    if stamped:
        stamp = _STAMP.match(line)
        if stamp:
            first, line = [stamp[1]], line[stamp.end() :]
    if delimiter == SPACES:
        # Not str.split(): a no-break space stands inside a number.
        return first + [
            cell for cell in line.replace("\t", " ").split(" ") if cell and cell != "\r"
        ]
    if '"' in line:
        try:
            cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
            return first + [cell.strip() for cell in cells]
        except csv.Error:
            pass
    return first + [cell.strip() for cell in line.split(delimiter)]


def fit(cells: list[str], count: int) -> list[str]:
    """Cells without the empty ones that a closing delimiter leaves beyond ``count``."""
    end = len(cells)
    while end > count and not cells[end - 1]:
        end -= 1
    return cells[:end]


def cell_kind(cell: str) -> str:
    """``number``, ``date``, ``clock``, ``missing`` or ``text``."""
    if cell.lower() in MISSING_WORDS:
        return "missing"
    if CELL.fullmatch(cell):
        return "number"
    match = TIME_TEXT.fullmatch(cell)
    if match is None:
        return "text"
    return "clock" if match["day"] is None else "date"


def is_data(kinds: Sequence[str]) -> bool:
    """Whether cells of these kinds are a row."""
    typed = sum(kind in ("number", "date", "clock") for kind in kinds)
    return typed > 0 and typed >= min(2, len(kinds)) and "number" in kinds
