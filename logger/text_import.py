"""Make a run of a delimited text file that another meter or sketch wrote.

``read_text`` reads and looks, ``write_run`` writes; the file itself is only
ever opened for reading. Every line of it is either a row that is kept, or has its
place in ``rejected.txt`` with the reason, or is the header or a blank line.
"""

import contextlib
import csv
import hashlib
import math
import os
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from logger.contact_faults import find_contact_faults
from logger.description import Description, Event, Sensor
from logger.errors import BenchError
from logger.pack import Pack
from logger.run_format import COLUMN_BY_NAME, COLUMNS, DESCRIPTION_NAME, SAMPLES_NAME
from logger.run_store import create_run_folder, write_description
from logger.text_layout import (
    Layout,
    LayoutWish,
    find_layout,
    read_lines,
)
from logger.text_plan import Plan, PlanWish, TimePlan, make_plan
from logger.text_rows import Rows, first_rows, read_rows
from logger.text_time import (
    Floats,
    date_time_s,
    has_zone,
    put_in_order,
    span_words,
    utc_text,
)

REJECTED_NAME: Final = "rejected.txt"


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
    def left_out(self) -> dict[int, str]:
        """Line number to reason of everything that is not in the samples, but the header."""
        lines = dict(self.rejected) | dict(self.others)
        return {number: reason for number, reason in lines.items() if reason != "header"}

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


# --- reading ---------------------------------------------------------------------------------


def read_text(
    path: Path, layout_wish: LayoutWish, plan_wish: PlanWish, gap_s: float | None = None
) -> Imported:
    """Rows of a foreign text file in the run's columns and units.

    Raises BenchError if the file is empty, binary or not understood, if a column does not
    exist, if no row is usable, or if the time does not increase.
    """
    try:
        layout = find_layout(path, layout_wish)
        plan = make_plan(layout, first_rows(path, layout), plan_wish)
        rows = read_rows(path, layout, plan)
        size_bytes, sha256 = _fingerprint(path)
    except (OSError, UnicodeError) as error:
        raise BenchError(
            f"{path} cannot be read.",
            evidence=str(error),
            next_step="check who may read it, whether its disk is well, and --encoding if given.",
        ) from error
    if not rows.numbers:
        raise _nothing_usable(path, rows)
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
        (*warnings, *more, *fault_warnings, *_doubts(frame), *plan.doubts),
        ordered.usual_step_s,
        started_utc,
        started_local,
        ordered.zero_s,
        size_bytes,
        sha256,
    )


def _nothing_usable(path: Path, rows: Rows) -> BenchError:
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
            if "boot" in samples:
                samples[name] = _over_boots(samples[name].to_numpy(), samples["boot"].to_numpy())
            first = float(samples[name].dropna().iloc[0])
            if first:
                samples[name] -= first
                told.append(f"{name} began at {first:g} in the file; it counts from 0 here")
    return samples[[column.name for column in COLUMNS if column.name in samples]], told


def _over_boots(counted: Floats, boot: np.ndarray[Any, np.dtype[np.int64]]) -> Floats:
    """A meter's running count (n,), going on where it fell at a new boot."""
    fell = np.flatnonzero((np.diff(boot) != 0) & (np.diff(counted) < 0))
    before = np.zeros(len(counted))
    before[fell + 1] = counted[fell]
    return counted + np.cumsum(before)


def _faults(samples: pd.DataFrame) -> tuple[list[Event], list[str]]:
    name = next((name for name in ("pack_v", "bus_v") if name in samples), None)
    if name is None:
        return [], []
    current = samples["current_ma"].to_numpy() if "current_ma" in samples else None
    return find_contact_faults(samples["time_s"].to_numpy(), samples[name].to_numpy(), current)


def _missing_words(missing: Counter[str]) -> list[str]:
    return [
        f"{'cells ' + repr(word) if word else 'empty cells'} read as missing: {count}"
        for word, count in missing.most_common()
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
    if "bus_v" in samples and "pack_v" not in samples:
        doubts.append(
            "the only voltage is the one on the load side of the shunt; with --shunt-ohm the pack's is reckoned"
        )
    if "current_ma" not in samples:
        doubts.append("there is no current: charge and energy cannot be reckoned")
    if not {"pack_v", "bus_v"} & set(samples):
        doubts.append("there is no voltage: no time to cutoff can be reckoned")
    return doubts


def _started(time: TimePlan, first: str, zero_s: float) -> tuple[str, str]:
    """Start in UTC where the file says it, else the date and time it gives without a zone."""
    if time.kind not in ("date", "pattern") and not time.epoch:
        return "", ""
    zoned = time.epoch or has_zone(first) or "%z" in time.pattern
    text = utc_text(zero_s)
    return (text, "") if zoned else ("", text.removesuffix("Z"))


# --- writing ---------------------------------------------------------------------------------


def write_run(imported: Imported, folder: Path, about: About) -> Description:
    """Write the run's folder: samples, description, and the rejected lines if there are any.

    Raises BenchError if the folder exists, or the disk refuses; then nothing is left behind.
    """
    create_run_folder(folder)
    description = describe(imported, about)
    try:
        _write_samples(folder / SAMPLES_NAME, imported.samples)
        if imported.left_out:
            _write_rejected(folder / REJECTED_NAME, imported)
        write_description(folder, description, list(imported.samples.columns))
    except BaseException as error:
        with contextlib.suppress(OSError):  # the first error is the one to tell
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
    ended_utc = utc_text(date_time_s(started_utc) + span_s) if started_utc else ""
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
    reasons = imported.left_out
    with path.open("w", encoding="utf-8", errors="replace", newline="\n") as stream:
        stream.write(
            f"# Lines of {imported.path.name} that are not in {SAMPLES_NAME}: {len(imported.rejected)} rows, {len(reasons) - len(imported.rejected)} other lines\n"
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
    besides = Counter(reason for _, reason in imported.others)
    besides["blank"] = imported.blank_lines
    parts = [f"{reason} {count}" for reason, count in besides.items() if count]
    if parts:
        lines.append(f"  Lines that are no rows: {', '.join(parts)}.")
    if imported.layout.guesses:
        lines.append(f"Found by itself: {'; '.join(imported.layout.guesses)}.")
    lines.append("Read as:")
    lines.append(f"  time_s      {imported.plan.time.how}")
    lines += [f"  {column.target:<11} {column.how}" for column in imported.plan.columns]
    if imported.plan.unused:
        lines.append(f"Not used: {', '.join(imported.plan.unused)}.")
    span_s = float(imported.samples["time_s"].iloc[-1])
    step = (
        ""
        if math.isnan(imported.usual_step_s)
        else f", usual step {span_words(imported.usual_step_s)}"
    )
    began = imported.started_utc or imported.started_local
    if began:
        zone = "" if imported.started_utc else ", in a time zone that the file does not say"
        lines.append(f"Began {began}{zone}.")
    lines.append(f"Lasts {span_words(span_s)}{step}.")
    return lines
