"""A table as people save it: which separator, which letters, which row is the header, which cells are there.

Text with commas, semicolons or tabs, with or without a ``sep=`` line, in UTF-8, UTF-16 or Windows
letters (cp1252), or a workbook (.xlsx, by openpyxl if it is installed). Nothing is dropped in
silence: what cannot be understood is refused with row and column as a spreadsheet counts them.
"""

import csv
import datetime
import math
import re
import unicodedata
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO, StringIO
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import read_whole
from logger.base.typed.number import TwoReadings, read_number
from logger.base.typed.signs import plain_signs

# Ten thousand joints take 1 MiB; a workbook is a tenth of what it unpacks to.
TABLE_MAX: Final = 16 * 1024 * 1024
_UNPACKED_MAX: Final = 16 * TABLE_MAX
_YES: Final = {"yes", "y", "true", "1", "failed", "broke", "broken", "ja", "j", "x", "✓", "✗"}
_NO: Final = {"no", "n", "false", "0", "whole", "stopped", "survived", "nein", "ok", "-", "–", "—"}
_CROSS: Final = {"x", "✓", "✗"}
_PLAIN_NO: Final = {"-", "–", "—", ""}
_SEPARATOR_LINE: Final = re.compile(r'^\s*"?sep=(.)"?\s*$', re.IGNORECASE)
_BLANK: Final = r"[ \u00a0\u2009\u202f']"


@dataclass(frozen=True)
class Row:
    """Cells by column in small letters; ``where`` names file and row, counted as a spreadsheet shows them."""

    where: str
    number: int
    cells: Mapping[str, str]

    def get(self, column: str) -> str:
        return self.cells.get(column, "")

    def wrong(self, column: str, text: str, next_step: str) -> BenchError:
        """Error that names row, column and what stands there."""
        return BenchError(f"{self.where}, column {column}: {text}", next_step=next_step)


@dataclass(frozen=True)
class Sheet:
    """Rows below the header that are not empty. ``unused``: columns with cells that nobody asked for."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    unused: tuple[str, ...]


def read_sheet(
    path: Path,
    known: Sequence[str],
    required: Sequence[str],
    same: Mapping[str, str],
    template: str,
) -> Sheet:
    """Table of a file. ``same``: other words for a column; ``template``: command that makes an empty table.

    Raises BenchError for a file, header or row that cannot be understood.
    """
    try:
        content = read_whole(path, TABLE_MAX)
    except OSError as error:
        raise BenchError(
            f"{path} cannot be read.",
            evidence=spoken(error),
            next_step=f"check the name; `{template}` makes an empty table.",
        ) from error
    if content[:4] == b"PK\x03\x04":
        found = _workbook(content, path.name)
    else:
        found = _text_rows(_decoded(content, path.name), path.name)
    return _sheet(found, path.name, known, required, same, template)


def text_sheet(
    text: str,
    name: str,
    known: Sequence[str],
    required: Sequence[str],
    same: Mapping[str, str],
    template: str,
) -> Sheet:
    """As ``read_sheet``, from text; ``name`` is used in messages."""
    return _sheet(_text_rows(text, name), name, known, required, same, template)


def _decoded(content: bytes, name: str) -> str:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        codes = ["utf-16"]
    elif content.count(0) > len(content) // 4:
        codes = ["utf-16-le" if content[1:2] == b"\x00" else "utf-16-be"]
    else:
        codes = ["utf-8-sig", "cp1252"]
    for code in codes:
        try:
            text = content.decode(code)
        except UnicodeDecodeError:
            continue
        if not any(unicodedata.category(c) == "Cc" and c not in "\t\r\n\x0b\x0c" for c in text):
            return text
    raise BenchError(
        f"{name} is not a table of text.",
        evidence=f"it begins with {content[:8]!r}",
        next_step='save it from the spreadsheet as "CSV UTF-8" or as .xlsx.',
    )


def _text_rows(text: str, name: str) -> list[list[str]]:
    """All rows, the header's among them, empty ones too; a ``sep=`` line is none."""
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    first, _, rest = text.partition("\n")
    separator = None
    if match := _SEPARATOR_LINE.match(first):
        separator, text = match.group(1), rest
    header = next((line for line in text.split("\n") if line.strip()), "")
    if separator is None:
        bare = re.sub(r'"[^"]*"', "", header)
        separator = max("\t;,", key=bare.count)  # the first of equals: tab, semicolon, comma
        if not bare.count(separator):
            separator = ","
    try:
        return list(
            csv.reader(
                StringIO(text, newline=""), delimiter=separator, skipinitialspace=separator != "\t"
            )
        )
    except csv.Error as error:
        raise BenchError(
            f"{name} cannot be taken apart into cells.",
            evidence=str(error),
            next_step="save it again from the spreadsheet as CSV.",
        ) from error


