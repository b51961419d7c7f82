"""Make a run of a delimited text file that another meter or sketch wrote.

``read_text`` reads and looks, ``write_run`` writes; the file itself is only
ever opened for reading. Every line of it is either a row that is kept, or has its
place in ``rejected.txt`` with the reason, or is the header or a blank line.
"""

import csv
import hashlib
import math
import os
from array import array
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from logger.contact_faults import find_contact_faults
from logger.description import Description, Event, Sensor
from logger.errors import BenchError
from logger.pack import Pack
from logger.run_format import COLUMN_BY_NAME, COLUMNS, DESCRIPTION_NAME, SAMPLES_NAME
from logger.run_store import create_run_folder, sync_folder, write_description
from logger.text_layout import (
    CELL,
    MISSING_WORDS,
    Layout,
    LayoutWish,
    find_layout,
    read_lines,
)
from logger.text_plan import ColumnPlan, Plan, PlanWish, TimePlan, make_plan, plain_unit
from logger.text_time import (
    Floats,
    clock_s,
    date_time_s,
    has_zone,
    pattern_s,
    put_in_order,
    span_words,
)

REJECTED_NAME: Final = "rejected.txt"
_PLAN_ROWS: Final = 500
_VALUE_MAX: Final = 1e12  # beyond it no reading of any meter, in any of our units
_TEXT_MAX: Final = 500


@dataclass(frozen=True)
class Imported:
    """A foreign file as read. ``samples``: run columns; ``line_numbers`` (n,) of the kept rows.

    ``rejected``: (line number, reason) of rows that are not in ``samples``; ``others``: the same
    for lines that are no rows (comments, lines above the table).
    ``rows_read == len(samples) + len(rejected)`` always.
    """

    path: Path
    layout: Layout
    plan: Plan
    samples: pd.DataFrame
    line_numbers: np.ndarray[Any, np.dtype[np.int64]]
    rejected: tuple[tuple[int, str], ...]
    others: tuple[tuple[int, str], ...]
    blank_lines: int
    events: tuple[Event, ...]
    warnings: tuple[str, ...]
    usual_step_s: float
    started_utc: str
    started_local: str
    zero_s: float
    size_bytes: int
    sha256: str

    @property
    def rows_read(self) -> int:
        return len(self.samples) + len(self.rejected)

    @property
    def reasons(self) -> dict[str, int]:
        """Count of rejected rows by reason, most frequent first."""
        return dict(Counter(reason for _, reason in self.rejected).most_common())


@dataclass(frozen=True)
class About:
    """What the user says about the run besides its numbers."""

    title: str = ""
    author: str = ""
    load: str = ""
    notes: str = ""
    pack: Pack | None = None
    sensor: str = ""
    started_utc: str = ""


@dataclass
class _Rows:
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


# --- reading ---------------------------------------------------------------------------------


def read_text(
    path: Path, layout_wish: LayoutWish, plan_wish: PlanWish, gap_s: float | None = None
) -> Imported:
    """Rows of a foreign text file in the run's columns and units.

    Raises BenchError if the file is empty, binary or not understood, if a column does not
    exist, if no row is usable, or if the time does not increase.
    """
    layout = find_layout(path, layout_wish)
    plan = make_plan(layout, _first_rows(path, layout), plan_wish)
    rows = _read_rows(path, layout, plan)
    if not rows.numbers:
        raise _nothing_usable(path, rows)
    size_bytes, sha256 = _fingerprint(path)
    ordered = put_in_order(np.array(rows.time_s), gap_s)
    turn = slice(None, None, -1) if ordered.reversed_rows else slice(None)
    numbers = np.array(rows.numbers, dtype=np.int64)[turn]
    columns = {
        column.target: np.array(values)[turn]
        for column, values in zip(plan.columns, rows.values, strict=True)
    }
    keep = ordered.keep.copy()
    repeated = _repeats(ordered.time_s, columns) & keep
    keep &= ~repeated
    for place, reason in ordered.rejected.items():
        rows.rejected[int(numbers[place])] = reason
    rows.rejected.update(dict.fromkeys(numbers[repeated].tolist(), "repeats the row above"))
    samples = {"time_s": ordered.time_s, **columns}
    if ordered.boot.any():
        samples["boot"] = ordered.boot
    warnings = [*ordered.warnings, *_missing_words(rows.missing)]
    frame, more = _complete(pd.DataFrame(samples)[keep].reset_index(drop=True), plan_wish)
    faults, fault_warnings = _faults(frame)
    started_utc, started_local = _started(plan.time, rows.first_time, ordered.zero_s)
    events = sorted((*ordered.events, *faults), key=lambda event: event.time_s)
    return Imported(
        path,
        layout,
        plan,
        frame,
        numbers[keep],
        tuple(sorted(rows.rejected.items())),
        tuple(sorted(rows.others.items())),
        rows.blank,
        tuple(events),
        (*warnings, *more, *fault_warnings, *_doubts(frame)),
        ordered.usual_step_s,
        started_utc,
        started_local,
        ordered.zero_s,
        size_bytes,
        sha256,
    )


