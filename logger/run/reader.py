"""Read a run from disk, also a damaged or unfinished one, and say what was wrong with it.

The sound file goes through the C parser of pandas in one piece. Only when that
fails, or its result does not add up, are the lines looked at one by one; the
good ones then go through the same parser.
"""

import csv
import difflib
import io
import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import read_json, read_whole
from logger.run.description import Description, from_document
from logger.run.edited.part import PartOfRows, described_part
from logger.run.edited.statements import trim_words
from logger.run.fast_csv import WORTH_BYTES, read_columns
from logger.run.format import (
    COLUMN_BY_NAME,
    DESCRIPTION_NAME,
    MEASURED,
    RUN_FORMAT_VERSION,
    RUN_KEY,
    SAMPLES_MAX,
    SAMPLES_NAME,
)
from logger.run.pieces import SAMPLES, rows_file

# Imported where it is needed: what is no run is refused at once.
if TYPE_CHECKING:
    import pandas as pd

# Beyond these no bench with cells on it measures anything: the row is damaged.
MOST: Final = {
    "time_s": 1e9,
    **dict.fromkeys(("pack_v", "pack_min_v", "bus_v"), 1e4),
    **dict.fromkeys(("current_ma", "current_min_ma", "current_max_ma"), 1e7),
    **dict.fromkeys(("charge_mah", "energy_mwh"), 1e9),
}
_EXAMPLES_SHOWN: Final = 3
_INTEGER_LIMIT: Final = 2**53  # largest integer that a float64 holds exactly
_BOMS: Final = ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
_SPREADSHEET_DELIMITERS: Final = (b";", b"\t")
_PLAIN: Final = b"0123456789.-,\r\n"

_NOTHING: Final = np.empty(0)

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Columns = dict[str, Floats]


@dataclass(frozen=True)
class Run:
    """A run as read: ``samples`` has a subset of ``run_format.COLUMNS``, float64 or int64.

    ``time_s`` is finite and never decreases; other columns may hold NaN where the
    file had an empty field. ``problems``: in words, for the user. ``rows_rejected``:
    rows of the file that are not in ``samples``. ``on_computer_time``: times were corrected already
    (``analysis.doubt.clock``).
    """

    folder: Path
    description: Description
    samples: "pd.DataFrame"
    problems: tuple[str, ...] = ()
    rows_rejected: int = 0
    on_computer_time: bool = False

    def with_trim_first(self, warnings: Sequence[str]) -> tuple[str, ...]:
        """Warnings, before all others that only a part of the run counts, where that is so."""
        trimmed = trim_words(self.description.trim)
        others = tuple(text for text in warnings if text != trimmed)
        return (trimmed, *others) if trimmed else others


@dataclass(frozen=True)
class FoundRun:
    """A run as read, before its table is made: who refuses it by its description does so without pandas."""

    folder: Path
    description: Description
    columns: Columns
    problems: tuple[str, ...] = ()
    rows_rejected: int = 0

    def run(self) -> Run:
        import pandas as pd

        columns = {name: _as_integers(name, values) for name, values in self.columns.items()}
        samples = pd.DataFrame(columns, copy=False)
        return Run(self.folder, self.description, samples, self.problems, self.rows_rejected)


@dataclass
class _Findings:
    """What was wrong so far: sentences, and rejected rows by reason with examples."""

    sentences: list[str] = field(default_factory=list)
    reasons: Counter[str] = field(default_factory=Counter)
    examples: dict[str, list[str]] = field(default_factory=dict)

    def reject(self, reason: str, example: str, count: int = 1) -> None:
        self.reasons[reason] += count
        shown = self.examples.setdefault(reason, [])
        if len(shown) < _EXAMPLES_SHOWN:
            shown.append(example)

    @property
    def rejected(self) -> int:
        return sum(self.reasons.values())

    def problems(self) -> tuple[str, ...]:
        told = [
            f"{_rows(count)} left out: {reason} ({'; '.join(self.examples[reason])}"
            f"{', ...' if count > len(self.examples[reason]) else ''})"
            for reason, count in self.reasons.items()
        ]
        return (*self.sentences, *told)


