"""drawbench start: questions, defaults, flags, wiring, and the run it begins."""

import shlex
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

import logger.commands.start as start
from firmware_probe.twin.bench_text import pack_from_text
from firmware_probe.twin.eeprom import blank_eeprom
from firmware_probe.twin.faults import FaultPlayer, parse_script
from firmware_probe.twin.links import TcpLink
from firmware_probe.twin.load import ConstantCurrent, constant_load
from firmware_probe.twin.sensor import INA219, CurrentSensor
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.base.errors import BenchError
from logger.base.pack import parse_pack
from logger.board.wiring_check import pack_doubts
from logger.recording.plan import Plan
from logger.run.format import SAMPLES_NAME
from tests.support.line_feeder import Feeder, FeederBoard

# Real processes, ports and time.
pytestmark = pytest.mark.real_time


@pytest.fixture
def planned(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Plan, dict[str, object]]]:
    """What would have been recorded; and questions are asked although nobody sits at a terminal."""
    seen: list[tuple[Plan, dict[str, object]]] = []

    def record(plan: Plan, **options: object) -> int:
        seen.append((plan, options))
        return 0

    monkeypatch.setattr(start, "run_plan", record)
    return seen


def ask(monkeypatch: pytest.MonkeyPatch, arguments: list[str], answers: str) -> Result:
    monkeypatch.setattr(start._Asker, "__init__", lambda self, asks: setattr(self, "asks", True))
    return CliRunner().invoke(start.start_command, arguments, input=answers)


def test_every_answer_has_a_default(
    monkeypatch: pytest.MonkeyPatch, planned: list[tuple[Plan, dict[str, object]]]
) -> None:
    result = ask(monkeypatch, ["--no-check"], "\n" * 7)
    assert result.exit_code == 0, result.output
    plan, options = planned[0]
    assert plan.pack == "3x AA alkaline"
    assert plan.cutoff_v == pytest.approx(2.4)  # 3 cells at the floor of 0.8 V
    assert plan.duration_s == 3 * 8 * 3600
    assert options["page"] is True
    assert options["lan"] is False
    assert "Stop at 0.8 V per cell" in result.output


def test_wrong_answers_are_asked_again_and_a_cutoff_below_the_floor_is_refused(
    monkeypatch: pytest.MonkeyPatch, planned: list[tuple[Plan, dict[str, object]]]
) -> None:
    answers = "Vest\n4 bananas\n1S LiPo 0,5Ah\nsoon\n6\n5h30\n2.5\n4.2\nlow\n3,3 V\n\n\nja\n"
    result = ask(monkeypatch, ["--no-check"], answers)
    assert result.exit_code == 0, result.output
    assert "is not understood" in result.output
    assert "is not a length of time" in result.output
    assert "below the floor" in result.output
    assert "'low' is not understood: write 2.7" in result.output
    assert "That is 1x pouch li-ion 500 mAh." in result.output
    assert "6h, 6min or 6s?\n" in result.output
    assert "drawbench log --below-floor if" in result.output  # there is no such option here
    assert "4.2 V is as high as a full pack" in result.output
    assert "That is 5 h 30 min." in result.output
    assert "That is 3.3 V." in result.output
    assert "Protected cell only" in result.output
    assert planned[0][0].cutoff_v == pytest.approx(3.3)
    assert planned[0][0].title == "Vest"


@pytest.mark.parametrize(
    ("extra", "said"),
    [
        (["--protected"], "the protection circuit inside of them"),
        (["--attended"], "stay with them"),
    ],
)
def test_lithium_at_night_needs_something_that_stops_it(
    planned: list[tuple[Plan, dict[str, object]]], extra: list[str], said: str
) -> None:
    arguments = ["--yes", "--no-check", "--pack", "1x li-ion"]
    result = CliRunner().invoke(start.start_command, arguments)
    assert isinstance(result.exception, BenchError)
    assert "a load switch that was seen to open" in str(result.exception)
    assert "Local codes" in str(result.exception)
    assert planned == []
    result = CliRunner().invoke(start.start_command, [*arguments, *extra])
    assert result.exit_code == 0, result.output
    assert said in " ".join(result.output.split())
    assert "Local codes" in result.output


