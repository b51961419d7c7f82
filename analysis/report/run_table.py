"""A folder of runs as one table: a line per run, filtered, sorted, best and worst."""

import csv
import io
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from analysis.doubt.quantity import Quantity
from analysis.report.digest import DIGEST_NAME, Digest, digest_of
from analysis.report.given import charge_given
from analysis.report.trouble import Trouble, trouble_of
from analysis.run.ending.ends import Lifetime
from analysis.say.words import and_words, lasting_words, plain_text, span_words, value_words
from logger.base.clean_text import visible
from logger.base.durations import utc_moment
from logger.base.errors import BenchError, spoken
from logger.base.wall_clock import wall_clock
from logger.run.description import Description
from logger.run.format import (
    DESCRIPTION_ACCUSED,
    DESCRIPTION_NAME,
    ROWS_ACCUSED,
    SAMPLES_MAX,
    SAMPLES_NAME,
)
from logger.run.run_list import described

# Imported where they are needed: kept runs are listed without them, at once.
if TYPE_CHECKING:
    from analysis.run.verdict import Verdict

# Name of a column in CSV and for --sort: heading on screen, and whether more of it is better.
COLUMNS: Final = {
    "run": "run",
    "title": "title",
    "pack": "pack",
    "started": "recorded",
    "lasted_s": "lasted",
    "need_s": "needed",
    "verdict": "as needed",
    "end": "until",
    "cutoff_time_s": "to the cutoff",
    "cutoff_v": "cutoff",
    "duration_s": "length",
    "given_mah": "gave",
    "charge_mah": "charge, whole run",
    "energy_mwh": "energy, whole run",
    "mean_current_ma": "mean",
    "peak_current_ma": "peak",
    "last_voltage_v": "last",
    "ended": "ended by",
}
BY_TROUBLE: Final = "trouble"
_RESULTS: Final = {
    "lasted_s": "lifetime",
    "cutoff_time_s": "cutoff_time",
    "cutoff_v": "cutoff_voltage",
    "duration_s": "duration",
    "charge_mah": "charge",
    "energy_mwh": "energy",
    "mean_current_ma": "mean_current",
    "peak_current_ma": "peak_current",
    "last_voltage_v": "last_voltage",
}


_WHY_MAX: Final = 200
# A short run by itself, and what is read and reckoned of a long one; on a slow computer.
_RUN_S: Final = 0.01
_WORTH_S: Final = 4.0  # less is done before two processes have begun
_BYTES_A_S: Final = 50e6


@dataclass(frozen=True)
class Line:
    """One run. ``problem``: why it has no results, in words. ``asked_s``: a need in place of the run's own.
    ``described``: whether its description could be read.
    """

    folder: Path
    name: str
    description: Description
    digest: Digest | None
    problem: str = ""
    asked_s: float | None = None
    described: bool = True

    def value(self, column: str) -> str | float | None:
        """Value of a column; numbers in the column's own unit."""
        if column == "given_mah":
            return self.given.value
        if column in _RESULTS:
            return None if self.digest is None else self.digest.number(_RESULTS[column])
        description = self.description
        return {
            "end": self.end,
            "need_s": self.need_s,
            "verdict": self.answer,
            "run": self.name,
            "title": plain_text(description.title),
            "pack": plain_text(str(description.pack)) if description.pack else "",
            "started": description.started_utc,
            "ended": description.end_reason
            or ("" if description.state == "ended" else "still open"),
        }[column]

    @property
    def given(self) -> Quantity:
        """Charge out of the pack until the cutoff where that was reached, else in the whole run."""
        results = {} if self.digest is None else self.digest.results
        until, whole = (
            Quantity.of_json(results[name]) if name in results else Quantity(None, "mAh")
            for name in ("charge_to_cutoff", "charge")
        )
        return charge_given(until, whole)

    @property
    def need_s(self) -> float | None:
        """How long it must last, as asked for now, else as the run was told."""
        return self.description.need_s if self.asked_s is None else self.asked_s

    @property
    def answer(self) -> str:
        """The verdict in a word, by the same function as on every other screen; empty where nothing was needed."""
        if self.need_s is None or self.digest is None:
            return ""
        if self.asked_s is None:
            return str(self.digest.results.get("verdict", {}).get("answer", ""))
        found = self.verdict_asked()
        return "" if found is None else str(found.answer)

    def verdict_asked(self) -> "Verdict | None":
        """The verdict on the need asked for now; None where none was asked for."""
        from analysis.run.verdict import verdict

        life = None if self.digest is None else self.digest.results.get("lifetime")
        if self.asked_s is None or self.digest is None or not isinstance(life, dict):
            return None
        seen_s = (self.digest.last[0] or 0.0) - self.digest.begin_s
        clock = wall_clock(self.description.started_utc, simulated=self.digest.simulated)
        return verdict(self.asked_s, Lifetime.from_json(life, seen_s), clock)

    @property
    def trouble(self) -> Trouble:
        """How urgently somebody should look at it."""
        return trouble_of(
            self.answer, self.end, readable=self.digest is not None, damaged=bool(self.damage)
        )

    @property
    def damage(self) -> str:
        """Why what it says is not to be built on, in words: damaged, or changed afterwards; empty of a sound one."""
        if self.digest is None:
            return ""
        if not self.described:
            return "its description cannot be read"
        accused = [
            what
            for what, begin in (("rows", ROWS_ACCUSED), ("description", DESCRIPTION_ACCUSED))
            if any(text.startswith(begin) for text in self.digest.warnings)
        ]
        return (
            f"its {and_words(accused)} changed after the recording, or damaged" if accused else ""
        )

    @property
    def end(self) -> str:
        """How the lifetime ended, as every other screen says it; empty where it is not known."""
        life = None if self.digest is None else self.digest.results.get("lifetime")
        return str(life.get("end", "")) if isinstance(life, dict) else ""

    @property
    def reached(self) -> bool:
        """Whether the end was seen: the piece gave up, or the cutoff was held; and how long that took is known."""
        life = None if self.digest is None else self.digest.results.get("lifetime")
        if isinstance(life, dict) and life.get("bound") == "at_least":
            return False
        return self.value("lasted_s") is not None and self.end != "switched off"

    @property
    def lasted_s(self) -> float | None:
        """The lifetime; of a run that did not show its end, at least so long."""
        found = self.value("lasted_s")
        if found is None and self.digest is not None:
            life = self.digest.results.get("lifetime")
            found = life.get("lower") if isinstance(life, dict) else None
        if found is None:
            found = self.value("duration_s")
        return found if isinstance(found, float | int) else None