def _first_rows(path: Path, layout: Layout) -> list[list[str]]:
    rows: list[list[str]] = []
    for _, line in _row_lines(path, layout, None):
        rows.append(_fitted(layout.split(line), len(layout.names)))
        if len(rows) >= _PLAN_ROWS:
            break
    return rows


def _row_lines(path: Path, layout: Layout, rows: _Rows | None) -> Iterator[tuple[int, str]]:
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
                rows.others[number] = "above the table"
        else:
            yield number, line


def _fitted(cells: list[str], count: int) -> list[str]:
    while len(cells) > count and not cells[-1]:
        cells.pop()
    return cells


def _read_rows(path: Path, layout: Layout, plan: Plan) -> _Rows:
    """All rows, cell by cell; a row with a cell that cannot be used is rejected with its reason."""
    rows = _Rows(values=[array("d") for _ in plan.columns])
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
    if rows.numbers and len(last_cell) < len(before) and not _ends_with_newline(path):
        _drop_torn_row(rows)
    return rows


def _drop_torn_row(rows: _Rows) -> None:
    """The last line has no end and a last cell that is shorter than the one above: cut off while written."""
    rows.rejected[rows.numbers.pop()] = "the file ends in the middle of it"
    rows.time_s.pop()
    for store in rows.values:
        store.pop()


def _ends_with_newline(path: Path) -> bool:
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - 2))
        return any(byte in stream.read() for byte in b"\r\n")


def _value(cell: str, column: ColumnPlan, decimal: str, missing: Counter[str]) -> float:
    """Run value of a cell; NaN for one that says "missing". Raises _BadCell."""
    number, unit = _number(cell, decimal)
    if math.isnan(number):
        if cell:
            missing[cell] += 1
        return number
    factor = column.factor
    if unit and column.units:
        factor = column.units.get(plain_unit(unit), math.nan)
        if math.isnan(factor):
            raise _BadCell(f"{column.target} has an unknown unit")
    value = (number * column.scale + column.offset) * factor
    if not -_VALUE_MAX < value < _VALUE_MAX:
        raise _BadCell(f"{column.target} is beyond all measure")
    return value


def _number(cell: str, decimal: str) -> tuple[float, str]:
    """Number and unit of a cell; NaN for one that says "missing". Raises _BadCell."""
    text = cell.replace(",", ".") if decimal == "," else cell
    match = CELL.fullmatch(text)
    if match is not None:
        return float(match["number"]), match["unit"] or ""
    if cell.lower() in MISSING_WORDS:
        return math.nan, ""
    raise _BadCell("has a cell that is no number" if "\0" not in cell else "holds NUL bytes")


def _time_reader(plan: TimePlan, decimal: str) -> Callable[[Sequence[str]], float]:
    """Function from a row's cells to its time in s; it raises _BadCell."""

    def of_number(text: str) -> float:
        number, _ = _number(text, decimal)
        if math.isnan(number):
            raise _BadCell("its time is missing")
        return number * plan.factor

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


def _nothing_usable(path: Path, rows: _Rows) -> BenchError:
    reasons = Counter(rows.rejected.values()).most_common(3)
    numbers = {reason: number for number, reason in reversed(rows.rejected.items())}
    shown = "; ".join(
        f"{count} rows: {reason} (first: line {numbers[reason]})" for reason, count in reasons
    )
    return BenchError(
        f"No row of {path} can be used.",
        evidence=shown or "no rows below the header",
        next_step="look at the columns with --dry-run, or name them with --time, --voltage and --current.",
    )


def _fingerprint(path: Path) -> tuple[int, str]:
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
        return stream.tell(), digest


# --- looking at what was read -----------------------------------------------------------------


