"""What a stranger can put under each name that the program is about to write, and what the program then does.

The names are the program's own: it announces each as ``safe_files.MADE``. A ``Doing`` is something that writes; it is
done once in peace to learn its names, then once for each name and each thing that can be planted there.
"""

import os
import shutil
import signal
import stat
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

from PIL import Image

import drawbench
from analysis.flex.looks import Looks, write_looks
from firmware_probe.twin.eeprom import load_eeprom, save_eeprom
from logger.base.clock import Moment
from logger.base.config_folder import FOLDER_VARIABLE
from logger.base.errors import BenchError
from logger.base.safe_files import MADE
from logger.board import switch_trial
from logger.calibration import attach, steps, store
from logger.commands.flex_log import _describe
from logger.edit.changes import Changes
from logger.edit.edit import Photos, edit_run
from logger.flex.store import FlexDescription, FlexWriter
from logger.run.calibration import Calibration, Line
from logger.run.request_channel import MARK, ask
from logger.run.switch_test import SwitchTest
from logger.run.writer import SampleWriter
from tests.support.hostile_runs import STRANGE, sound_run
from tests.support.page_bench import describe, row
from tests.support.places import VEST_BUDGET
from tests.support.runs_by_formula import BOARD

LIMIT_S: Final = 60.0
_THEIRS: Final = b"theirs, and nobody else's\n"
_HELPER: Final = "logger.base.safe_files"


@dataclass(frozen=True)
class Doing:
    """``prepare`` makes what is needed in the folder it is in; ``act`` writes, and raises only BenchError or SystemExit.

    ``slow``: left to the benchmark; others make the same names by the same functions.
    """

    name: str
    act: Callable[[], object]
    prepare: Callable[[], object] = lambda: None
    slow: bool = False


@dataclass
class Outcome:
    """``touched``: what became of the files outside, empty: nothing. ``ended``: ``done``, ``refused`` in words, or a fault."""

    doing: str
    name: str
    kind: str
    touched: str = ""
    ended: str = "done"
    said: str = ""

    @property
    def is_clean(self) -> bool:
        return not self.touched and self.ended in ("done", "refused")


def from_command(*words: str) -> Callable[[], object]:
    """What the command line does."""

    def act() -> None:
        with patch.object(sys, "argv", ["drawbench", *words]):
            drawbench.main()

    return act


def _runs() -> None:
    for name in ("run", "other"):
        sound_run(Path("shelf") / name)


def _shot() -> None:
    _runs()
    Image.new("RGB", (8, 6), "red").save("shot.png")


def _edited() -> None:
    _shot()
    edit_run(Path("shelf/run"), Changes(title="new"), Photos(((Path("shot.png"), ""),)))


def _budget() -> None:
    _runs()
    Path("vest.toml").write_text(VEST_BUDGET.read_text(encoding="utf-8"), encoding="utf-8")


def _joints() -> None:
    rows = "".join(f"S{n},a,{900 + 40 * n},yes\n" for n in range(6))
    Path("joints.csv").write_text(f"specimen,group,cycles,failed\n{rows}")


def _meter() -> None:
    rows = "".join(f"{n};4.{50 - n};12{n}\n" for n in range(20)) + "x;y;z\n"
    Path("meter.txt").write_text(f"t (s);Voltage (V);Current (mA)\n{rows}")


CALIBRATION: Final = Calibration(
    "7F3A91C2", "INA219", 0.1, 3200.0, "2026-11-29T12:00:00+00:00", current=Line(1.0, 0.0, 1e-6, 1e-3, 0.0)
)  # fmt: skip


def _from_board() -> None:
    sound_run(Path("run"))
    describe(Path("run"), board=BOARD.board, sensor=BOARD.sensor, state="ended")


def _attach() -> None:
    assert BOARD.board is not None
    assert BOARD.sensor is not None
    fits = Calibration(
        BOARD.board.board, BOARD.sensor.kind, BOARD.sensor.shunt_ohm or 0.1, BOARD.sensor.range_ma,
        "2026-11-29T12:00:00+00:00", current=CALIBRATION.current,
    )  # fmt: skip
    attach.attach(Path("run"), [fits], forced=True)


def _record(*, resume: bool) -> None:
    writer = SampleWriter(Path("run"), resume=resume)
    try:
        for number in range(5):
            writer.append(row(number).encode())
        writer.sync()
    finally:
        writer.close()


