"""A generated file, what is true of it, and what a reading of it is worth. Standard library only."""

from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import Enum
from typing import Final


class Expect(Enum):
    """What a careful person could do with a file."""

    READ = "read"  # one reading: read right, or it counts against the power
    ASK = "ask"  # two plausible readings: only asked is good
    EITHER = "either"  # one reading, but refusing it is no loss worth counting


READ, ASK, EITHER = Expect.READ, Expect.ASK, Expect.EITHER


class Verdict(Enum):
    RIGHT = "right"
    ASKED = "asked"  # refused, naming an option that settles it
    REFUSED = "refused"  # refused, naming none
    PARTIAL = "partial"  # a column left out and said so, the rest right: no error, no reading
    WRONG = "wrong"
    GUESSED = "wrong-if-guessed"  # a run was written of a file with two readings
    CRASH = "crash"


BAD: Final = frozenset({Verdict.WRONG, Verdict.GUESSED, Verdict.CRASH})


@dataclass(frozen=True)
class Row:
    """``optional``: may be missing, if it is said that it was dropped. None: not in the file.

    ``part``: of a file whose meter began again; how long it stood in between the file does not say. A run that
    marks a new part (another ``boot``) there claims nothing of the pause.
    """

    time_s: float
    voltage_v: float | None
    current_ma: float | None
    optional: bool = False
    part: int = 0


@dataclass(frozen=True)
class Truth:
    """``time_tolerance_s``: what the text's digits leave open. ``start``: local, or None where the text cannot tell.

    ``start_open``: the text's date has two readings, so a run that states one has guessed.
    ``settle``: what a person who knows would say, a key of ``settling.OPTIONS``.
    """

    rows: tuple[Row, ...]
    time_tolerance_s: float = 1e-3
    start: datetime | None = None
    start_open: bool = False
    settle: str = ""


@dataclass(frozen=True)
class Case:
    """One file under one truth. Files of the same ``pair`` have the same bytes under unlike truths."""

    name: str
    kind: str
    group: str
    seed: int
    data: bytes
    expect: Expect
    truth: Truth
    pair: str = ""


@dataclass(frozen=True)
class Reading:
    """What the tool did: exit code, all it printed, and the run that it wrote, if any.

    ``dropped``: lines of the file that it says are not in the run. ``unused``: columns that it names as not read.
    """

    exit_code: int
    output: str
    written: bool
    rows: tuple[Row, ...] = ()
    dropped: int = 0
    unused: tuple[str, ...] = ()
    starts: tuple[datetime, ...] = field(default=())
    error: str = ""


# Columns are written with 6 decimals of a second and volt, 4 of a milliampere.
_VOLTAGE_V: Final = 2e-6
_CURRENT_MA: Final = 1.1e-4


def _same(got: float | None, true: float | None, tolerance: float) -> bool:
    if got is None or true is None:
        return got is true
    return abs(got - true) <= tolerance + 1e-9 * abs(true)


def _aligned(got: tuple[Row, ...], truth: Truth, first: int) -> int | None:
    """How many true rows are missing where the written begin at true row ``first``; None: they differ."""
    missing, at, offset_s = first, 0, truth.rows[first].time_s - got[0].time_s
    part, got_part = truth.rows[first].part, got[0].part
    for row in truth.rows[first:]:
        if at < len(got):
            mine = got[at]
            marked = row.part == part or mine.part != got_part
            if row.part != part and marked and mine.time_s >= got[at - 1].time_s:
                offset_s = row.time_s - mine.time_s
            if (
                marked
                and _same(mine.time_s + offset_s, row.time_s, 2 * truth.time_tolerance_s)
                and _same(mine.voltage_v, row.voltage_v, _VOLTAGE_V)
                and _same(mine.current_ma, row.current_ma, _CURRENT_MA)
            ):
                at, part, got_part = at + 1, row.part, mine.part
                continue
        if not row.optional:
            return None
        missing += 1
    return missing if at == len(got) else None


def why_wrong(reading: Reading, truth: Truth) -> str:
    """Why the written rows are not the true ones; empty where they are."""
    if not reading.rows:
        return "no rows"
    for first, row in enumerate(truth.rows):
        missing = _aligned(reading.rows, truth, first)
        if missing is not None:
            if missing > reading.dropped:
                return f"{missing} true rows are missing, {reading.dropped} said"
            return _why_start(reading, truth)
        if not row.optional:
            break
    return f"rows differ: {len(reading.rows)} written, {len(truth.rows)} true; {_first_unlike(reading.rows, truth)}"


def _why_start(reading: Reading, truth: Truth) -> str:
    for start in reading.starts:
        if truth.start_open:
            return f"it states a start, {start}, which the text leaves open"
        if truth.start is not None and abs((start - truth.start).total_seconds()) > max(
            61.0, truth.time_tolerance_s
        ):
            return f"it states the start {start}, true is {truth.start}"
    return ""


def _first_unlike(got: tuple[Row, ...], truth: Truth) -> str:
    for mine, row in zip(got, truth.rows, strict=False):
        if not _same(
            mine.time_s - got[0].time_s,
            row.time_s - truth.rows[0].time_s,
            2 * truth.time_tolerance_s,
        ):
            return (
                f"time {mine.time_s - got[0].time_s:g}, true {row.time_s - truth.rows[0].time_s:g}"
            )
        if not _same(mine.voltage_v, row.voltage_v, _VOLTAGE_V):
            return f"voltage {mine.voltage_v}, true {row.voltage_v}"
        if not _same(mine.current_ma, row.current_ma, _CURRENT_MA):
            return f"current {mine.current_ma}, true {row.current_ma}"
    return "the number of rows"


def judge(case: Case, reading: Reading, *, settled: bool = False) -> tuple[Verdict, str]:
    """Verdict and why. ``settled``: the person has said what the file leaves open."""
    if reading.error or reading.exit_code not in (0, 2):
        return Verdict.CRASH, reading.error or f"exit code {reading.exit_code}"
    if reading.exit_code == 2:
        if reading.written:
            return Verdict.WRONG, "refused, but a run was written"
        return (Verdict.ASKED if " --" in reading.output else Verdict.REFUSED), ""
    if not reading.written:
        return Verdict.WRONG, "exit code 0, but no run"
    why = why_wrong(reading, case.truth)
    if case.expect is Expect.ASK and not settled:
        return Verdict.GUESSED, why or "right by luck"
    if why and reading.unused and not why_wrong(reading, _as_read(case.truth, reading)):
        return Verdict.PARTIAL, why
    return (Verdict.WRONG, why) if why else (Verdict.RIGHT, "")


def _as_read(truth: Truth, reading: Reading) -> Truth:
    """The truth without a quantity that was not read at all."""
    voltage = any(row.voltage_v is not None for row in reading.rows)
    current = any(row.current_ma is not None for row in reading.rows)
    rows = tuple(
        replace(
            row,
            voltage_v=row.voltage_v if voltage else None,
            current_ma=row.current_ma if current else None,
        )
        for row in truth.rows
    )
    return replace(truth, rows=rows)
