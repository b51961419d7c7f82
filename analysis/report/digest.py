"""What a finished run says, in short, kept beside it so that it opens at once the second time.

The digest holds the results in words and as numbers and the thinned course, and the SHA-256 of the
two files it was made from, the cutoff asked for and the program itself. Anything else: made anew.
"""

import base64
import contextlib
import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.base.errors import BenchError
from logger.base.safe_files import json_bytes, open_to_read, read_json, replace_file
from logger.run.description import Description
from logger.run.format import DESCRIPTION_NAME, SAMPLES_MAX, SAMPLES_NAME
from logger.run.pieces import rows_file
from logger.run.run_list import described

if TYPE_CHECKING:
    from analysis.run.rundown import Rundown
    from logger.run.course import Course

DIGEST_NAME: Final = ".digest.json"
DIGEST_FORMAT: Final = 5
_LIBRARIES: Final = ("numpy", "pandas", "scipy", "matplotlib")


@dataclass(frozen=True)
class Digest:
    """``answer``: in a sentence or two. ``covers``: what its verdict covers; empty without one. ``results``: name to ``Quantity.as_json``. ``rows``: label, value, interval in words; ``interval``: heading of the last.

    ``begin_s``, ``step_s``, ``course``: the course as ``logger.run.course.Course.packed`` gives it.
    """

    source: Mapping[str, Any]
    count: int
    headline: str
    answer: str
    covers: str
    rows: list[list[str]]
    interval: str
    warnings: list[str]
    results: Mapping[str, Any]
    simulated: bool
    last: list[float | None]
    begin_s: float
    step_s: float
    course: str

    def unpacked(self) -> "Course":
        """The course. Raises ValueError or TypeError if what is kept is none."""
        from logger.run.course import Course

        return Course.unpacked(self.begin_s, self.step_s, self.course)

    def number(self, name: str) -> float | None:
        """Value of a result, None if it does not exist."""
        found = self.results.get(name)
        return found["value"] if isinstance(found, dict) else None


def digest_of(folder: Path, cutoff_v: float | None = None, hold_s: float | None = None) -> Digest:
    """Digest of a run, from beside it if it still fits, else made and put there.

    ``cutoff_v``, ``hold_s``: None: the run's own. Raises BenchError as reading and rundown do.
    """
    source = _source(folder, cutoff_v, hold_s)
    kept = _kept(folder, source)
    if kept is not None:
        return kept
    stamp = _stamp(folder)
    made = _make(folder, source, cutoff_v, hold_s)
    if stamp == _stamp(folder):
        _keep(folder, made)
    return made


def kept_digest(folder: Path, cutoff_v: float | None, hold_s: float | None) -> Digest | None:
    """What is kept beside the run if it still fits and its cutoff was looked for; None: read the run."""
    if not (folder / DIGEST_NAME).is_file():
        return None
    kept = _kept(folder, _source(folder, cutoff_v, hold_s))
    wanted_v = description_of(folder).asked.cutoff_v if cutoff_v is None else cutoff_v
    return kept if kept is not None and kept.number("cutoff_voltage") == wanted_v else None


def inputs_of(
    folder: Path, cutoff_v: float | None, hold_s: float | None, what: str, *more: Path | str | None
) -> dict[str, Any] | None:
    """All that something made of a run depends on, by hashes: it may be passed on and must show no path; None if that
    cannot be told."""
    from importlib.metadata import PackageNotFoundError, version

    if not (folder / SAMPLES_NAME).is_file():
        return None
    try:
        libraries = [version(name) for name in _LIBRARIES]
        told = [_sha256(item) if isinstance(item, Path) else _hidden(str(item)) for item in more]
    except PackageNotFoundError:
        return None
    source = _source(folder, cutoff_v, hold_s)
    return {
        **source,
        "run": _hidden(str(folder.resolve())),
        "what": what,
        "libraries": libraries,
        "more": told,
    }


class Keeping:
    """Keeps what comes of a run that is read now: made before reading, told the result after it."""

    def __init__(self, folder: Path, cutoff_v: float | None, hold_s: float | None) -> None:
        self._folder = folder
        self._stamp = _stamp(folder)
        self._source = _source(folder, cutoff_v, hold_s)

    def keep(self, result: "Rundown", description: Description, *, beside: bool = True) -> Digest:
        """The digest of ``result``; kept ``beside`` the run unless that changed meanwhile."""
        made = _digest(result, description, self._source)
        if (
            beside
            and self._stamp == _stamp(self._folder)
            and (self._folder / SAMPLES_NAME).is_file()
        ):
            _keep(self._folder, made)
        return made


def description_of(folder: Path) -> Description:
    """The run's description without its samples; defaults where it cannot be read."""
    return described(folder) or Description()


def _source(folder: Path, cutoff_v: float | None, hold_s: float | None) -> dict[str, Any]:
    return {
        "format": DIGEST_FORMAT,
        "program": _program(),
        SAMPLES_NAME: _sha256(rows_file(folder)[0]),
        DESCRIPTION_NAME: _sha256(folder / DESCRIPTION_NAME),
        "cutoff_v": cutoff_v,
        "hold_s": hold_s,
    }