def _flex_record(*, resume: bool) -> None:
    folder = Path("rig")
    writer = FlexWriter(folder, lambda: 0.0, resume=resume)
    try:
        writer.append(b"1,1.0,1,S1,1.0,1.0,1.0,1.0,0,0.0\r\n")
    finally:
        writer.close()


def _remember() -> None:
    """As ``simulate --memory`` does, which serves a board for ever in between."""
    try:
        save_eeprom(Path("board.json"), load_eeprom(Path("board.json")))
    except (OSError, ValueError) as error:
        raise BenchError(str(error)) from error


def _recorded() -> None:
    Path("run").mkdir()
    _record(resume=False)


def _flexed() -> None:
    Path("rig").mkdir()
    _flex_record(resume=False)


MOMENT: Final = Moment(1000.0, 500.0, 1_800_000_000.0)
DOINGS: Final = (
    Doing("rundown", from_command("rundown", "shelf/run"), _runs),
    Doing("report", from_command("report", "shelf/run"), _runs, slow=True),
    Doing("sheet", from_command("sheet", "shelf/run"), _runs),
    Doing("pictures", from_command("pictures", "shelf/run", "--format", "svg"), _runs),
    Doing("compare", from_command("compare", "shelf/run", "shelf/other"), _runs),
    Doing("list --csv", from_command("list", "shelf", "--csv", "out.csv"), _runs),
    Doing("list --overview", from_command("list", "shelf", "--overview", "page"), _runs),
    Doing("edit", from_command("edit", "shelf/run", "--title", "new", "--photo", "shot.png"), _shot),
    Doing("edit --undo", from_command("edit", "shelf/run", "--undo"), _edited),
    Doing("edit --name", from_command("edit", "shelf/run", "--name", "newer"), _runs),
    Doing("budget new", from_command("budget", "new", "mine.toml")),
    Doing("budget --pictures", from_command("budget", "vest.toml", "--pictures", "drawn"), _budget),
    Doing("flex new", from_command("flex", "new", "table.csv")),
    Doing("flex life", from_command("flex", "life", "joints.csv", "--cycles", "800", "--report", "page"), _joints),
    Doing("import", from_command("import", "meter.txt", "made", "--save-mapping", "how.toml"), _meter),
    Doing("firmware", from_command("firmware", "sketches")),
    Doing("board's memory", _remember),
    Doing("looks", lambda: write_looks(Path("joints.csv"), Looks()), _joints),
    Doing("calibration kept", lambda: store.add(Path("kept"), CALIBRATION)),
    Doing("calibration attached", _attach, _from_board),
    Doing("steps kept", lambda: steps.save_steps(Path("kept/steps.json"), [])),
    Doing("switch test", lambda: switch_trial.keep(Path("kept"), SwitchTest("7F3A91C2", MOMENT.utc, 200.0, 0.1, 4.0))),
    Doing("request", lambda: ask(Path("shelf/run"), MARK, "lights on", MOMENT), _runs),
    Doing("recording", lambda: _record(resume=False), lambda: Path("run").mkdir()),
    Doing("recording resumed", lambda: _record(resume=True), _recorded),
    Doing("flex recording", lambda: _flex_record(resume=False), lambda: Path("rig").mkdir()),
    Doing("flex recording resumed", lambda: _flex_record(resume=True), _flexed),
    Doing("flex description", lambda: _describe(Path("rig"), FlexDescription(())), _flexed),
)  # fmt: skip


@dataclass
class Trace:
    """What is announced while it is open: paths, and the modules that asked for them."""

    paths: list[str] = field(default_factory=list)
    modules: set[str] = field(default_factory=set)


_OPEN: list[Trace] = []
_HOOKED: list[bool] = []


def _hear(event: str, told: tuple[Any, ...]) -> None:
    if event != MADE or not _OPEN:
        return
    trace = _OPEN[-1]
    trace.paths.append(str(told[0]))
    frame = sys._getframe(1)
    while frame is not None and frame.f_globals.get("__name__") in (
        _HELPER,
        "contextlib",
        __name__,
    ):
        frame = frame.f_back  # type: ignore[assignment]
    if frame is not None:
        trace.modules.add(str(frame.f_globals.get("__name__")))


@contextmanager
def heard() -> Iterator[Trace]:
    """Everything that the program makes meanwhile."""
    if not _HOOKED:
        sys.addaudithook(_hear)  # for ever: there is no way back
        _HOOKED.append(True)
    trace = Trace()
    _OPEN.append(trace)
    try:
        yield trace
    finally:
        _OPEN.remove(trace)