def read_run(folder: Path, *, whole: bool = False) -> Run:
    """Run in ``folder`` (or with this very ``samples.csv``); damaged rows are left out and told.

    ``whole``: also what was trimmed away. Raises BenchError as ``find_run`` does.
    """
    return find_run(folder, whole=whole).run()


def find_run(folder: Path, *, whole: bool = False) -> FoundRun:
    """The same, without its table yet.

    Raises BenchError when nothing usable is there: no such folder, no samples
    file, an empty or binary file, no time or no measured column, no good row.
    """
    folder, samples_path, why = _locate(folder)
    findings = _Findings([why] if why else [])
    columns = _read_fast(samples_path)
    if columns is not None:
        description, _ = _read_description(samples_path, findings)
    else:
        data = _read_bytes(samples_path)
        description, described_columns = _read_description(samples_path, findings)
        columns = _read_columns(samples_path, data, described_columns, findings)
        del data
    columns = _in_order(_credible(columns, findings), findings)
    if not len(columns["time_s"]):
        raise BenchError(
            f"{samples_path} holds no usable row.",
            evidence="; ".join(findings.problems()) or "a header and nothing below it",
            next_step="if the recording was stopped before its first window ended, record again.",
        )
    if description.trim is not None and not whole:
        columns, description = _part(columns, description, findings)
    return FoundRun(folder, description, columns, findings.problems(), findings.rejected)


def _part(
    columns: Columns, description: Description, findings: _Findings
) -> tuple[Columns, Description]:
    """The part that counts, and its description; all of it where the trim leaves nothing."""
    assert description.trim is not None
    part = PartOfRows(description.trim, windowed=description.source == "board").cut(columns)
    if not len(part["time_s"]):
        findings.sentences.append("the description's trim leaves no row: the whole run counts")
        return columns, replace(description, trim=None)
    told = described_part(description)
    findings.sentences.insert(0, trim_words(description.trim))
    if description.switch_alarm and not told.switch_alarm:
        findings.sentences.append(description.switch_alarm)  # dangerous still, whatever counts
    return part, told


def _locate(path: Path) -> tuple[Path, Path, str]:
    """Folder of the run and its samples file, from the one or the other; in words why that is not samples.csv."""
    if path.is_dir():
        samples_path, why = rows_file(path)
        if not _is_there(samples_path):
            inside = sorted(item.parent.name for item in path.glob(f"*/{SAMPLES_NAME}"))
            raise BenchError(
                f"{path} is not a run: there is no {SAMPLES_NAME} in it.",
                evidence=f"runs inside it: {', '.join(inside[:8])}" if inside else "",
                next_step="give the folder of one run.",
            )
        return path, samples_path, why
    if _is_there(path):
        return path.parent, path, ""
    near = []
    if path.parent.is_dir():
        names = [item.name for item in path.parent.iterdir()]
        near = difflib.get_close_matches(path.name, names, n=3)
    raise BenchError(
        f"There is no run {path}.",
        evidence=f"similar names there: {', '.join(near)}" if near else "",
        next_step="give the folder of a run, or its samples.csv.",
    )


def _is_there(path: Path) -> bool:
    """Whether there is such a name, be it of a file or not: opening it says what is wrong with it."""
    try:
        path.lstat()
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return True


def _read_bytes(path: Path) -> bytes:
    try:
        data = read_whole(path, SAMPLES_MAX)
    except OSError as error:
        raise BenchError(
            f"{path} cannot be read.",
            evidence=spoken(error),
            next_step=(
                "check who owns the file and whether the disk is well."
                if path.is_file()
                else "that is no recording: look where its samples.csv went."
            ),
        ) from error
    if re.fullmatch(rb"[\0\s]*", data):
        raise BenchError(
            f"{path} is empty.",
            evidence=f"{len(data)} bytes" + (", all of them NUL or blank" if data else ""),
            next_step="the recording left nothing behind: record again.",
        )
    return data


