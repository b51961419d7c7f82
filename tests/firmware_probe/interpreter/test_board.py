"""The firmware in Python on the simulated bench: true to the bench's own pack, and recorded by the logger."""

import contextlib
import csv
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from drawbench import demo
from firmware_probe.commands.simulate import simulate
from firmware_probe.interpreter import process
from firmware_probe.interpreter.board import InterpreterBoard
from firmware_probe.line_format import command
from firmware_probe.twin.bench_text import load_from_text, pack_from_text, sensor_from_text
from tests.support.board_output import bodies
from tests.support.interpreter_bench import kinds, needs_interpreter
from tests.support.places import ROOT

pytestmark = [pytest.mark.firmware, needs_interpreter]


def made_with(sensor: str, memory: Path) -> InterpreterBoard:
    return InterpreterBoard(
        pack_from_text("3x AA alkaline", None),
        load_from_text("vest", 5),
        sensor_from_text(sensor, 0.1, 5, perfect=True),
        memory,
        seed=5,
    )


@pytest.fixture
def board(tmp_path: Path) -> Iterator[InterpreterBoard]:
    with contextlib.closing(made_with("ina219", tmp_path)) as made:
        yield made


def counters(sent: bytes) -> list[tuple[int, float, float]]:
    """(board time in us, mAh, mWh) of each window."""
    windows = (body.split(",") for body in kinds(bodies(sent), "w"))
    return [(int(fields[2]), float(fields[10]), float(fields[11])) for fields in windows]


@pytest.mark.parametrize("sensor", ["ina219", "ina226", "ina228"])
def test_it_counts_what_left_the_pack(tmp_path: Path, sensor: str) -> None:
    with contextlib.closing(made_with(sensor, tmp_path)) as board:
        board.advance(0)
        board.receive(command("load", "1") + command("start"))
        sent = board.advance(120_000_000)
    time_us, charge_mah, energy_mwh = counters(sent)[-1]
    share = time_us / board.life_us
    assert time_us > 119.7e6
    # A perfect sensor: one step of 0.1 mA of some 150 mA, and the end of the last window.
    assert charge_mah == pytest.approx(board.pack.charge_out_mah * share, rel=3e-3)
    assert energy_mwh == pytest.approx(board.pack.energy_out_mwh * share, rel=3e-3)
    assert not kinds(bodies(sent), "fault")
    assert len(kinds(bodies(sent), "own")) == (12 if sensor == "ina228" else 0)


def test_a_clone_of_an_ina228_is_measured_with_once_it_is_told(tmp_path: Path) -> None:
    with contextlib.closing(made_with("ina228-clone", tmp_path)) as board:
        sent = board.advance(2_000_000)
        assert ",sensor=none," in kinds(bodies(sent), "hello")[0]
        board.receive(command("sensor", "INA228"))
        sent = board.advance(3_000_000)
        assert kinds(bodies(sent), "sensor")[-1] == "sensor,told,0000.0000"
        assert ",sensor=INA228," in kinds(bodies(sent), "hello")[-1]
        assert ",range_ma=1638.4000,bus_range_v=85.000," in kinds(bodies(sent), "hello")[-1]
        # One conversion of 2.074 ms each of shunt and bus, 50 us of the temperature (TI SBOSA20), as it was then set up.
        assert board.circuit.sensor.pair_time_ns == 4_198_000


def test_its_own_cutoff_ends_the_discharge(board: InterpreterBoard) -> None:
    board.advance(0)
    board.receive(command("cutoff", "4.680000", "3000") + command("load", "1") + command("start"))
    sent = b"".join(board.advance(60_000_000) for _ in range(8))
    assert not board.load_closed
    assert kinds(bodies(sent), "load")[-1].endswith(",0,cutoff")
    given_mah = board.pack.charge_out_mah
    board.advance(60_000_000)
    assert board.pack.charge_out_mah == given_mah


def test_a_reset_is_another_start_of_the_same_board(board: InterpreterBoard) -> None:
    hellos = kinds(bodies(board.advance(2_000_000)), "hello")
    board.reset("watchdog")
    hellos += kinds(bodies(board.advance(2_000_000)), "hello")
    first, second = (dict(i.split("=") for i in body.split(",")[1:]) for body in hellos)
    assert first["board"] == second["board"]
    assert (first["boot"], second["boot"]) == ("1", "2")
    assert (first["cause"], second["cause"]) == ("power", "watchdog")
    assert first["firmware"].startswith("simulated-"), "never taken for a measurement"
    assert first["time_factor"] == "1"


@pytest.mark.real_time
@pytest.mark.skipif(sys.platform == "win32", reason="no ptys on this system")
def test_the_logger_records_it(tmp_path: Path) -> None:
    """Two processes, a port between them: every window is in the file, the counters go on without a step."""
    port = tmp_path / "port"
    play = [sys.executable, "-m", "drawbench", "simulate", "--firmware", "micropython"]
    play += ["--seed", "1", "--time-factor", "20", "--link", str(port)]
    with subprocess.Popen(play, cwd=ROOT, stdout=subprocess.PIPE, text=True) as player:
        assert player.stdout
        assert player.stdout.readline() == "Seed 1.\n"
        assert str(port) in player.stdout.readline()
        run = tmp_path / "run"
        record = [sys.executable, "-m", "drawbench", "log", str(run), "--port", str(port)]
        done = subprocess.run(
            [*record, "--for", "60s"], cwd=ROOT, capture_output=True, text=True, timeout=120
        )
        assert done.returncode == 0, done.stdout + done.stderr
        player.send_signal(signal.SIGINT)
        told = player.stdout.read()
    assert "pack gave" in told
    with (run / "samples.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row.get("sequence")]
    numbers = [int(row["sequence"]) for row in rows]
    assert len(numbers) >= 600
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    charge = [float(row["charge_mah"]) for row in rows]
    step = [float(row["current_ma"]) * 0.1 / 3600 for row in rows]
    assert charge[-1] - charge[0] == pytest.approx(sum(step[1:]), rel=2e-2)


def test_without_an_interpreter_it_says_where_one_is(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(process, "_MODULE", "no_such_module")
    monkeypatch.setattr("shutil.which", lambda _: None)
    result = CliRunner().invoke(simulate, ["--firmware", "micropython"])
    assert result.exit_code == 2
    assert process.PACKAGE in result.output
    folder = tmp_path / "demo"
    result = CliRunner().invoke(demo, [str(folder), "--firmware", "micropython"])
    assert result.exit_code == 2
    assert process.PACKAGE in result.output
    assert not folder.exists(), "refused before anything is made"


@pytest.mark.parametrize(
    "option",
    ["--faults=600:reset=watchdog", "--joints=solid", "--memory=m", "--sensor=ina226-clone"],
)
def test_what_only_the_model_plays_is_refused(option: str) -> None:
    result = CliRunner().invoke(simulate, ["--firmware", "micropython", option])
    assert result.exit_code == 2
    assert option.partition("=")[0] in result.output