# What can be planted. ``theirs``: a file outside; ``folder``: a folder outside.
def _second_name(path: Path, theirs: Path) -> None:
    os.link(theirs, path)


def _read_only(path: Path, theirs: Path) -> None:
    path.write_bytes(b"read only")
    path.chmod(0o400)


def _only(plant: Callable[[Path], None]) -> Callable[[Path, Path], None]:
    return lambda path, _: plant(path)


KINDS: Final[dict[str, Callable[[Path, Path], None]]] = {
    "link": lambda path, theirs: path.symlink_to(theirs),
    "link-to-new": lambda path, theirs: path.symlink_to(theirs.with_name("new")),
    "link-to-folder": lambda path, theirs: path.symlink_to(theirs.parent),
    "second-name": _second_name,
    "read-only": _read_only,
    **{
        name: _only(plant)
        for name, plant in STRANGE.items()
        if name in ("pipe", "folder", "socket", "device")
    },
}


class _TooLongError(BaseException):
    pass


@contextmanager
def _at_most(seconds: float) -> Iterator[None]:
    """Raises in the middle of what hangs; only the main thread can do so."""

    def ring(*_: object) -> None:
        raise _TooLongError

    assert threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@contextmanager
def _inside(work: Path) -> Iterator[None]:
    """In a fresh folder, with nobody's configuration, without the time that drawing takes."""
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir(parents=True)
    here = Path.cwd()
    os.chdir(work)

    def draw(_: object, stream: Any, **__: object) -> None:
        stream.write(b"<svg/>")

    variables = {FOLDER_VARIABLE: str(work / "config")}
    try:
        with patch.dict(os.environ, variables), patch("matplotlib.figure.Figure.savefig", draw):
            yield
    finally:
        os.chdir(here)


def names_of(doing: Doing, work: Path) -> Trace:
    """What it makes when nobody has planted anything, by paths inside ``work``. Raises AssertionError if it fails."""
    with _inside(work):
        doing.prepare()
        with heard() as trace:
            ended, said = ended_of(doing.act)
    assert ended == "done", (doing.name, ended, said)
    assert trace.paths, doing.name
    inside = (os.path.relpath(work / path, work) for path in trace.paths)
    trace.paths = sorted({path for path in inside if not path.startswith("..")})
    return trace


def planted(doing: Doing, name: str, kind: str, place: Path) -> Outcome:
    """Do it with something planted under ``name``."""
    outcome = Outcome(doing.name, name, kind)
    outside, work = place / "outside", place / "work"
    shutil.rmtree(outside, ignore_errors=True)
    (outside / "home").mkdir(parents=True)
    theirs = outside / "home" / "theirs.txt"
    theirs.write_bytes(_THEIRS)
    theirs.chmod(0o640)
    with _inside(work):
        doing.prepare()
        path = work / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        path.unlink(missing_ok=True)
        KINDS[kind](path, theirs)
        before = _state(outside)
        outcome.ended, outcome.said = ended_of(doing.act)
        after = _state(outside)
        left = [str(item.relative_to(work)) for item in work.rglob(".drawbench-*.new")]
    if before != after:
        outcome.touched = f"{before} -> {after}"
    elif left:
        outcome.touched = f"left behind: {left}"
    return outcome


def ended_of(act: Callable[[], object]) -> tuple[str, str]:
    """How it ended (``done``: well, ``refused``: in words), and what was said."""
    out = StringIO()
    try:
        with _at_most(LIMIT_S), redirect_stdout(out), redirect_stderr(out):
            act()
    except _TooLongError:
        return "hung", out.getvalue()
    except BenchError as error:
        return "refused", str(error)
    except SystemExit as ended:
        if ended.code == 2:
            return "refused", out.getvalue()
        if ended.code:
            return f"exit code {ended.code}", out.getvalue()
    except Exception as error:  # noqa: BLE001 (told as what it is)
        return f"raised {type(error).__name__}: {error}", out.getvalue()
    return "done", out.getvalue()


def _state(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Mode and content of everything in it."""
    found: dict[str, tuple[int, bytes]] = {}
    for item in sorted(folder.rglob("*")):
        mode = item.lstat().st_mode
        content = b""
        if stat.S_ISREG(mode):
            with suppress(OSError):
                content = item.read_bytes()
        found[str(item.relative_to(folder))] = (mode, content)
    return found