def _stamp(folder: Path) -> list[tuple[int, int]]:
    """Changes when a file of the run is written to."""
    found = []
    for path in (rows_file(folder)[0], folder / DESCRIPTION_NAME):
        with contextlib.suppress(OSError):
            stat = path.stat()
            found.append((stat.st_size, stat.st_mtime_ns))
    return found


def _sha256(path: Path) -> str:
    try:
        stat = path.stat()
        return _hash(path, stat.st_ino, stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns)
    except OSError:
        return ""


def _hidden(text: str) -> str:
    return hashlib.sha256(os.fsencode(text)).hexdigest()


@lru_cache(maxsize=1024)
def _hash(path: Path, *state: int) -> str:
    """Of a file in this state; one command asks for the same more than once."""
    with open_to_read(path, SAMPLES_MAX) as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@cache
def _program() -> str:
    """Version, and the state of the files that results come from: who works on them has one version for long."""
    from importlib.metadata import PackageNotFoundError, version

    root = Path(__file__).resolve().parents[2]
    state = hashlib.sha256()
    for path in sorted(
        path for part in ("analysis", "logger") for path in (root / part).rglob("*.py")
    ):
        stat = path.stat()
        state.update(f"{path.name} {stat.st_size} {stat.st_mtime_ns}\n".encode())
    try:
        number = version("drawbench")
    except PackageNotFoundError:
        number = ""
    return f"{number} {state.hexdigest()[:16]}"


def _kept(folder: Path, source: Mapping[str, Any]) -> Digest | None:
    try:
        document = read_json(folder / DIGEST_NAME)
        if document["source"] != source:
            return None
        kept = Digest(**{item.name: document[item.name] for item in fields(Digest)})
        return kept if _looks_sound(kept) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _looks_sound(digest: Digest) -> bool:
    """Whether the parts are what those who show them count on."""
    return (
        all(
            isinstance(text, str)
            for text in (digest.headline, digest.answer, digest.covers, digest.interval)
        )
        and isinstance(digest.count, int)
        and isinstance(digest.results, dict)
        and all(isinstance(found, dict) for found in digest.results.values())
        and isinstance(digest.warnings, list)
        and all(isinstance(row, list) and len(row) == 3 for row in digest.rows)
        and len(digest.last) == 5
        and len(base64.b64decode(digest.course, validate=True)) % 32 == 0
    )


def _keep(folder: Path, digest: Digest) -> None:
    """A folder that cannot be written to costs only the time to make it again."""
    # Not asdict: it would copy every list of the course first.
    data = json_bytes(vars(digest), indent=None)
    with contextlib.suppress(OSError):
        replace_file(folder / DIGEST_NAME, data, durable=False)


def _make(
    folder: Path, source: dict[str, Any], cutoff_v: float | None, hold_s: float | None
) -> Digest:
    from analysis.run.asked import cutoff_of
    from analysis.run.rundown import rundown
    from logger.run.reader import read_run

    run = read_run(folder)
    try:
        result = rundown(run, *cutoff_of(run, cutoff_v, hold_s))
    except BenchError:
        if cutoff_v is not None:
            raise
        result = rundown(run, None)  # its own cutoff does not fit the run: the rest does
    return _digest(result, run.description, source)


def _digest(result: "Rundown", description: Description, source: Mapping[str, Any]) -> Digest:
    from analysis.forecast.verdict_words import covers_words
    from analysis.report.answer import answer, headline, result_rows
    from analysis.run.rundown import Rundown as Plain
    from analysis.say.table import interval_title, rows_of

    trace = result.draw.trace
    table = rows_of(result_rows(result))
    course = _course(result)
    ends = (trace.voltage_v, trace.current_ma, trace.charge_mah, trace.energy_mwh)
    return Digest(
        source=source,
        count=len(trace.time_s),
        headline=headline(result),
        answer=answer(result),
        covers=covers_words(result, description),
        rows=[[row.label, row.value, row.interval] for row in table],
        interval=interval_title(table),
        warnings=list(result.warnings),
        # The run's own results: what other runs say is another question, and theirs may go.
        results={k: v for k, v in Plain.as_json(result).items() if isinstance(v, dict)},
        simulated=result.simulated,
        last=[trace.end_s, *(None if values is None else float(values[-1]) for values in ends)],
        begin_s=course.begin_s,
        step_s=course.step_s,
        course=course.packed(),
    )


def _course(result: "Rundown") -> "Course":
    import numpy as np

    from analysis.run.trace import blocks
    from logger.run.course import Course, Rows

    trace = result.draw.trace
    nothing = np.broadcast_to(np.nan, len(trace.time_s))

    def given(*values: Any) -> Any:
        return next((item for item in values if item is not None), nothing)

    charge = result.draw.charge
    volt_v, current_ma = given(trace.voltage_v), given(trace.current_ma)
    columns = (
        trace.time_s,
        volt_v,
        given(trace.voltage_min_v, trace.voltage_v),
        current_ma,
        given(trace.current_min_ma, trace.current_ma),
        given(trace.current_max_ma, trace.current_ma),
        given(None if charge is None else charge.running),
    )
    course = Course(trace.begin_s)
    for part in blocks(len(trace.time_s)):
        course.add(Rows(*(column[part] for column in columns)))
    return course