def _repeats(time_s: Floats, columns: dict[str, Floats]) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Mask of rows that equal the row above in time and in every column."""
    repeated = np.concatenate(([False], np.diff(time_s) == 0))
    for values in columns.values():
        both_missing = np.isnan(values[1:]) & np.isnan(values[:-1])
        repeated[1:] &= (values[1:] == values[:-1]) | both_missing
    return repeated


def _complete(samples: pd.DataFrame, wish: PlanWish) -> tuple[pd.DataFrame, list[str]]:
    """Samples with what follows from them and from what the user stated, and that in words."""
    told: list[str] = []
    if wish.constant_current_ma is not None:
        samples["current_ma"] = wish.constant_current_ma
        told.append(
            f"the current was not measured: {wish.constant_current_ma:g} mA throughout, as you stated"
        )
    if (
        "bus_v" in samples
        and "pack_v" not in samples
        and "current_ma" in samples
        and wish.shunt_ohm is not None
    ):
        samples["pack_v"] = samples["bus_v"] + samples["current_ma"] / 1e3 * wish.shunt_ohm
        told.append(
            f"pack_v was reckoned: bus_v plus the drop of the current over {wish.shunt_ohm:g} ohm"
        )
    for name in ("charge_mah", "energy_mwh"):
        if name in samples and samples[name].notna().any():
            first = float(samples[name].dropna().iloc[0])
            if first:
                samples[name] -= first
                told.append(f"{name} began at {first:g} in the file; it counts from 0 here")
    return samples[[column.name for column in COLUMNS if column.name in samples]], told


def _faults(samples: pd.DataFrame) -> tuple[list[Event], list[str]]:
    name = next((name for name in ("pack_v", "bus_v") if name in samples), None)
    if name is None:
        return [], []
    current = samples["current_ma"].to_numpy() if "current_ma" in samples else None
    return find_contact_faults(samples["time_s"].to_numpy(), samples[name].to_numpy(), current)


def _missing_words(missing: Counter[str]) -> list[str]:
    return [
        f"{count} cells {word!r} were read as missing" for word, count in missing.most_common(5)
    ]


def _doubts(samples: pd.DataFrame) -> list[str]:
    """What in the numbers looks like a wrong unit or sign."""
    doubts = []
    for name in ("pack_v", "bus_v"):
        if name in samples and samples[name].notna().any():
            middle = float(samples[name].median())
            if not 0.3 <= middle <= 60:
                doubts.append(f"{name} is around {middle:.3g} V: is its unit right?")
    if "current_ma" in samples and samples["current_ma"].notna().any():
        middle = float(samples["current_ma"].median())
        if middle < 0:
            doubts.append(
                "current_ma is mostly negative: if the meter was the other way round, give --scale current=-1"
            )
        elif middle > 20_000:
            doubts.append(f"current_ma is around {middle:.3g} mA: is its unit right?")
    if "current_ma" not in samples:
        doubts.append("there is no current: charge and energy cannot be reckoned")
    if not {"pack_v", "bus_v"} & set(samples):
        doubts.append("there is no voltage: no time to cutoff can be reckoned")
    return doubts


def _started(time: TimePlan, first: str, zero_s: float) -> tuple[str, str]:
    """Start in UTC where the file says it, else the date and time it gives without a zone."""
    if time.kind not in ("date", "pattern") and not time.epoch:
        return "", ""
    text = datetime.fromtimestamp(zero_s, UTC).isoformat(timespec="milliseconds")
    zoned = time.epoch or has_zone(first) or "%z" in time.pattern
    return (text.replace("+00:00", "Z"), "") if zoned else ("", text.removesuffix("+00:00"))


# --- writing ---------------------------------------------------------------------------------


def write_run(imported: Imported, folder: Path, about: About) -> Description:
    """Write the run's folder: samples, description, and the rejected lines if there are any.

    Raises BenchError if the folder exists, or the disk refuses; then nothing is left behind.
    """
    create_run_folder(folder)
    description = describe(imported, about)
    try:
        _write_samples(folder / SAMPLES_NAME, imported.samples)
        if imported.rejected or imported.others:
            _write_rejected(folder / REJECTED_NAME, imported)
        write_description(folder, description, list(imported.samples.columns))
        sync_folder(folder)
    except BaseException as error:
        for name in (SAMPLES_NAME, REJECTED_NAME, DESCRIPTION_NAME, DESCRIPTION_NAME + ".new"):
            (folder / name).unlink(missing_ok=True)
        folder.rmdir()
        if isinstance(error, OSError):
            raise BenchError(
                f"The run {folder} cannot be written; nothing of it was left behind.",
                evidence=str(error.strerror or error),
                next_step="make room on the disk, or choose another.",
            ) from error
        raise
    return description


def describe(imported: Imported, about: About) -> Description:
    """Description of the run, with where it came from under ``imported``."""
    span_s = float(imported.samples["time_s"].iloc[-1])
    started_utc = about.started_utc or imported.started_utc
    ended_utc = ""
    if started_utc:
        ended = datetime.fromtimestamp(date_time_s(started_utc) + span_s, UTC)
        ended_utc = ended.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    shunt_ohm = imported.plan.shunt_ohm
    sensor = None
    if about.sensor or shunt_ohm is not None:
        sensor = Sensor(about.sensor or "not stated", shunt_ohm=shunt_ohm)
    layout = imported.layout
    return Description(
        title=about.title or imported.path.stem,
        source="import",
        state="ended",
        started_utc=started_utc,
        ended_utc=ended_utc,
        end_reason="import",
        end_text=f"imported from {imported.path.name}; what ended the recording is not known",
        author=about.author,
        load=about.load,
        notes=about.notes,
        pack=about.pack,
        sensor=sensor,
        events=imported.events,
        imported={
            "file": imported.path.name,
            "size_bytes": imported.size_bytes,
            "sha256": imported.sha256,
            "rows_read": imported.rows_read,
            "rows_kept": len(imported.samples),
            "rows_rejected": len(imported.rejected),
            "rejected_by_reason": imported.reasons,
            "encoding": layout.encoding,
            "delimiter": layout.delimiter,
            "decimal": layout.decimal,
            "columns_of_file": list(layout.names) if layout.header else len(layout.names),
            "read_as": {"time_s": imported.plan.time.how}
            | {column.target: column.how for column in imported.plan.columns},
            "unused_columns": list(imported.plan.unused),
            "guesses": list(layout.guesses),
            "warnings": list(imported.warnings),
            "usual_step_s": None if math.isnan(imported.usual_step_s) else imported.usual_step_s,
            "time_zero_s": imported.zero_s,
            "started_local": imported.started_local,
        },
    )


def _write_samples(path: Path, samples: pd.DataFrame) -> None:
    """RFC 4180: CR LF at line ends; a missing value is an empty field."""
    formats = [f"%.{COLUMN_BY_NAME[name].decimals}f" for name in samples.columns]
    columns = [samples[name].to_numpy().tolist() for name in samples.columns]
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\r\n")
        writer.writerow(samples.columns)
        for row in zip(*columns, strict=True):
            writer.writerow(
                [
                    "" if value != value else form % value
                    for form, value in zip(formats, row, strict=True)
                ]
            )
        stream.flush()
        os.fsync(stream.fileno())


def _write_rejected(path: Path, imported: Imported) -> None:
    """Every line that is not in the samples: number, reason, text."""
    reasons = dict(imported.rejected) | dict(imported.others)
    with path.open("w", encoding="utf-8", errors="replace", newline="\n") as stream:
        stream.write(
            f"# Lines of {imported.path.name} that are not in {SAMPLES_NAME}: {len(imported.rejected)} rows, {len(imported.others)} other lines\n"
            "# line number\treason\tthe line\n"
        )
        for number, line in enumerate(read_lines(imported.path, imported.layout.encoding), start=1):
            if number in reasons:
                stream.write(f"{number}\t{reasons[number]}\t{line}\n")
        stream.flush()
        os.fsync(stream.fileno())


# --- in words --------------------------------------------------------------------------------


def summary_lines(imported: Imported) -> list[str]:
    """What was read and how, for the terminal."""
    kept, rejected = len(imported.samples), len(imported.rejected)
    lines = [
        f"{imported.path.name}: {imported.rows_read} rows read, {kept} kept, {rejected} rejected."
    ]
    lines += [f"  {count} rejected: {reason}" for reason, count in imported.reasons.items()]
    if imported.others or imported.blank_lines:
        kinds = Counter(reason for _, reason in imported.others)
        parts = [f"{count} lines {reason}" for reason, count in kinds.items()]
        if imported.blank_lines:
            parts.append(f"{imported.blank_lines} blank lines")
        lines.append(f"  Besides the rows: {', '.join(parts)}.")
    if imported.layout.guesses:
        lines.append(f"Found by itself: {'; '.join(imported.layout.guesses)}.")
    lines.append("Read as:")
    lines.append(f"  time_s      {imported.plan.time.how}")
    lines += [f"  {column.target:<11} {column.how}" for column in imported.plan.columns]
    span_s = float(imported.samples["time_s"].iloc[-1])
    step = (
        ""
        if math.isnan(imported.usual_step_s)
        else f", usual step {span_words(imported.usual_step_s)}"
    )
    lines.append(f"Lasts {span_words(span_s)}{step}.")
    return lines