def _read_description(samples_path: Path, findings: _Findings) -> tuple[Description, list[str]]:
    """Description beside the samples, and the column names it gives; defaults when unusable."""
    path = samples_path.with_name(
        DESCRIPTION_NAME
        if samples_path.name in (SAMPLES_NAME, SAMPLES.recorded, SAMPLES.second)
        else samples_path.name + DESCRIPTION_NAME.removeprefix(SAMPLES_NAME)
    )
    if not path.exists():
        findings.sentences.append(f"the description {path.name} is missing; header names were used")
        return Description(), []
    try:
        document = read_json(path)
        if not isinstance(document, dict):
            raise ValueError("not a JSON object")
        description, problems = from_document(document)
    except (OSError, ValueError, RecursionError) as error:
        findings.sentences.append(
            f"the description {path.name} cannot be read ({spoken(error)}); header names were used"
        )
        return Description(), []
    findings.sentences.extend(problems)
    own = document.get(RUN_KEY)
    version = own.get("format") if isinstance(own, dict) else None
    if isinstance(version, int) and version > RUN_FORMAT_VERSION:
        findings.sentences.append(
            f"the run has format {version}, this program knows {RUN_FORMAT_VERSION}: newer parts are ignored"
        )
    if description.state != "ended" and isinstance(own, dict):
        findings.sentences.append(
            "the run was never ended: it is still being recorded, or the recording was cut off"
        )
    return description, _column_names(document)


def _column_names(document: dict[str, object]) -> list[str]:
    schema = document.get("tableSchema")
    columns = schema.get("columns") if isinstance(schema, dict) else None
    if not isinstance(columns, list):
        return []
    return [str(item.get("name", "")) for item in columns if isinstance(item, dict)]


# --- samples ---------------------------------------------------------------------------------


def _read_fast(path: Path) -> Columns | None:
    """Columns of a long and sound file; None if it must be read with care."""
    try:
        columns = read_columns(path, COLUMN_BY_NAME)
    except OSError:
        return None
    if not columns or not _enough(columns) or not np.isfinite(columns["time_s"]).all():
        return None
    return columns


def _read_columns(
    path: Path, data: bytes, described_columns: list[str], findings: _Findings
) -> Columns:
    """Columns in file order: known ones only, all numbers finite or NaN."""
    data, delimiter = _as_utf8(data, findings)
    header, body, first_line = _header(path, data, delimiter, described_columns, findings)
    body, torn = _without_torn_end(body, delimiter, len(header))
    columns = None
    if delimiter == b",":
        columns = _plain_columns(body, header) or _parse_at_once(body, header)
    if columns is None:
        body = _good_lines(body, delimiter, header, first_line, findings)
        columns = _parse(body, header)
    if torn:
        findings.reject("the last row is torn, the recording stopped in the middle of it", torn)
    return columns


def _as_integers(name: str, values: Floats) -> npt.NDArray[Any]:
    """Values of a counting column as int64 if every one is a whole number, else unchanged."""
    if COLUMN_BY_NAME[name].datatype != "integer":
        return values
    whole = np.isfinite(values).all() and (np.abs(values) < _INTEGER_LIMIT).all()
    return values.astype(np.int64) if whole and (values % 1 == 0).all() else values


def _as_utf8(data: bytes, findings: _Findings) -> tuple[bytes, bytes]:
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


def _header(
    path: Path, data: bytes, delimiter: bytes, described: list[str], findings: _Findings
) -> tuple[list[str], bytes, int]:
    """Column names, the rest of the file, and the number of the line it begins with."""
    end = re.search(rb"\r\n|\n|\r", data)
    first = data[: end.start()] if end else data
    names = [item.strip(b'" ').decode("utf-8", errors="replace") for item in first.split(delimiter)]
    body = data[end.end() :] if end else b""
    first_line = 2
    if not _enough(names) and _enough(described) and len(names) == len(described):
        lost = _line_pattern(delimiter, len(names)).fullmatch(first) is not None
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
    if not _enough(names):
        raise BenchError(
            f"{path} lacks columns that a run needs.",
            evidence=f"it has: {', '.join(names)}",
            next_step=f"needed are time_s and one of {', '.join(MEASURED)}.",
        )
    return names, body, first_line


def _enough(names: Collection[str]) -> bool:
    """Whether a run can have these columns: time and something measured."""
    return "time_s" in names and bool(set(names) & set(MEASURED))


def _without_torn_end(body: bytes, delimiter: bytes, count: int) -> tuple[bytes, str]:
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
    if _line_pattern(delimiter, count).fullmatch(last) and same_decimals:
        return body + b"\n", ""
    return body[:end], repr(last[:60].decode("utf-8", errors="replace"))


