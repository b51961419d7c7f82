"""A run's folder as it grows: new rows of ``samples.csv``, the description whenever it was replaced.

The page never asks the recording for rows: it reads what stands on the disk already.
"""

import io
import os
import time
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import open_to_read, read_json
from logger.run.course import Course, Rows
from logger.run.description import Description, from_document
from logger.run.edited.part import PartOfRows, described_part
from logger.run.format import COLUMN_BY_NAME, DESCRIPTION_NAME, MEASURED, SAMPLES_MAX, SAMPLES_NAME
from logger.run.pieces import SAMPLES, rows_file
from logger.run.reading.order import MOST
from logger.run.run_folder import RunFolder, Whereabouts

CHUNK_BYTES: Final = 8 * 1024 * 1024
_EMPTY: Final = np.empty(0)
_TAIL_BYTES: Final = 4096


@dataclass(frozen=True)
class Latest:
    """The last row's figures; None: not measured."""

    time_s: float = 0.0
    pack_v: float | None = None
    current_ma: float | None = None
    charge_mah: float | None = None
    energy_mwh: float | None = None


def unread_words(error: Exception) -> str:
    """Why a run cannot be read, for the page: a system's error without the folders of this computer that it names."""
    if isinstance(error, BenchError):
        return error.happened
    why = spoken(error) if isinstance(error, OSError) else f"{type(error).__name__}: {error}"
    return f"The run cannot be read: {why}."


