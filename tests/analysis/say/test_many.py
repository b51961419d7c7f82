"""The same to many: order, failures by name, killed processes, Ctrl-C; and what is said of how far it is."""

import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import psutil
import pytest

from analysis.say.many import Done, do_to_all
from analysis.say.progress import Progress, left_words
from logger.base.errors import BenchError
from tests.support.places import ROOT

IN_PROCESSES = 100.0  # s each: long enough to be worth it


class OtherError(BenchError):
    """As some rooms have them: made of more, so that pickle alone could not carry it."""

    def __init__(self, happened: str, readings: list[str]) -> None:
        super().__init__(happened, evidence=" or ".join(readings))


def square(number: int) -> int:
    if number < 0:
        raise BenchError("Negative.", evidence=str(number), next_step="take another.")
    return number * number


def where(_: int) -> int:
    return os.getpid()


def killed_on_three(mark: Path, number: int) -> int:
    if number == 3:
        (mark / f"{os.getpid()}").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def killed_once(mark: Path, number: int) -> int:
    """As by a system short of memory while another one ran beside it."""
    if number == 1 and not (mark / "killed").exists():
        (mark / "killed").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def other_errors(number: int) -> int:
    if number == 0:
        raise OtherError("Which?", ["this", "that"])
    if number == 1:
        raise ZeroDivisionError("by nothing")
    raise MemoryError


def said(found: list[Done[int, int]]) -> list[int | str | None]:
    return [item.result if item.error is None else item.error.happened for item in found]


@pytest.mark.parametrize("cores", [1, pytest.param(2, marks=pytest.mark.real_time)])
def test_the_order_is_kept_and_one_that_fails_costs_no_other(cores: int) -> None:
    found = do_to_all(square, [3, -1, 2, 5], each_s=IN_PROCESSES, cores=cores)
    assert said(found) == [9, "Negative.", 4, 25]
    assert [item.thing for item in found] == [3, -1, 2, 5]
    error = found[1].error
    assert error is not None
    assert (error.evidence, error.next_step) == ("-1", "take another.")


def test_little_work_starts_no_process() -> None:
    assert {item.result for item in do_to_all(where, range(8), each_s=0.01)} == {os.getpid()}
    assert {item.result for item in do_to_all(where, [1], each_s=IN_PROCESSES)} == {os.getpid()}


@pytest.mark.real_time
def test_much_work_is_done_elsewhere_with_our_environment_as_it_was() -> None:
    before = dict(os.environ)
    found = {item.result for item in do_to_all(where, range(6), each_s=IN_PROCESSES, cores=2)}
    assert os.getpid() not in found
    assert 1 <= len(found) <= 2
    assert dict(os.environ) == before


@pytest.mark.parametrize("cores", [1, pytest.param(2, marks=pytest.mark.real_time)])
def test_every_kind_of_error_is_told(cores: int) -> None:
    found = do_to_all(other_errors, range(3), each_s=IN_PROCESSES, cores=cores)
    happened = ["Which?", "A fault of the program itself.", "There was not enough memory for it."]
    assert said(found) == happened
    assert [item.error.evidence for item in found if item.error][:2] == ["this or that", "ZeroDivisionError: by nothing"]  # fmt: skip


@pytest.mark.real_time
def test_the_one_whose_process_is_killed_is_named_and_the_rest_done(tmp_path: Path) -> None:
    work = partial(killed_on_three, tmp_path)
    found = do_to_all(work, range(7), each_s=IN_PROCESSES, cores=2)
    assert [item.thing for item in found if item.error] == [3]
    assert [item.result for item in found if not item.error] == [0, 1, 2, 4, 5, 6]
    assert found[3].error is not None
    assert "ended from outside" in str(found[3].error)
    # Once more alone, that is the last; what its pool had not yet handed over may be tried before it.
    assert 2 <= len(list(tmp_path.iterdir())) <= 4


@pytest.mark.real_time
def test_one_that_is_killed_beside_another_is_done_alone(tmp_path: Path) -> None:
    work = partial(killed_once, tmp_path)
    found = do_to_all(work, range(4), each_s=IN_PROCESSES, cores=2)
    assert said(found) == [0, 1, 2, 3]


class Steady:
    """A clock that is set by hand, s."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


# A thing that takes long and cleans up after itself; Ctrl-C reaches the whole terminal, or only the one asked.
_SLEEPER = """
import time
from tempfile import TemporaryDirectory

def slow(folder):
    with TemporaryDirectory(dir=folder):
        (folder / "begun").touch()
        time.sleep(60)
"""
# Without the usual guard against being run again.
_STARTED = """
import sys
from pathlib import Path
from analysis.say.many import do_to_all
from sleeper import slow

