"""The forecast beside a recording: in the terminal's words, in the run's record, gone when the run is over."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest

from firmware_probe.twin.faults import Fault, FaultPlayer
from firmware_probe.twin.load import Resistor, constant_load
from firmware_probe.twin.sensor import INA219, CurrentSensor
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.vest import vest_board, vest_pack
from logger.recording import forecast_beside
from logger.recording.beside import Restarts
from logger.recording.forecast_beside import ForecastProcess, foreseen_of
from logger.recording.outlook import Foreseen
from logger.run.description import Event
from logger.run.format import DESCRIPTION_NAME
from logger.run.reader import read_run
from tests.support.log_process import LogProcess, environment, read_described
from tests.support.slowing_clock import served_for_a_forecast

# Libraries load slowly on a busy machine.
PATIENCE_S = 130.0

pytestmark = [
    pytest.mark.real_time,
    pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals"),
]


def test_lines_that_are_none_are_no_forecast() -> None:
    line = {"as_of_s": 60, "end_s": 100.0, "lower_s": 90.0, "upper_s": 120.0, "text": "soon"}
    assert foreseen_of(json.dumps(line).encode()) == Foreseen(60.0, 100.0, 90.0, 120.0, "soon")
    for bad in (b"", b"{}\n", b"[1]\n", b'{"as_of_s": null}\n', b"\xff\xfe\n"):
        assert foreseen_of(bad) is None


def test_forecast_stands_in_the_terminal_and_in_the_record(tmp_path: Path) -> None:
    """The forecast of a vest's end is shown and written down."""
    board = vest_board(window_us=5_000_000)
    folder = tmp_path / "run"
    with served_for_a_forecast(board) as server:
        process = subprocess.Popen(
            [
                sys.executable, "-m", "drawbench", "log", str(folder), "--port", server.port,
                "--pack", "3x AA alkaline", "--cutoff", "2.7", "--hold", "60s", "--plain",
            ],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env=environment(),
        )  # fmt: skip
        end_s = time.monotonic() + PATIENCE_S
        noted: list[Event] = []
        while time.monotonic() < end_s and not noted:
            time.sleep(0.2)
            if (folder / "samples.csv-metadata.json").exists():
                events = (
                    read_run(folder).description.events
                    if (folder / "samples.csv").stat().st_size > 500
                    else ()
                )
                noted = [event for event in events if event.kind == "forecast"]
        children = _children(process.pid)
        process.send_signal(signal.SIGINT)
        output, _ = process.communicate(timeout=30)
    assert process.returncode == 0, output
    assert noted, output
    assert noted[0].text.startswith("cutoff 2.7 V at about")
    assert children
    assert not any(_alive(child) for child in children)


@pytest.mark.parametrize("page", [(), ("--page",)], ids=["terminal", "page"])
def test_a_bad_contact_is_told_once_and_stands_in_the_record(
    tmp_path: Path, page: tuple[str, ...]
) -> None:
    """LEDs behind resistors, and a holder whose spring lets go for 8 s every half hour."""
    falls = tuple(Fault(number * 1_800_000_000, "holder", 8.0) for number in range(1, 40))
    board = SimulatedBoard(
        vest_pack(),
        constant_load(Resistor(40.0)),
        CurrentSensor(INA219, shunt_ohm=0.1),
        window_us=2_000_000,
        faults=FaultPlayer(falls),
    )
    folder = tmp_path / "run"
    told = "bad contact at the pack or the probe"
    with served_for_a_forecast(board, 800.0) as server:
        process = subprocess.Popen(
            [
                sys.executable, "-m", "drawbench", "log", str(folder), "--port", server.port,
                "--pack", "3x AA alkaline", "--for", "20h", "--plain", *page,
            ],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env=environment(),
        )  # fmt: skip
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            time.sleep(0.2)
            description = folder / "samples.csv-metadata.json"
            if description.exists() and told in description.read_text(encoding="utf-8"):
                break
        process.send_signal(signal.SIGINT)
        output, _ = process.communicate(timeout=30)
    assert process.returncode == 0, output
    events = read_run(folder).description.events
    assert [event.kind for event in events].count("warning") == 1, output
    assert output.count(told) == 1


