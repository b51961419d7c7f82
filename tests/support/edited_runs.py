"""Runs as a recording leaves them, with every fault of the simulated board; and what a hand can do to them afterwards."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from logger.base.clock import Moment
from logger.recording.terms import COLUMN_NAMES, Phase
from logger.run.description import Description, Stop
from logger.run.format import COLUMN_BY_NAME, DESCRIPTION_NAME, RUN_KEY, SAMPLES_NAME
from logger.run.store import write_description
from tests.support.simulated_runs import START_UTC, START_WALL_S, Desk

Floats = npt.NDArray[np.float64]


def record_into(
    folder: Path,
    board: Any,
    seconds: float,
    *,
    stop: Stop | None = None,
    step_s: float = 2.0,
    crash_s: float | None = None,
) -> Path:
    """Record ``seconds`` of the board into ``folder``, with its cable's faults; gives the folder.

    ``crash_s``: then the recording is killed, the last three rows are lost, and it is taken up again at once.
    """
    desk = Desk(board, Description(started_utc=START_UTC, stop=stop or Stop()))
    desk.begin(40)
    passed_s = 0.0
    while passed_s < seconds and desk.recording.phase is not Phase.ENDED:
        if crash_s is not None and passed_s >= crash_s and desk.rows.count(b"\n") > 5:
            crash_s = None
            desk.crash()
        desk.pass_time(step_s)
        passed_s += step_s
    desk.recording.finish("user", "", desk.now)
    for _ in range(30):
        desk.pass_time(0.1)
    if desk.recording.phase is not Phase.ENDED:
        desk.recording.abandon("user", "")
    rows = desk.rows + desk.recording.take_rows()
    folder.mkdir(parents=True, exist_ok=True)
    header = ",".join(COLUMN_NAMES) + "\r\n"
    (folder / SAMPLES_NAME).write_bytes(header.encode() + rows)
    write_description(folder, desk.recording.description(desk.now), COLUMN_NAMES)
    return folder


@dataclass
class Opened:
    """A run opened in an editor: columns as numbers, description as JSON (our own part, and all of it)."""

    rows: dict[str, Floats]
    about: dict[str, Any]
    document: dict[str, Any]

    @property
    def count(self) -> int:
        return len(self.rows["time_s"])

    def take(self, places: npt.NDArray[np.intp]) -> None:
        """Only these rows, in this order."""
        self.rows = {name: values[places] for name, values in self.rows.items()}


Edit = Callable[[Opened, int, float], None]


def opened(folder: Path) -> Opened:
    document = json.loads((folder / DESCRIPTION_NAME).read_text(encoding="utf-8"))
    text = (folder / SAMPLES_NAME).read_text(encoding="utf-8").splitlines()
    table = np.array([[float(cell) for cell in line.split(",")] for line in text[1:]])
    return Opened(
        dict(zip(text[0].split(","), table.T.copy(), strict=True)), document[RUN_KEY], document
    )


def saved(run: Opened, folder: Path) -> Path:
    """Written as the format has it: the columns' own decimals, CRLF."""
    folder.mkdir(parents=True, exist_ok=True)
    texts = [
        [f"{value:.{COLUMN_BY_NAME[name].decimals}f}" for value in values.tolist()]
        for name, values in run.rows.items()
    ]
    lines = [",".join(run.rows), *(",".join(cells) for cells in zip(*texts, strict=True)), ""]
    (folder / SAMPLES_NAME).write_bytes("\r\n".join(lines).encode())
    (folder / DESCRIPTION_NAME).write_text(json.dumps(run.document), encoding="utf-8")
    return folder


def _scale(name: str) -> Edit:
    """One value, larger by this share."""

    def edit(run: Opened, at: int, size: float) -> None:
        run.rows[name][at] *= 1 + size

    return edit


def _scale_all(*names: str) -> Edit:
    """Whole columns, larger by this share."""

    def edit(run: Opened, at: int, size: float) -> None:
        for name in names:
            run.rows[name] *= 1 + size

    return edit


def _shift(run: Opened, at: int, size: float) -> None:
    run.rows["time_s"][at] += size


def _shift_after(run: Opened, at: int, size: float) -> None:
    run.rows["time_s"][at:] += size


def _delete(run: Opened, at: int, size: float) -> None:
    places = np.arange(run.count)
    run.take(places[(places < at) | (places >= at + size)])


def _delete_and_number(run: Opened, at: int, size: float) -> None:
    """Rows out, and the numbers behind them closed up."""
    _delete(run, at, size)
    run.rows["sequence"][at:] -= int(size)


def _delete_and_close(run: Opened, at: int, size: float) -> None:
    """Rows out, numbers and times behind them closed up; the counters left."""
    time_s = run.rows["time_s"]
    gone_s = time_s[at + int(size) - 1] - time_s[at - 1]
    _delete_and_number(run, at, size)
    run.rows["time_s"][at:] -= gone_s


def _insert(run: Opened, at: int, size: float) -> None:
    """A row half-way between two, made of their means."""
    run.rows = {
        name: np.insert(values, at, (values[at - 1] + values[at]) / 2)
        for name, values in run.rows.items()
    }
    for name in ("sequence", "boot", "conversions"):
        run.rows[name] = np.floor(run.rows[name])