def _workbook(content: bytes, name: str) -> list[list[str]]:
    try:
        import openpyxl
    except ImportError as error:
        raise BenchError(
            f"{name} is a workbook, and the library that reads workbooks is not installed.",
            next_step='pip install "drawbench[xlsx]", or save it as "CSV UTF-8".',
        ) from error
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            if sum(item.file_size for item in archive.infolist()) > _UNPACKED_MAX:
                raise ValueError(f"it unpacks to more than {_UNPACKED_MAX // 2**20} MiB")
        book = openpyxl.load_workbook(BytesIO(content), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        rows = [[_typed(cell) for cell in row] for row in sheet.iter_rows(values_only=True)]
    # A damaged archive fails in many ways: zip, XML, missing parts.
    except Exception as error:
        raise BenchError(
            f"{name} is a workbook that cannot be read.",
            evidence=repr(error),
            next_step="open and save it again, or save it as CSV.",
        ) from error
    if len(book.worksheets) > 1 and not any(any(row) for row in rows):
        raise BenchError(
            f"{name}: the first of {len(book.worksheets)} sheets is empty.",
            next_step="put the table on the first sheet.",
        )
    return rows


def _typed(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, datetime.datetime | datetime.date):
        return value.isoformat()
    return str(value)


def _sheet(
    found: list[list[str]],
    name: str,
    known: Sequence[str],
    required: Sequence[str],
    same: Mapping[str, str],
    template: str,
) -> Sheet:
    numbered = [(number, [cell.strip() for cell in row]) for number, row in enumerate(found, 1)]
    filled = [(number, row) for number, row in numbered if any(row)]
    number, header = filled[0] if filled else (1, [])
    words = [" ".join(cell.lower().split()) for cell in header]
    columns = [same.get(word, word) for word in (word.replace(" ", "_") for word in words)]
    missing = [column for column in required if column not in columns]
    if missing:
        raise BenchError(
            f"{name}, row {number}: the table has no column {', '.join(missing)}.",
            evidence=f"columns seen: {', '.join(words) or 'none'}",
            next_step=f"start from `{template}`, or add a header row with these names.",
        )
    twice = sorted({column for column in columns if column and columns.count(column) > 1})
    if twice:
        raise BenchError(
            f"{name}, row {number}: column {', '.join(twice)} stands twice.",
            next_step="keep one of them.",
        )
    rows = tuple(_rows(filled[1:], columns, name))
    unused = tuple(
        column
        for column in columns
        if column and column not in known and any(row.cells[column] for row in rows)
    )
    return Sheet(name, tuple(columns), rows, unused)


def _rows(
    filled: Sequence[tuple[int, list[str]]], columns: Sequence[str], name: str
) -> Iterator[Row]:
    for number, cells in filled:
        where = f"{name}, row {number}"
        more = cells[len(columns) :]
        more += [cell for cell, column in zip(cells, columns, strict=False) if cell and not column]
        if more:
            raise BenchError(
                f"{where}: more cells than the header has columns.",
                evidence=repr(cells),
                next_step='put text that holds a comma into "double quotes", and write 4800, not 4,800.',
            )
        padded = [*cells, *[""] * (len(columns) - len(cells))]
        yield Row(where, number, dict(zip(columns, padded, strict=False)))


def marks_by_cross(texts: Sequence[str]) -> bool:
    """Whether a column is marked by crosses alone, so that an empty cell means no."""
    words = {text.lower() for text in texts}
    return bool(words & _CROSS) and words <= _CROSS | _PLAIN_NO | {"ok"}


def yes_or_no(row: Row, column: str, empty_is_no: bool = False) -> bool:
    """Mark of a cell: yes, ja, x, true, 1 or no, nein, ok, -, false, 0. Raises BenchError for others."""
    word = row.get(column).lower()
    if word in _YES:
        return True
    if word in _NO or (not word and empty_is_no):
        return False
    raise row.wrong(
        column,
        f"{row.get(column)!r} is neither yes nor no." if word else "empty.",
        "yes: it broke at that count; no: still whole when you stopped.",
    )


def count_of(row: Row, column: str, most: float) -> int:
    """Whole number of a cell. ``4 800`` and ``1.204.800`` leave no doubt; ``4.800`` and ``4,800`` ask."""
    text = row.get(column)
    if not text:
        raise row.wrong(column, "empty, though the row says whether it failed.", "write the count.")
    if re.fullmatch(r"\d{1,3}[.,]\d{3}", text):
        plain = re.sub(r"\D", "", text)
        raise row.wrong(
            column,
            f"{text!r} may be {plain} or {text.replace(',', '.').rstrip('0').rstrip('.')}.",
            f"write digits only, without thousands sign, e.g. {plain}.",
        )
    bare = re.sub(rf"(?<=\d){_BLANK}(?=\d{{3}}(\D|$))", "", text)
    for mark in ".,":
        if re.fullmatch(rf"\d{{1,3}}(\{mark}\d{{3}}){{2,}}", bare):
            bare = bare.replace(mark, "")
    number = _decimal(bare)
    if number is None or number < 0 or number != int(number):
        raise row.wrong(
            column,
            f"{text!r} is not a count of zero or more.",
            "write digits only, without thousands sign, e.g. 4800.",
        )
    if number > most:
        raise row.wrong(column, f"{text} is absurd for a bench.", "check for digits too many.")
    return int(number)


def decimal_sign(cells: Iterable[str]) -> str:
    """The decimal sign that a table's other numbers leave no doubt of; empty if they do."""
    sure = re.compile(r"[+-]?(?:0|\d*(?=[.,]\d{1,2}$)|\d*(?=[.,]\d{4,}$))([.,])\d+")
    signs = {match[1] for cell in cells if (match := sure.fullmatch(cell))}
    return signs.pop() if len(signs) == 1 else ""


def measure_of(
    row: Row,
    column: str,
    what: str,
    least: float,
    most: float,
    decimal: str = "",
    next_step: str = "",
) -> float:
    """A measured value with decimal point or decimal comma. Raises BenchError outside of its range.

    ``decimal``: the table's own sign where that is known; else 1.234 is refused where it may be 1234 as well.
    """
    text = row.get(column)
    plain = plain_signs(text)
    try:
        if not decimal or decimal not in plain:
            read_number(plain, lambda value: least <= value <= most)
    except TwoReadings as two:
        raise row.wrong(
            column, f"{text!r} may be {two.words}.", f"write one of these: {two.words}."
        ) from None
    number = _decimal(plain)
    if number is None or not least <= number <= most:
        raise row.wrong(
            column,
            f"{text!r} is not {what}.",
            next_step or f"write a number from {least:g} to {most:g}, in the column's unit.",
        )
    return number


def _decimal(text: str) -> float | None:
    if not re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?", text, re.IGNORECASE):
        return None
    number = float(text.replace(",", "."))
    return number if math.isfinite(number) else None