def _decimals(line: bytes) -> int:
    match = re.search(rb"[.,](\d+)\"?$", line)
    return len(match[1]) if match else 0


def _line_pattern(delimiter: bytes, count: int) -> re.Pattern[bytes]:
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


def _known_places(header: list[str]) -> list[int]:
    """Where the known columns stand, each name once."""
    return [
        place
        for place, name in enumerate(header)
        if name in COLUMN_BY_NAME and header.index(name) == place
    ]


def _plain_columns(body: bytes, header: list[str]) -> Columns | None:
    """Known columns of a short body in which every field is a plain number; None if one is not.

    A frame of pandas costs some milliseconds however short the run is: a folder of hundreds of short runs
    is read in half the time without.
    """
    if len(body) >= WORTH_BYTES or not body.strip() or body.translate(None, _PLAIN):
        return None  # loadtxt warns the user of a body of blank lines
    try:
        table = np.loadtxt(io.BytesIO(body), delimiter=",", ndmin=2).T
    except ValueError:  # a field too many or too few, an empty one, "1-2"
        return None
    if len(table) != len(header) or not np.isfinite(table).all():
        return None
    table = np.ascontiguousarray(table)
    return {header[place]: table[place] for place in _known_places(header)}


def _parse(body: bytes, header: list[str]) -> Columns:
    """Known columns of a comma-separated body as float64, each name once."""
    places = _known_places(header)
    if not body or body.isspace():
        return {header[place]: np.empty(0) for place in places}
    import pandas as pd

    frame = pd.read_csv(
        io.BytesIO(body),
        header=None,
        names=list(range(len(header))),
        index_col=False,
        dtype={place: (np.float64 if place in places else object) for place in range(len(header))},
        keep_default_na=False,
        na_values=[""],
        encoding="utf-8",
        encoding_errors="replace",
    )
    return {header[place]: frame[place].to_numpy() for place in places}


def _parse_at_once(body: bytes, header: list[str]) -> Columns | None:
    """Samples of a sound body, or None if anything in it does not add up."""
    if b"\0" in body or b'"' in body:
        return None
    first = re.split(rb"\r\n|\n|\r", body[:4096], maxsplit=1)[0]
    if first.count(b",") != len(header) - 1 and body and not body.isspace():
        return None
    try:
        # What begins with words needs no parser to be refused.
        for name, text in zip(header, first.split(b","), strict=False):
            if name in COLUMN_BY_NAME:
                float(text or b"0")
        columns = _parse(body, header)
    except (ValueError, UnicodeError, OverflowError):  # ParserError is a ValueError
        return None
    # Rows with too many fields raise in the parser; rows with too few show in the count.
    time_s = columns["time_s"]
    if body.count(b",") != len(time_s) * (len(header) - 1) or not np.isfinite(time_s).all():
        return None
    return None if any(np.isinf(values).any() for values in columns.values()) else columns


def _good_lines(
    body: bytes, delimiter: bytes, header: list[str], first_line: int, findings: _Findings
) -> bytes:
    """Lines of the body that hold numbers in all fields and a time; the others are told."""
    pattern = _line_pattern(delimiter, len(header))
    known = [place for place, name in enumerate(header) if name in COLUMN_BY_NAME]
    time_place = header.index("time_s")
    good: list[bytes] = []
    for number, line in enumerate(re.split(rb"\r\n|\n|\r", body), start=first_line):
        if b'"' in line:
            line = _unquoted(line, delimiter)
        if pattern.fullmatch(line) is None:
            reason = _fault(line, delimiter, header, known)
            if reason == "blank":
                continue
            if reason:
                shown = line[:60].decode("utf-8", errors="replace")
                findings.reject(reason, f"line {number}: {shown!r}")
                continue
        fields = line.split(delimiter)
        if not fields[time_place].strip():
            findings.reject("the time is missing", f"line {number}")
            continue
        if delimiter != b",":
            line = line.replace(b",", b".").replace(delimiter, b",")
        good.append(line.replace(b" ", b""))
    return b"\n".join(good) + b"\n"