@pytest.mark.parametrize("fault", ["", "0:weld=100000", "0:bridge=100000"])
def test_the_switch_is_tested_before_a_lithium_night(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    planned: list[tuple[Plan, dict[str, object]]],
    fault: str,
) -> None:
    monkeypatch.setenv("DRAWBENCH_CONFIG_FOLDER", str(tmp_path))
    board = SimulatedBoard(
        pack_from_text("li-ion", 2000.0),
        constant_load(ConstantCurrent(0.2)),
        CurrentSensor(INA219),
        faults=FaultPlayer(parse_script(fault)),
        eeprom=blank_eeprom("7F3A91C2"),
    )
    with BoardServer(board, TcpLink(), time_factor=10.0) as server:
        arguments = ["--yes", "--pack", "1x li-ion", "--port", server.port, "--cutoff", "3.2"]
        untested = CliRunner().invoke(start.start_command, arguments)
        assert "was never seen to open" in str(untested.exception)
        result = CliRunner().invoke(start.start_command, [*arguments, "--test-switch"])
    if fault:
        assert "does NOT open: 200 mA still flow" in str(result.exception)
        assert "a second way from the piece to ground" in " ".join(result.output.split())
        assert planned == []
    else:
        assert result.exit_code == 0, (result.output, result.exception)
        assert "The load switch opens: 200 mA before" in result.output
        assert len(planned) == 1


@pytest.mark.parametrize("answer", ["y", "n"])
def test_at_the_terminal_the_switch_is_tested_with_consent_only(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    planned: list[tuple[Plan, dict[str, object]]],
    answer: str,
) -> None:
    monkeypatch.setenv("DRAWBENCH_CONFIG_FOLDER", str(tmp_path))
    board = SimulatedBoard(
        pack_from_text("3x AA alkaline", None),
        constant_load(ConstantCurrent(0.2)),
        CurrentSensor(INA219),
    )
    with BoardServer(board, TcpLink(), time_factor=10.0) as server:
        # piece, pack, need, cutoff, load, understood, wired; then the switch
        result = ask(monkeypatch, ["--port", server.port], "\n" * 7 + f"{answer}\n")
    assert "May the load switch be opened for a second" in result.output, result.output
    assert ("The load switch opens: 200 mA before" in result.output) == (answer == "y")
    assert len(planned) == 1, "cells that need no switch are recorded either way"
    assert board.switch.is_closed, "left as it was"


def test_no_to_the_caution_records_nothing(
    monkeypatch: pytest.MonkeyPatch, planned: list[tuple[Plan, dict[str, object]]]
) -> None:
    result = ask(monkeypatch, ["--no-check"], "\n\n\n\n\nn\n")
    assert result.exit_code == 1
    assert planned == []


def test_the_shown_command_parses_to_the_same_plan(
    monkeypatch: pytest.MonkeyPatch, planned: list[tuple[Plan, dict[str, object]]]
) -> None:
    import logger.commands.log as commands_log

    arguments = ["run", "--yes", "--no-check", "--title", "Anna's vest", "--need", "90min", "--capacity", "2400", "--part-used", "--lan", "--port", "/dev/x"]  # fmt: skip
    result = CliRunner().invoke(start.start_command, arguments, catch_exceptions=False)
    line = next(line for line in result.output.splitlines() if "drawbench log" in line)
    again: list[tuple[Plan, dict[str, object]]] = []

    def record(plan: Plan, **options: object) -> int:
        again.append((plan, options))
        return 0

    monkeypatch.setattr(commands_log, "run_plan", record)
    CliRunner().invoke(commands_log.log, shlex.split(line)[2:], catch_exceptions=False)
    # Into a folder of its own: a run is never written over another.
    assert again[0][0] == replace(planned[0][0], folder=Path("run-again"), cautioned=False)
    assert again[0][1]["lan"] == planned[0][1]["lan"] is True
    assert again[0][1]["page"] is True


def test_a_pack_that_does_not_fit_is_said_before_the_night(tmp_path: Path) -> None:
    pack = parse_pack("3x AA alkaline")
    assert pack_doubts(4.6, pack, 2.7) == []
    assert "4 cells would fit" in pack_doubts(6.1, pack, 2.7)[0]
    assert "below the cutoff" in pack_doubts(2.5, pack, 2.7)[0]
    assert "used cells" in pack_doubts(3.9, pack, 2.7)[0]
    with Feeder(FeederBoard(start_v=6.2), tmp_path) as feeder:
        arguments = [str(tmp_path / "run"), "--yes", "--need", "1s", "--port", str(feeder.port), "--no-page", "--cutoff", "2.7"]  # fmt: skip
        result = CliRunner().invoke(start.start_command, arguments)
    assert result.exit_code == 0, result.output
    assert "The board sees 6.20 V and 50.0 mA." in result.output
    assert "4 cells would fit" in " ".join(result.output.split())
    assert len(pd.read_csv(tmp_path / "run" / SAMPLES_NAME)) == 3  # 1 s windows, three times 1 s


def test_without_a_board_nothing_is_written(tmp_path: Path) -> None:
    arguments = [str(tmp_path / "run"), "--yes", "--port", str(tmp_path / "none")]
    result = CliRunner().invoke(start.start_command, arguments)
    assert isinstance(result.exception, BenchError)
    assert not (tmp_path / "run").exists()
