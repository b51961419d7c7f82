"""The text of a samples file before its rows: encoding, delimiter, column names, a torn last row."""

import re
from collections import Counter
from collections.abc import Collection
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError
from logger.run.format import COLUMN_BY_NAME, MEASURED
from logger.run.reading.findings import Findings
from logger.run.reading.lines import line_pattern

_BOMS: Final = ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_SPREADSHEET_DELIMITERS: Final = (b";", b"\t")


def as_utf8(data: bytes, findings: Findings) -> tuple[bytes, bytes]:
    """Bytes with BOM and UTF-16 undone, and the delimiter of the header line."""
    if data.startswith(b"\xef\xbb\xbf"):
        data = data[3:]
    for bom, encoding in _BOMS:
        if data.startswith(bom):
            data = data.decode(encoding, errors="replace").encode()
            findings.sentences.append("the file was saved as UTF-16 by another program")
    first = data[:4096].split(b"\n", 1)[0]
    for delimiter in _SPREADSHEET_DELIMITERS:
        if delimiter in first and b"," not in first:
            name = "semicolons" if delimiter == b";" else "tabs"
            findings.sentences.append(
                f"another program saved the file with {name} between its columns"
            )
            return data, delimiter
    return data, b","


def header_of(
    path: Path, data: bytes, delimiter: bytes, described: list[str], findings: Findings
) -> tuple[list[str], bytes, int]:
    """Column names, the rest of the file, and the number of the line it begins with."""
    end = re.search(rb"\r\n|\n|\r", data)
    first = data[: end.start()] if end else data
    names = [item.strip(b'" ').decode("utf-8", errors="replace") for item in first.split(delimiter)]
    body = data[end.end() :] if end else b""
    first_line = 2
    if not enough(names) and enough(described) and len(names) == len(described):
        lost = line_pattern(delimiter, len(names)).fullmatch(first) is not None
        names = described
        if lost:
            body, first_line = data, 1
        findings.sentences.append(
            f"the header row is {'missing' if lost else 'damaged'}; the description's names were used"
        )
    if not set(names) & set(COLUMN_BY_NAME):
        shown = first[:60].decode("utf-8", errors="replace")
        raise BenchError(
            f"{path} is not the samples file of a run.",
            evidence=f"it begins with {shown!r}",
            next_step="a file of another meter or sketch goes in with: drawbench import FILE RUN",
        )
    unknown = [name for name in names if name not in COLUMN_BY_NAME]
    if unknown:
        findings.sentences.append(f"unknown columns were ignored: {', '.join(map(repr, unknown))}")
    twice = [name for name, count in Counter(names).items() if count > 1 and name not in unknown]
    if twice:
        findings.sentences.append(f"columns there twice, the first was used: {', '.join(twice)}")
    if not enough(names):
        raise BenchError(
            f"{path} lacks columns that a run needs.",
            evidence=f"it has: {', '.join(names)}",
            next_step=f"needed are time_s and one of {', '.join(MEASURED)}.",
        )
    return names, body, first_line


def enough(names: Collection[str]) -> bool:
    """Whether a run can have these columns: time and something measured."""
    return "time_s" in names and bool(set(names) & set(MEASURED))


def without_torn_end(body: bytes, delimiter: bytes, count: int) -> tuple[bytes, str]:
    """Body up to its last whole line, and the torn rest in words ("" if none).

    RFC 4180 lets the last line go without a line end. It counts as whole if it
    has all fields and its last number as many decimals as the one above.
    """
    end = max(body.rfind(b"\n"), body.rfind(b"\r")) + 1
    last = body[end:]
    if not last.strip(b"\0 "):
        if last:
            return body[:end], f"{len(last)} NUL or blank bytes at the end"
        return body, ""
    above = re.split(rb"[\r\n]+", body[max(0, end - 2000) : end].rstrip(b"\r\n"))[-1]
    same_decimals = _decimals(last) == _decimals(above) > 0
    if line_pattern(delimiter, count).fullmatch(last) and same_decimals:
        return body + b"\n", ""
    return body[:end], repr(last[:60].decode("utf-8", errors="replace"))


def _decimals(line: bytes) -> int:
    match = re.search(rb"[.,](\d+)\"?$", line)
    return len(match[1]) if match else 0
