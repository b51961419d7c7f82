"""The run that a foreign text file becomes: written, described, and told on the terminal."""

import contextlib
import csv
import math
from collections import Counter
from dataclasses import dataclass
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, Final

from logger.base.errors import BenchError, spoken
from logger.base.pack import Pack
from logger.base.safe_files import Folder
from logger.run.description import Description, Sensor
from logger.run.format import COLUMN_BY_NAME, DESCRIPTION_NAME, SAMPLES_NAME
from logger.run.store import create_run_folder, write_description
from logger.text.encoding import read_lines
from logger.text.read import Imported
from logger.text.spans import span_words
from logger.text.timing.written import date_time_s, utc_text

if TYPE_CHECKING:
    import pandas as pd

REJECTED_NAME: Final = "rejected.txt"


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
            for name in (SAMPLES_NAME, REJECTED_NAME, DESCRIPTION_NAME):
                (folder / name).unlink(missing_ok=True)
            folder.rmdir()
        if isinstance(error, OSError):
            raise BenchError(
                f"The run {folder} cannot be written; nothing of it was left behind.",
                evidence=spoken(error),
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
        meter=imported.meter,
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


def _write_samples(path: Path, samples: "pd.DataFrame") -> None:
    """RFC 4180: CR LF at line ends; a missing value is an empty field."""
    formats = [f"%.{COLUMN_BY_NAME[name].decimals}f" for name in samples.columns]
    columns = [samples[name].to_numpy().tolist() for name in samples.columns]
    with Folder(path.parent) as folder, folder.replacing(path.name) as raw:
        stream = TextIOWrapper(raw, encoding="utf-8", newline="")
        writer = csv.writer(stream, lineterminator="\r\n")
        writer.writerow(samples.columns)
        for row in zip(*columns, strict=True):
            writer.writerow(
                [
                    "" if value != value else form % value
                    for form, value in zip(formats, row, strict=True)
                ]
            )
        stream.detach()


def _write_rejected(path: Path, imported: Imported) -> None:
    """Every line that is not in the samples: number, reason, text."""
    reasons = imported.left_out
    with Folder(path.parent) as folder, folder.replacing(path.name) as raw:
        stream = TextIOWrapper(raw, encoding="utf-8", errors="replace", newline="\n")
        stream.write(
            f"# Lines of {imported.path.name} that are not in {SAMPLES_NAME}: {len(imported.rejected)} rows, {len(reasons) - len(imported.rejected)} other lines\n"
            "# line number\treason\tthe line\n"
        )
        for number, line in enumerate(read_lines(imported.path, imported.layout.encoding), start=1):
            if number in reasons:
                stream.write(f"{number}\t{reasons[number]}\t{line}\n")
        stream.detach()


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
