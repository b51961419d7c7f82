"""Lines of a damaged samples file, judged one by one: which of them are rows?"""

import csv
import re
from collections.abc import Sequence

from logger.run.reading.findings import Findings
from logger.run.reading.parse import known_places


def line_pattern(delimiter: bytes, count: int) -> re.Pattern[bytes]:
    """A line of ``count`` numbers or empty fields; decimal comma where it cannot be the delimiter."""
    point = rb"\." if delimiter == b"," else rb"[.,]"
    # Digits are bounded: more of them are damage, and would leave float64.
    number = rb"(?:[+-]?(?:\d{1,30}(?:%b\d{0,30})?|%b\d{1,30})(?:[eE][+-]?\d{1,2})?)?" % (
        point,
        point,
    )
    return re.compile(
        rb" *%b *(?:%b *%b *){%d}" % (number, re.escape(delimiter), number, count - 1)
    )


class LineJudge:
    """What the lines of one file must be: ``header`` names their fields, ``delimiter`` stands between them."""

    def __init__(self, delimiter: bytes, header: Sequence[str]) -> None:
        self.delimiter = delimiter
        self.header = header
        self._pattern = line_pattern(delimiter, len(header))
        self._known = known_places(header)  # of a column there twice only the first is used
        self._time_place = header.index("time_s")

    def good_lines(self, body: bytes, first_line: int, findings: Findings) -> bytes:
        """Lines of the body that hold numbers in all fields and a time, comma-separated; the others are told."""
        lines = enumerate(re.split(rb"\r\n|\n|\r", body), start=first_line)
        good = (self.good_line(line, number, findings) for number, line in lines)
        return b"\n".join(line for line in good if line is not None) + b"\n"

    def good_line(self, line: bytes, number: int, findings: Findings) -> bytes | None:
        """The line as it goes to the parser; None if it is no row, which is told unless it is blank."""
        delimiter = self.delimiter
        if b'"' in line:
            line = _unquoted(line, delimiter)
        if self._pattern.fullmatch(line) is None:
            reason = self._fault(line)
            if reason == "blank":
                return None
            if reason:
                shown = line[:60].decode("utf-8", errors="replace")
                findings.reject(reason, f"line {number}: {shown!r}")
                return None
        fields = line.split(delimiter)
        if not fields[self._time_place].strip():
            findings.reject("the time is missing", f"line {number}")
            return None
        if delimiter != b",":
            line = line.replace(b",", b".").replace(delimiter, b",")
        return line.replace(b" ", b"")

    def _fault(self, line: bytes) -> str:
        """Why this line is no row: "" if it is one, "blank" if there is nothing in it."""
        if not line.strip():
            return "blank"
        if b"\0" in line:
            return "NUL bytes, as after a power failure"
        fields = line.split(self.delimiter)
        if len(fields) != len(self.header):
            return f"not {len(self.header)} fields"
        number = line_pattern(self.delimiter, 1)
        for place in self._known:
            if number.fullmatch(fields[place]) is None:
                return f"{self.header[place]} is not a number"
        return ""


def _unquoted(line: bytes, delimiter: bytes) -> bytes:
    """Line without its quotes; delimiters that were quoted become blanks."""
    separator = delimiter.decode()
    text = line.decode("utf-8", errors="replace")
    try:
        items = next(csv.reader([text], delimiter=separator))
    except (csv.Error, StopIteration):
        return line
    return separator.join(item.replace(separator, " ") for item in items).encode()
