"""Read a run from disk, also a damaged or unfinished one, and say what was wrong with it.

A sound file goes through a C parser in large pieces. Only lines that look odd, and
those among which the parser fails, are judged one by one (``logger.run.reading``).
"""

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import read_json, read_whole
from logger.run.description import Description, from_document
from logger.run.edited.part import PartOfRows, described_part, used_before_words
from logger.run.edited.statements import trim_words
from logger.run.fast_csv import read_columns
from logger.run.format import (
    COLUMN_BY_NAME,
    DESCRIPTION_NAME,
    RUN_FORMAT_VERSION,
    RUN_KEY,
    SAMPLES_MAX,
    SAMPLES_NAME,
)
from logger.run.pieces import SAMPLES, rows_file
from logger.run.reading.damaged import columns_of
from logger.run.reading.findings import Findings
from logger.run.reading.header import as_utf8, enough, header_of, without_torn_end
from logger.run.reading.order import credible, in_order
from logger.run.reading.parse import plain_columns

# Imported where it is needed: what is no run is refused at once.
if TYPE_CHECKING:
    import pandas as pd

LOST: Final = "the description"
_INTEGER_LIMIT: Final = 2**53  # largest integer that a float64 holds exactly

Floats = npt.NDArray[np.float64]
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

    def first_things_first(self, warnings: Sequence[str]) -> tuple[str, ...]:
        """Warnings, before all others what bears on every result: a lost description, a trim."""
        first = [text for text in self.problems if self.description.lost and text.startswith(LOST)]
        if trimmed := trim_words(self.description.trim):
            first.append(trimmed)
        return (*first, *(text for text in warnings if text not in first))


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
    findings = Findings([why] if why else [])
    columns = _read_fast(samples_path)
    if columns is not None:
        description, _ = _read_description(samples_path, findings)
    else:
        data = _read_bytes(samples_path)
        description, described_columns = _read_description(samples_path, findings)
        columns = _read_columns(samples_path, data, described_columns, findings)
        del data
    columns = in_order(credible(columns, findings), findings)
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
    columns: Columns, description: Description, findings: Findings
) -> tuple[Columns, Description]:
    """The part that counts, and its description; all of it where the trim leaves nothing."""
    assert description.trim is not None
    part = PartOfRows(description.trim, windowed=description.source == "board").cut(columns)
    if not len(part["time_s"]):
        findings.sentences.append("the description's trim leaves no row: the whole run counts")
        return columns, replace(description, trim=None)
    told = described_part(description)
    used = used_before_words(description.trim, columns)
    findings.sentences[:0] = [trim_words(description.trim), *([used] if used else [])]
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


def _read_description(samples_path: Path, findings: Findings) -> tuple[Description, list[str]]:
    """Description beside the samples, and the column names it gives; defaults when unusable."""
    path = samples_path.with_name(
        DESCRIPTION_NAME
        if samples_path.name in (SAMPLES_NAME, SAMPLES.recorded, SAMPLES.second)
        else samples_path.name + DESCRIPTION_NAME.removeprefix(SAMPLES_NAME)
    )
    if not path.exists():
        findings.sentences.append(f"{LOST} {path.name} is missing; header names were used")
        return Description(lost=True), []
    try:
        document = read_json(path)
        if not isinstance(document, dict):
            raise ValueError("not a JSON object")
        description, problems = from_document(document)
    except (OSError, ValueError, RecursionError) as error:
        findings.sentences.append(
            f"{LOST} {path.name} cannot be read ({spoken(error)}); header names were used"
        )
        return Description(lost=True), []
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


def _read_fast(path: Path) -> Columns | None:
    """Columns of a long and sound file; None if it must be read with care."""
    try:
        columns = read_columns(path, COLUMN_BY_NAME)
    except OSError:
        return None
    if not columns or not enough(columns) or not np.isfinite(columns["time_s"]).all():
        return None
    return columns


def _read_columns(
    path: Path, data: bytes, described_columns: list[str], findings: Findings
) -> Columns:
    """Columns in file order: known ones only, all numbers finite or NaN."""
    data, delimiter = as_utf8(data, findings)
    header, body, first_line = header_of(path, data, delimiter, described_columns, findings)
    body, torn = without_torn_end(body, delimiter, len(header))
    columns = plain_columns(body, header) if delimiter == b"," else None
    if columns is None:
        columns = columns_of(body, delimiter, header, first_line, findings)
    if torn:
        findings.reject("the last row is torn, the recording stopped in the middle of it", torn)
    return columns


def _as_integers(name: str, values: Floats) -> npt.NDArray[Any]:
    """Values of a counting column as int64 if every one is a whole number, else unchanged."""
    if COLUMN_BY_NAME[name].datatype != "integer":
        return values
    whole = np.isfinite(values).all() and (np.abs(values) < _INTEGER_LIMIT).all()
    return values.astype(np.int64) if whole and (values % 1 == 0).all() else values