def _unquoted(line: bytes, delimiter: bytes) -> bytes:
    """Line without its quotes; delimiters that were quoted become blanks."""
    separator = delimiter.decode()
    text = line.decode("utf-8", errors="replace")
    try:
        items = next(csv.reader([text], delimiter=separator))
    except (csv.Error, StopIteration):
        return line
    return separator.join(item.replace(separator, " ") for item in items).encode()


def _fault(line: bytes, delimiter: bytes, header: list[str], known: list[int]) -> str:
    """Why this line is no row: "" if it is one, "blank" if there is nothing in it."""
    if not line.strip():
        return "blank"
    if b"\0" in line:
        return "NUL bytes, as after a power failure"
    fields = line.split(delimiter)
    if len(fields) != len(header):
        return f"not {len(header)} fields"
    number = _line_pattern(delimiter, 1)
    for place in known:
        if number.fullmatch(fields[place]) is None:
            return f"{header[place]} is not a number"
    return ""


# --- order in time ---------------------------------------------------------------------------


def _only(columns: Columns, keep: Mask) -> Columns:
    return {name: values[keep] for name, values in columns.items()}


def _in_order(columns: Columns, findings: _Findings) -> Columns:
    """Columns without repeated rows and without rows that go back in time."""
    repeated = _repeats(columns)
    if repeated.any():
        first = float(columns["time_s"][repeated][0])
        findings.reject("they repeat the row above", f"first at {first:g} s", int(repeated.sum()))
        columns = _only(columns, ~repeated)
    time_s = columns["time_s"]
    if (time_s[1:] < time_s[:-1]).any():
        keep = longest_in_order(time_s)
        first = float(time_s[~keep][0])
        findings.reject("their time goes back", f"first at {first:g} s", int((~keep).sum()))
        columns = _only(columns, keep)
    time_s = columns["time_s"]
    stuck = int((time_s[1:] == time_s[:-1]).sum())
    if stuck:
        findings.sentences.append(f"rows with the same time as the row above, kept: {stuck}")
    return columns


def _credible(columns: Columns, findings: _Findings) -> Columns:
    """Columns without rows that no bench can have measured, or from before the run began."""
    for name in MOST:
        values = columns.get(name, _NOTHING)
        least, most = 0.0 if name == "time_s" else -MOST[name], MOST[name]
        # Two plain passes on sound columns; a NaN makes both False.
        if not len(values) or (values.min() >= least and values.max() <= most):
            continue
        above, below = values > most, values < least
        before = "their time lies before the run"
        beyond = f"{name} is beyond all measure"
        for wrong, why in ((above, beyond), (below, before if name == "time_s" else beyond)):
            if wrong.any():
                findings.reject(why, f"first {values[wrong][0]:g}", int(wrong.sum()))
        if above.any() or below.any():
            columns = _only(columns, ~(above | below))
    return columns


def _repeats(columns: Columns) -> Mask:
    """Mask of rows that equal the row above in every column."""
    time_s = columns["time_s"]
    repeated = np.zeros(len(time_s), dtype=np.bool_)
    np.equal(time_s[1:], time_s[:-1], out=repeated[1:])
    if repeated.any():
        for values in columns.values():
            same = (values[1:] == values[:-1]) | (np.isnan(values[1:]) & np.isnan(values[:-1]))
            repeated[1:] &= same
    return repeated


def longest_in_order(time_s: Floats) -> Mask:
    """Mask of the longest part of ``time_s`` (n,) that never decreases.

    One absurd time in the middle costs that one row, not all rows after it.
    Patience sorting, O(n log n) (Fredman 1975, Discrete Mathematics 11:29, from memory).
    """
    ends: list[float] = []
    end_places: list[int] = []
    before = np.full(len(time_s), -1, dtype=np.int64)
    for place, value in enumerate(time_s.tolist()):
        pile = bisect_right(ends, value)
        before[place] = end_places[pile - 1] if pile else -1
        if pile == len(ends):
            ends.append(value)
            end_places.append(place)
        else:
            ends[pile], end_places[pile] = value, place
    keep = np.zeros(len(time_s), dtype=np.bool_)
    place = end_places[-1] if end_places else -1
    while place >= 0:
        keep[place] = True
        place = int(before[place])
    return keep


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"