def _insert_numbered(run: Opened, at: int, size: float) -> None:
    """The same, all rows numbered anew."""
    _insert(run, at, size)
    run.rows["sequence"] = np.arange(run.count) + run.rows["sequence"][0]


def _double(run: Opened, at: int, size: float) -> None:
    """A row once more, a millisecond later."""
    run.take(np.sort(np.append(np.arange(run.count), at)))
    run.rows["time_s"][at + 1] += 0.001


def _swap(run: Opened, at: int, size: float) -> None:
    places = np.arange(run.count)
    other = at + int(size)
    places[[at, other]] = other, at
    run.take(places)


def _swap_values(run: Opened, at: int, size: float) -> None:
    """What was measured changes places, times and numbers stay."""
    kept = {name: run.rows[name].copy() for name in ("time_s", "sequence", "boot")}
    _swap(run, at, size)
    run.rows |= kept


def _swap_current(run: Opened, at: int, size: float) -> None:
    values, other = run.rows["current_ma"], at + int(size)
    values[[at, other]] = values[[other, at]]


def _describe(*path: str) -> Edit:
    """A number of the description, larger by this share."""

    def edit(run: Opened, at: int, size: float) -> None:
        part: Any = run.about
        for name in path[:-1]:
            part = part[name]
        part[path[-1]] *= 1 + size

    return edit


def _boot(run: Opened, at: int, size: float) -> None:
    run.about["board"]["boot"] += int(size)


def _start_later(run: Opened, at: int, size: float) -> None:
    """The beginning dated later by so many seconds."""
    run.about["started_utc"] = Moment(0.0, 0.0, START_WALL_S + size).utc


def _smooth(run: Opened, at: int, size: float) -> None:
    """So many rows of voltage drawn as a straight line."""
    values, end = run.rows["pack_v"], at + int(size)
    values[at : end + 1] = np.linspace(values[at], values[end], end + 1 - at)


def _forge(run: Opened, at: int, size: float) -> None:
    """Current, charge, energy and the drop over the shunt reckoned anew together: no contradiction is left."""
    for name in ("current_ma", "current_min_ma", "current_max_ma", "charge_mah", "energy_mwh"):
        run.rows[name] *= 1 + size
    run.rows["bus_v"] = run.rows["pack_v"] - run.rows["current_ma"] * 1e-4


SHARES: Final = (1e-5, 1e-4, 1e-3, 1e-2, 1e-1)
SECONDS: Final = (1e-4, 1e-3, 1e-2, 0.1, 1.0)
COUNTS: Final = (1.0, 2.0, 5.0, 20.0)
# name, unit of the sizes, sizes, the edit
EDITS: Final[tuple[tuple[str, str, tuple[float, ...], Edit], ...]] = (
    ("a current altered", "share", SHARES, _scale("current_ma")),
    ("a voltage altered", "share", SHARES, _scale("pack_v")),
    ("a load voltage altered", "share", SHARES, _scale("bus_v")),
    ("a charge altered", "share", SHARES, _scale("charge_mah")),
    ("an energy altered", "share", SHARES, _scale("energy_mwh")),
    ("a least current altered", "share", SHARES, _scale("current_min_ma")),
    ("a greatest current lowered", "share", tuple(-s for s in SHARES), _scale("current_max_ma")),
    ("a row's time shifted", "s", SECONDS, _shift),
    ("all times behind shifted", "s", SECONDS, _shift_after),
    ("all times stretched", "share", SHARES, _scale_all("time_s")),
    ("all currents scaled", "share", SHARES, _scale_all("current_ma", "current_min_ma", "current_max_ma")),
    ("all voltages scaled", "share", SHARES, _scale_all("pack_v", "pack_min_v")),
    ("all charges scaled", "share", SHARES, _scale_all("charge_mah")),
    ("voltage smoothed", "rows", COUNTS[1:], _smooth),
    ("rows deleted", "rows", COUNTS, _delete),
    ("rows deleted, numbers closed up", "rows", COUNTS, _delete_and_number),
    ("rows deleted, times closed up", "rows", COUNTS, _delete_and_close),
    ("a row inserted", "rows", (1.0,), _insert),
    ("a row inserted, numbered anew", "rows", (1.0,), _insert_numbered),
    ("a row doubled", "rows", (1.0,), _double),
    ("rows swapped", "apart", COUNTS, _swap),
    ("values of rows swapped", "apart", COUNTS, _swap_values),
    ("currents of rows swapped", "apart", COUNTS, _swap_current),
    ("described window", "share", SHARES, _describe("window_s")),
    ("described shunt", "share", SHARES, _describe("sensor", "shunt_ohm")),
    ("described range", "share", (-0.5, -0.9, -0.99), _describe("sensor", "range_ma")),
    ("described boot", "boots", (1.0,), _boot),
    ("described start", "s", (1.0, 10.0, 600.0), _start_later),
    ("all reckoned anew", "share", SHARES, _forge),
)  # fmt: skip