def read_lines(
    folders: Sequence[Path],
    cutoff_v: float | None = None,
    hold_s: float | None = None,
    progress: Callable[[int], None] = lambda done: None,
    need_s: float | None = None,
) -> list[Line]:
    """A line for each run; one that cannot be read keeps its line, with the reason.

    Many runs of which nothing is kept yet are read on all cores.
    """
    parents = {folder.resolve().parent for folder in folders}
    work = partial(_line, one_folder=len(parents) == 1, cutoff_v=cutoff_v, hold_s=hold_s, need_s=need_s)  # fmt: skip
    done = 0

    def one_more() -> None:
        nonlocal done
        done += 1
        progress(done)

    new = [folder for folder in folders if not os.path.exists(folder / DIGEST_NAME)]  # noqa: PTH110 (Path.exists raises where it may not look)
    found: dict[Path, Line | None] = {}
    if len(new) > 1 and (each_s := _each_s(new)) * len(new) >= _WORTH_S:
        from analysis.say.many import do_to_all
        from analysis.say.progress import Steps

        outcomes = do_to_all(work, new, each_s=each_s, progress=Steps(one_more))
        found = {outcome.thing: outcome.result for outcome in outcomes}
    lines = []
    for folder in folders:
        line = found.get(folder)
        if line is None:  # also one whose process was ended: its line says what is wrong with it
            line = work(folder)
            if folder not in found:
                one_more()
        lines.append(line)
    return lines


def _each_s(folders: Sequence[Path]) -> float:
    """About how long reading and reckoning of one of these runs takes."""
    size = 0
    for folder in folders:
        with suppress(OSError):
            own = (folder / SAMPLES_NAME).stat().st_size
            size += own if own <= SAMPLES_MAX else 0  # refused at once
    return _RUN_S + size / len(folders) / _BYTES_A_S if folders else 0.0


def run_name(folder: Path, *, one_folder: bool) -> str:
    """The run's own name; with its folder's where the runs lie in several."""
    own = folder.resolve()
    return plain_text(own.name if one_folder else f"{own.parent.name}/{own.name}")


def line_of(folder: Path, name: str, digest: Digest | None, asked_s: float | None) -> Line:
    """A run's line, with what its description says as far as that can be read."""
    known = described(folder)
    whole = known is not None or not os.path.lexists(folder / DESCRIPTION_NAME)
    return Line(folder, name, known or Description(), digest, asked_s=asked_s, described=whole)


def _line(
    folder: Path,
    *,
    one_folder: bool,
    cutoff_v: float | None,
    hold_s: float | None,
    need_s: float | None,
) -> Line:
    name = run_name(folder, one_folder=one_folder)
    try:
        line = line_of(folder, name, digest_of(folder, cutoff_v, hold_s), need_s)
        as_csv([line])  # a digest that somebody changed shows itself here
        [shown(line, column) for column in COLUMNS]
    except BenchError as error:
        return Line(folder, name, described(folder) or Description(), None, _why(error, folder))
    except Exception as error:  # noqa: BLE001 (one bad run must not cost the others their lines)
        words = spoken(error) if isinstance(error, OSError) else f"{type(error).__name__}: {error}"
        why = plain_text(f"cannot be read: {words}")
        return Line(folder, name, Description(), None, why[:_WHY_MAX])
    return line