def test_the_follower_ends_when_its_recording_is_gone(tmp_path: Path) -> None:
    """Killed loggers close its standard input; it must not stay behind."""
    (tmp_path / "run").mkdir()
    process = subprocess.Popen(
        [sys.executable, "-m", "drawbench", "forecast", str(tmp_path / "run"), "--follow", "--json"],
        stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, env=environment(),
    )  # fmt: skip
    assert process.stdin is not None
    process.stdin.close()
    assert process.wait(timeout=30) == 0


def _children(pid: int) -> list[int]:
    path = Path(f"/proc/{pid}/task/{pid}/children")
    if not path.exists():
        pytest.skip("this system does not list children")
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return [int(word) for task in tasks for word in (task / "children").read_text().split()]


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return Path(f"/proc/{pid}/stat").read_text().split()[2] != "Z"


def test_with_a_page_the_forecast_is_made_only_there(tmp_path: Path) -> None:
    """The page's forecast stands in the run's record; a page that is killed comes again, and makes it still."""
    board = vest_board(window_us=5_000_000)
    folder = tmp_path / "run"
    plan = ("--pack", "3x AA alkaline", "--cutoff", "2.7", "--hold", "60s", "--plain", "--page")
    with served_for_a_forecast(board) as server:
        log = LogProcess(folder, folder, "--port", server.port, *plan)
        try:
            _wait_for(lambda: bool(_forecasts(folder)))
            children = {child: _command(child) for child in _children(log.process.pid)}
            assert ["watch" in command for command in children.values()] == [True], children
            os.kill(next(iter(children)), signal.SIGKILL)
            _wait_for(lambda: any("--again" in _command(c) for c in _children(log.process.pid)))
            assert not any("forecast" in _command(c) for c in _children(log.process.pid))
        finally:
            output = log.end(60)
    assert log.process.returncode == 0, output
    assert _forecasts(folder)[0].startswith("cutoff 2.7 V at about")
    assert (
        "The page's program has ended by itself (signal 9) and is started again (1 of at" in output
    )


class _Fake:
    """A recorder as the forecast sees it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.view = SimpleNamespace(
            status=SimpleNamespace(time_s=100.0), foreseen=Foreseen(90.0, 1.0, 1.0, 1.0, "soon")
        )
        self.session = SimpleNamespace(done=threading.Event(), note=lambda *words: None)


def test_a_forecast_that_dies_is_started_three_times_then_said_to_stay_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dies = [sys.executable, "-c", "import os; os.kill(os.getpid(), 9)"]
    monkeypatch.setattr(forecast_beside, "drawbench_command", lambda *words: dies)
    now = iter(range(0, 10_000, 40))
    monkeypatch.setattr(forecast_beside, "Restarts", lambda: Restarts(lambda: float(next(now))))
    recorder = _Fake(tmp_path / "vest night")
    process = ForecastProcess(recorder, lambda: False)  # type: ignore[arg-type]
    said: list[str] = []
    end_s = time.monotonic() + 20
    while len(said) < 4 and time.monotonic() < end_s:
        process.turn(said.append)
        time.sleep(0.01)
    for _ in range(20):
        process.turn(said.append)
    assert [text.split("(signal 9) ")[1].split(".")[0] for text in said] == [
        "and is started again (1 of at most 3)",
        "and is started again (2 of at most 3)",
        "and is started again (3 of at most 3)",
        "and stays down after 3 new starts",
    ]
    assert "drawbench forecast" in said[3]
    assert "vest night' --follow" in said[3]
    assert recorder.view.foreseen is None, "an old forecast would go on as if it were new"
    process.close()


def test_a_forecast_that_has_come_to_its_end_is_not_started_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        forecast_beside, "drawbench_command", lambda *words: [sys.executable, "-c", ""]
    )
    process = ForecastProcess(_Fake(tmp_path), lambda: False)  # type: ignore[arg-type]
    said: list[str] = []
    end_s = time.monotonic() + 1.0
    while time.monotonic() < end_s:
        process.turn(said.append)
        time.sleep(0.02)
    assert said == []
    process.close()


def _wait_for(what: Callable[[], bool], patience_s: float = PATIENCE_S) -> None:
    end_s = time.monotonic() + patience_s
    while not what():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.2)


def _forecasts(folder: Path) -> list[str]:
    if not (folder / DESCRIPTION_NAME).exists():
        return []
    return [event.text for event in read_described(folder).events if event.kind == "forecast"]


def _command(pid: int) -> list[str]:
    try:
        return Path(f"/proc/{pid}/cmdline").read_text().split("\0")
    except OSError:
        return []