class RunFeed:
    """Follows one run. ``poll`` often; ``problem`` says in words why nothing can be read."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.description = Description()
        self.course = Course()
        self.latest = Latest()
        self.rows = 0
        self.rows_rejected = 0
        self.problem = ""
        self.fresh: list[Rows] = []  # rows since the last ``take_fresh``, for a forecast
        self.keep_fresh = False
        self._held: RunFolder | None = None
        self._samples = folder / SAMPLES_NAME
        self._position = 0
        self._number = 0
        self._tail = b""  # of what was read
        self._rest = b""
        self._names: list[str] = []
        self._part: PartOfRows | None = None
        self._described: tuple[int, int, int] | None = None

    def glance(self) -> None:
        """Read the description alone."""
        try:
            self._read_description()
        except OSError:
            return  # poll says it

    def poll(self) -> bool:
        """Read what is new, at most one chunk of the samples; True if more is waiting."""
        try:
            self._follow()
            self._read_description()
            more = self._read_samples()
        except OSError as error:
            gone = not self.folder.exists()
            self.problem = (
                "The run's folder is gone: it was deleted or moved while it was watched."
                if gone
                else unread_words(error)
            )
            return False
        except Exception as error:  # noqa: BLE001 (another run's page must not end by it)
            self.problem = unread_words(error)
            return False
        nothing = self.description.state == "ended" and not (more or self.rows)
        self.problem = (
            f"The run cannot be read: no row of a run is in {self._samples.name}."
            if nothing
            else ""
        )
        return more

    def _follow(self) -> None:
        """A run that is being recorded may get another folder's name, and another name for its rows."""
        live = self.description.state == "recording" or not self._described
        if self._held is not None:
            where = self._held.look()
            if where is Whereabouts.MOVED:
                self.folder = self._held.path
            if not live or where is Whereabouts.GONE:
                self._held.close()
                self._held = None
        elif live and self.folder.is_dir():
            self._held = RunFolder(self.folder)
        recorded = self.folder / SAMPLES.recorded
        found = recorded if recorded.is_file() else self.folder / SAMPLES_NAME
        if found.name == SAMPLES_NAME and not (self._position or self.rows):
            spoiled, why = rows_file(self.folder)  # by a crash, and nobody recorded on
            found = spoiled if why else found
        elif self._samples.name == SAMPLES.second and self._samples.is_file():
            found = self._samples
        self._samples = found

    def adopt(self, course: Course, latest: Latest, rows: int) -> None:
        """Take the course of a finished run over from its digest instead of reading it again."""
        self.course, self.latest, self.rows = course, latest, rows
        self._position = self._samples.stat().st_size
        self._names = ["time_s"]

    def age_s(self) -> float:
        """How long ago the samples were written to, by this computer's clock."""
        try:
            return max(time.time() - self._samples.stat().st_mtime, 0.0)
        except OSError:
            return 0.0

    def take_fresh(self) -> list[Rows]:
        fresh, self.fresh = self.fresh, []
        return fresh

    def _read_description(self) -> None:
        path = self.folder / DESCRIPTION_NAME
        try:
            found = path.stat()
        except OSError:
            return
        state = (found.st_ino, found.st_size, found.st_mtime_ns)
        if state == self._described:
            return
        try:
            document = read_json(path)
            described = from_document(document)[0]
        except (OSError, ValueError, AttributeError, TypeError):
            return  # keep the last one that could be read; rows are read by their header
        self._described = state
        if described.trim != self.description.trim and self._position:
            self._start_again()
        self.description = described_part(described)

    def _read_samples(self) -> bool:
        with open_to_read(self._samples, SAMPLES_MAX) as stream:
            size = stream.seek(0, io.SEEK_END)
            number = os.fstat(stream.fileno()).st_ino
            if size < self._position or not self._goes_on(stream, number):
                self._start_again()
            self._number = number
            stream.seek(self._position)
            data = stream.read(CHUNK_BYTES)
        self._position += len(data)
        self._tail = (self._tail + data)[-_TAIL_BYTES:]
        whole, newline, rest = (self._rest + data).rpartition(b"\n")
        self._rest = rest[-4096:]
        if newline:
            self._take(whole + newline)
        return size > self._position

    def _goes_on(self, stream: BinaryIO, number: int) -> bool:
        """Whether this is the file that was read so far, or another one with the same rows."""
        if number == self._number or not self._position:
            return True
        stream.seek(self._position - len(self._tail))
        return stream.read(len(self._tail)) == self._tail

    def _start_again(self) -> None:
        """Another file stands in the place of the one that was read."""
        self._position, self._rest, self._tail, self._names = 0, b"", b"", []
        self.course, self.latest, self.rows = Course(), Latest(), 0
        self.fresh.clear()
        self._part = None

    def _take(self, lines: bytes) -> None:
        if not self._names:
            header, _, lines = lines.partition(b"\n")
            self._names = header.decode("utf-8", "replace").lstrip("\ufeff").strip().split(",")
        if not lines.strip() or "time_s" not in self._names:
            return
        frame = self._parse(self._right_count(lines))
        time_s = frame.get("time_s", _EMPTY)
        measured = [frame[name] for name in MEASURED if name in frame]
        if not len(time_s) or not measured:
            return
        forward = time_s >= np.maximum.accumulate(np.fmax(time_s, self.latest.time_s))
        good = (
            np.isfinite(time_s) & forward & np.logical_or.reduce([np.isfinite(m) for m in measured])
        )
        self.rows_rejected += int((~good).sum())
        if not good.any():
            return
        self._add({name: values[good] for name, values in frame.items()})

    def _add(self, frame: dict[str, np.ndarray]) -> None:
        trim = self.description.trim
        if trim is not None:
            if self._part is None:
                self._part = PartOfRows(trim, windowed=self.description.source == "board")
            frame = self._part.cut(frame)
        time_s = frame["time_s"]
        if not len(time_s):
            return
        nothing = np.full(len(time_s), np.nan)
        volt_v = frame.get("pack_v", frame.get("bus_v", nothing))
        current_ma = frame.get("current_ma", nothing)
        rows = Rows(
            time_s,
            volt_v,
            np.fmin(frame.get("pack_min_v", volt_v), volt_v),
            current_ma,
            np.fmin(frame.get("current_min_ma", current_ma), current_ma),
            np.fmax(frame.get("current_max_ma", current_ma), current_ma),
            frame.get("charge_mah", nothing),
            frame.get("conversions"),
        )
        if not self.rows and self.description.source != "board":
            self.course.begin_s = float(time_s[0])
        self.rows += len(time_s)
        self.course.add(rows)
        if self.keep_fresh:
            self.fresh.append(rows)
        self.latest = Latest(
            float(time_s[-1]),
            _last(volt_v),
            _last(current_ma),
            _last(frame.get("charge_mah", nothing)),
            _last(frame.get("energy_mwh", nothing)),
        )

    def _right_count(self, lines: bytes) -> bytes:
        """Lines with as many fields as the header has."""
        commas = len(self._names) - 1
        if lines.count(b",") == commas * lines.count(b"\n"):
            return lines
        all_lines = lines.splitlines(keepends=True)
        good = [line for line in all_lines if line.count(b",") == commas]
        self.rows_rejected += len(all_lines) - len(good)
        return b"".join(good)

    def _parse(self, lines: bytes) -> dict[str, np.ndarray]:
        """Known columns as float64; a damaged line costs itself, never the page."""
        if not lines:
            return {}
        import pandas as pd

        used = [
            place
            for place, name in enumerate(self._names)
            if name in COLUMN_BY_NAME and self._names.index(name) == place
        ]
        frame = pd.read_csv(
            io.BytesIO(lines),
            header=None,
            names=range(len(self._names)),
            index_col=False,
            usecols=used,
            on_bad_lines="skip",
            quoting=3,
            keep_default_na=False,
            na_values=[""],
            encoding_errors="replace",
            low_memory=False,
        )
        columns = {
            self._names[place]: pd.to_numeric(frame[place], errors="coerce").to_numpy(np.float64)
            for place in used
        }
        return {
            name: np.where(np.abs(values) <= MOST.get(name, np.inf), values, np.nan)
            for name, values in columns.items()
        }


def _last(values: np.ndarray) -> float | None:
    value = float(values[-1])
    return value if np.isfinite(value) else None