def _why(error: BenchError, folder: Path) -> str:
    """What is wrong with a run, to stand in its row: shorter than the error, for the row names the run."""
    happened, evidence = (
        plain_text(text).replace(f"{folder}{os.sep}", "")
        for text in (error.happened, error.evidence)
    )
    happened = happened.removesuffix(".")
    if happened.endswith("cannot be read") and evidence:
        happened, evidence = evidence, ""
    told = f"cannot be read: {happened}" + (f" ({evidence})" if evidence else "")
    return told if len(told) <= _WHY_MAX else told[: _WHY_MAX - 1] + "…"


def matching(
    lines: Sequence[Line],
    texts: Sequence[str] = (),
    since: datetime | None = None,
    before: datetime | None = None,
    ended: str | None = None,
) -> list[Line]:
    """Lines that hold every text (title, load, notes, pack, author, name) and lie between the dates."""
    return [
        line
        for line in lines
        if all(text.casefold() in _words(line) for text in texts)
        and (ended is None or line.description.end_reason == ended)
        and (
            since is None
            or (utc_moment(line.description.started_utc) or datetime.min.replace(tzinfo=UTC))
            >= since
        )
        and (
            before is None
            or (utc_moment(line.description.started_utc) or datetime.max.replace(tzinfo=UTC))
            < before
        )
    ]


def in_order(lines: Sequence[Line], column: str, reverse: bool = False) -> list[Line]:
    """Sorted by a column, lines without a value last either way; ``BY_TROUBLE``: the worst first."""
    if column == BY_TROUBLE:
        worst = sorted(lines, key=lambda line: (line.trouble, -round(_shortage_s(line) / 60)))
        return worst[::-1] if reverse else worst
    known = [line for line in lines if line.value(column) not in (None, "")]
    unknown = [line for line in lines if line.value(column) in (None, "")]

    def key(line: Line) -> Any:
        value = line.value(column)
        return value.casefold() if isinstance(value, str) else value

    return [*sorted(known, key=key, reverse=reverse), *unknown]


def _shortage_s(line: Line) -> float:
    return 0.0 if line.need_s is None or line.lasted_s is None else line.need_s - line.lasted_s


def by_lasting(lines: Sequence[Line]) -> list[Line]:
    """Longest to the cutoff first. A run that stopped above its cutoff counts with its length, after
    those that reached theirs at the same time; without any length it is left out."""
    known = [line for line in lines if line.lasted_s is not None]
    return sorted(known, key=lambda line: (-(line.lasted_s or 0.0), not line.reached))


def as_csv(lines: Sequence[Line]) -> str:
    """RFC 4180 with a header; numbers unrounded, in the units of their names."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*COLUMNS, "simulated", "problem"])
    for line in lines:
        cells = [line.value(column) for column in COLUMNS]
        simulated = "" if line.digest is None else int(line.digest.simulated)
        writer.writerow([*(_safe(cell) for cell in cells), simulated, _safe(line.problem)])
    return out.getvalue()


def shown(line: Line, column: str) -> str:
    """Cell of the table on the screen, with no more digits than are known."""
    value = line.value(column)
    if column == "end" and value == "still running":
        return ""  # the length says "over"
    if isinstance(value, str):
        return value[:16].replace("T", " ") if column == "started" else value
    if column == "need_s":
        return "" if value is None else span_words(float(value))
    if column == "lasted_s" and (either := _either(line)):
        return either
    if column == "lasted_s" and not line.reached and line.lasted_s is not None:
        return f"over {span_words(line.lasted_s, 60.0)}"
    if value is None or line.digest is None:
        return ""
    if column == "cutoff_v":
        return f"{value:g} V"  # chosen, not measured: no doubt, no padding
    if column == "given_mah":
        return value_words(line.given)
    found = Quantity.of_json(line.digest.results[_RESULTS[column]])
    return lasting_words(found, line.need_s) if column == "lasted_s" else value_words(found)


def _either(line: Line) -> str:
    """Of a run that can be read in two ways its own times; else empty."""
    life = None if line.digest is None else line.digest.results.get("lifetime")
    return Lifetime.from_json(life, 0.0).either if isinstance(life, dict) else ""


def _words(line: Line) -> str:
    d = line.description
    pack = str(d.pack) if d.pack else ""
    return "\n".join((line.name, d.title, d.load, d.notes, d.author, pack)).casefold()


def _safe(value: str | float | None) -> str | float | None:
    """A spreadsheet takes text that begins like a formula for one."""
    if isinstance(value, str):
        value = visible(value)
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return value