do_to_all(slow, [Path(sys.argv[1])] * 5, each_s=100, cores=2)
"""


@pytest.mark.real_time
@pytest.mark.parametrize("how", ["terminal", "one", "kill"])
def test_ctrl_c_ends_all_at_once_and_nothing_lingers(tmp_path: Path, how: str) -> None:
    script, place = tmp_path / "script" / "started.py", tmp_path / "place"
    script.parent.mkdir()
    place.mkdir()
    script.write_text(_STARTED, encoding="utf-8")
    script.with_name("sleeper.py").write_text(_SLEEPER, encoding="utf-8")
    # What stands in the folder that somebody works in takes the place of no module.
    (tmp_path / "pickle.py").write_text(f"open({str(place / 'ran')!r}, 'w')\n", encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-P", str(script), str(place)], cwd=tmp_path, start_new_session=True,
        stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join((str(ROOT), str(script.parent)))},
    )  # fmt: skip
    end_s = time.monotonic() + 30
    while not (place / "begun").exists():
        assert time.monotonic() < end_s
        time.sleep(0.02)
    children = psutil.Process(process.pid).children()
    if how == "terminal":
        os.killpg(process.pid, signal.SIGINT)
    else:
        process.send_signal(signal.SIGINT if how == "one" else signal.SIGKILL)
    _, told = process.communicate(timeout=20)
    _, alive = psutil.wait_procs(children, timeout=20)
    assert alive == []
    assert told.count("Traceback") == (0 if how == "kill" else 1), told
    left = {item.name for item in place.iterdir()} - {"begun"}
    assert how == "kill" or left == set(), left
    assert "ran" not in left


def test_a_line_now_and_then_where_there_is_no_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    clock = Steady()
    progress = Progress("report", terminal=False, steady=clock)
    with progress.of(50):
        for done in range(50):
            clock.now_s = 2.0 * (done + 1)
            progress.step()
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines() == [
        "15 of 50 reports done, about 70 s left",
        "30 of 50 reports done, about 40 s left",
        "45 of 50 reports done, about 10 s left",
    ]


def test_nothing_is_promised_before_a_pace_is_known(capsys: pytest.CaptureFixture[str]) -> None:
    """The first may be a broken one, done at once."""
    clock = Steady()
    progress = Progress("report", terminal=False, steady=clock)
    with progress.of(8):
        for clock.now_s in (0.1, 90.0):
            progress.step()
        clock.now_s = 120.0
        progress.look()
        assert capsys.readouterr().err == ""
        clock.now_s = 150.0
        progress.step()
    assert capsys.readouterr().err == "3 of 8 reports done, about 4 min left\n"


def test_the_time_left_follows_a_slower_pace_and_does_not_jump(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Ten in 100 s, then ten seconds longer or shorter by turns, then a machine twice as slow."""
    clock = Steady()
    progress = Progress("report", terminal=False, steady=clock)
    steps = [*[10.0] * 10, *[5.0, 15.0] * 6, *[20.0] * 8]
    with progress.of(40):
        for step in steps:
            clock.now_s += step
            progress.step()
    lines = capsys.readouterr().err.splitlines()
    left = [int(line.split("about ")[1].split()[0]) for line in lines if "min" in line]
    steady = left[: next(place for place, line in enumerate(lines) if line.startswith("23"))]
    assert steady == sorted(steady, reverse=True), lines
    assert lines[-1] == "29 of 40 reports done, about 3 min left", "11 of 20 s each"


@pytest.mark.parametrize("options", [{"shown": False}, {}], ids=["hidden", "single"])
def test_silent_where_nothing_is_to_be_said(
    capsys: pytest.CaptureFixture[str], options: dict[str, bool]
) -> None:
    clock = Steady()
    progress = Progress("report", terminal=False, steady=clock, **options)
    with progress.of(3 if options else 1):
        clock.now_s = 100.0
        progress.look()
    assert capsys.readouterr() == ("", "")


def test_a_bar_on_a_terminal_is_gone_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    import io

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stderr", terminal := Terminal())
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    clock = Steady()
    progress = Progress("report", steady=clock)
    with progress.of(4):
        for clock.now_s in (20.0, 40.0, 60.0):
            progress.step()
        assert progress._bar is not None
        progress._bar.refresh()
    shown = terminal.getvalue()
    assert "4 reports:" in shown
    assert "3/4" in shown
    assert "about 20 s left" in shown
    assert shown.endswith("\x1b[2K"), "the line is empty again"


@pytest.mark.parametrize(
    ("left_s", "words"), [(0.3, "5 s"), (42.0, "40 s"), (89.0, "90 s"), (91.0, "2 min")]
)
def test_time_left_is_said_as_roughly_as_it_is_known(left_s: float, words: str) -> None:
    assert left_words(left_s) == words


def test_where_no_process_can_be_started_this_one_does_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError(11, "no more processes")

    monkeypatch.setattr("concurrent.futures.ProcessPoolExecutor.submit", refuse)
    found = do_to_all(square, [1, 2, -1], each_s=IN_PROCESSES, cores=2)
    assert said(found) == [1, 4, "Negative."]
