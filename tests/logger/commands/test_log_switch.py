"""``drawbench log`` and the load switch, as processes: welded, tripped, new, and worn memory."""

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.commands.probe import probe_command
from drawbench import cli
from firmware_probe.twin.eeprom import Eeprom, blank_eeprom
from firmware_probe.twin.faults import FaultPlayer, parse_script
from firmware_probe.twin.links import TcpLink
from firmware_probe.twin.load import ConstantCurrent, constant_load
from firmware_probe.twin.pack import IdealPack
from firmware_probe.twin.sensor import INA219, CurrentSensor
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.base.clock import read_clocks
from logger.board import switch_trial
from logger.run.switch_test import SwitchTest
from tests.support.log_process import read_described, read_table, run_log

pytestmark = [
    pytest.mark.real_time,
    pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals"),
]
Serve = Callable[..., BoardServer]


def serve(faults: str = "", *, eeprom: Eeprom | None = None, factor: float = 5.0) -> BoardServer:
    board = SimulatedBoard(
        IdealPack(4.5),
        constant_load(ConstantCurrent(0.2)),
        CurrentSensor(INA219),
        eeprom=eeprom or blank_eeprom("7F3A91C2"),
        faults=FaultPlayer(parse_script(faults)),
    )
    return BoardServer(board, TcpLink(), time_factor=factor)


def test_a_new_board_is_closed_recorded_opened_and_seen_to_open(tmp_path: Path) -> None:
    with serve() as server:
        done = run_log(tmp_path / "run", "--port", server.port, "--for", "5s", "--open-load", "--no-forecast")  # fmt: skip
        closed = server.ask(lambda: server.board.switch.is_closed)  # type: ignore[attr-defined]
    assert done.returncode == 0, done.stdout
    assert not closed
    assert "the load switch was open; it is closed for this run" in done.stdout
    test = read_described(tmp_path / "run").switch_test
    assert test is not None
    assert test.opened
    assert read_table(tmp_path / "run")[-1][0] == pytest.approx(5.0, abs=0.3)


@pytest.mark.parametrize("way", ["weld", "bridge"])
def test_a_switch_that_does_not_open_is_exit_code_4_and_shouted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    monkeypatch.setenv("DRAWBENCH_CONFIG_FOLDER", str(tmp_path))
    kept_at = switch_trial.tests_folder()
    switch_trial.keep(kept_at, SwitchTest("7F3A91C2", read_clocks().utc, 200.0, 0.3, 4.3))
    with serve(f"0:{way}=100000") as server:
        done = run_log(tmp_path / "run", "--port", server.port, "--for", "5s", "--open-load", "--no-forecast")  # fmt: skip
    assert done.returncode == 4, done.stdout
    assert "\a! run  THE LOAD SWITCH" in done.stdout, "with the bell"
    assert "THE LOAD SWITCH DOES NOT OPEN: 200 mA still flow. Take the cells out now" in done.stdout
    described = read_described(tmp_path / "run")
    assert "DOES NOT OPEN" in described.end_text
    faults = [event.text for event in described.events if event.kind == "fault"]
    assert any("but current still flows: 200 mA" in text for text in faults), "the board's word"
    assert any("the load switch does NOT open" in text for text in faults), "the logger's own"
    assert described.switch_test is not None
    assert described.switch_test.stuck
    kept = switch_trial.last_test(kept_at, "7F3A91C2")
    assert kept is not None
    assert kept.stuck, "what was seen before the run does not stand for the next night"
    for command in (["check"], ["rundown"], ["rundown", "--json"]):
        told = CliRunner().invoke(cli, [*command, str(tmp_path / "run")]).output
        assert "The load switch does NOT open: 200 mA still flow" in " ".join(told.split()), command


def test_after_a_cutoff_only_a_person_closes_it(tmp_path: Path) -> None:
    eeprom = Eeprom("7F3A91C2", 3, 2_700_000, 15_000, load_open=True, opened="cutoff")
    with serve(eeprom=eeprom) as server:
        refused = run_log(tmp_path / "run", "--port", server.port, "--for", "3s")
        still = server.ask(lambda: server.board.switch.is_closed)  # type: ignore[attr-defined]
        done = run_log(tmp_path / "run", "--port", server.port, "--for", "3s", "--close-load", "--no-forecast")  # fmt: skip
    assert refused.returncode == 2
    assert "opened its load switch at its cutoff of 2.7 V; it stays open until a person" in " ".join(refused.stderr.split())  # fmt: skip
    assert not still
    assert done.returncode == 0, done.stdout
    assert read_table(tmp_path / "run")[-1][7] == pytest.approx(200.0, rel=0.02)


def test_a_cutoff_of_an_earlier_run_never_stays_on_the_board(tmp_path: Path) -> None:
    eeprom = Eeprom("7F3A91C2", 3, 4_400_000, 15_000)
    with serve(eeprom=eeprom) as server:
        refused = run_log(tmp_path / "high", "--port", server.port, "--for", "3s", "--cutoff", "27")
        kept = server.ask(lambda: server.board.eeprom.cutoff_uv)  # type: ignore[attr-defined]
        done = run_log(tmp_path / "run", "--port", server.port, "--for", "3s", "--no-forecast")
        left = server.ask(lambda: server.board.eeprom.cutoff_uv)  # type: ignore[attr-defined]
    assert refused.returncode == 2
    said = " ".join(refused.stderr.split())
    assert "A cutoff of 27 V is above what the pack has now: 4.50 V" in said
    assert "2.7 V perhaps?" in said
    assert not (tmp_path / "high").exists()
    assert kept == 4_400_000, "what is refused reaches no board"
    assert done.returncode == 0, done.stdout
    assert "the cutoff of 4.4 V that an earlier run left on it is taken off" in " ".join(done.stdout.split())  # fmt: skip
    assert left == 0


def test_worn_memory_is_named_and_nothing_is_lost(tmp_path: Path) -> None:
    with serve("0:worn") as server:
        done = run_log(tmp_path / "run", "--port", server.port, "--for", "5s", "--pack", "3x AA alkaline", "--cutoff", "2.7", "--no-forecast")  # fmt: skip
    assert done.returncode == 0, done.stdout
    events = read_described(tmp_path / "run").events
    assert any("memory did not take a change" in event.text for event in events)
    rows = read_table(tmp_path / "run")
    assert [int(row[1]) for row in rows] == list(range(int(rows[0][1]), int(rows[-1][1]) + 1))


@pytest.mark.parametrize(("fault", "code"), [("", 0), ("0:weld=100000", 4)])
def test_probe_tests_the_switch_and_the_run_knows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str, code: int
) -> None:
    monkeypatch.setenv("DRAWBENCH_CONFIG_FOLDER", str(tmp_path / "config"))
    with serve(fault, factor=20.0) as server:
        before = CliRunner().invoke(probe_command, ["--port", server.port])
        tested = CliRunner().invoke(probe_command, ["--port", server.port, "--test-switch"])
        as_json = CliRunner().invoke(probe_command, ["--port", server.port, "--json"])
        run_log(tmp_path / "run", "--port", server.port, "--for", "3s", "--no-forecast")
    open_words = (
        "200 mA flow all the same" if fault else "Nobody has seen it open: add --test-switch"
    )
    assert open_words in " ".join(before.output.split())
    assert ("The night's run" in before.output) == (not fault)
    assert tested.exit_code == code, tested.output
    words = "does NOT open: 200 mA still flow" if fault else "The load switch opens: 200 mA before"
    assert words in " ".join(tested.output.split())
    assert " ".join(tested.output.split()).count("take the cells out now") == bool(fault)
    assert json.loads(as_json.output)["switch_test"]["opened"] == (not fault)
    kept = read_described(tmp_path / "run").switch_test
    assert kept is not None
    assert kept.opened == (not fault)


@pytest.mark.parametrize("options", [(), ("--json",)])
def test_current_through_an_open_switch_is_exit_code_4_without_a_test(
    options: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("DRAWBENCH_CONFIG_FOLDER", str(tmp_path))
    eeprom = Eeprom("7F3A91C2", 3, 0, 15_000, load_open=True)
    with serve("0:bridge", eeprom=eeprom) as server:
        result = CliRunner().invoke(probe_command, ["--port", server.port, *options])
    assert result.exit_code == 4, result.output
    assert "The load switch is open, and 200 mA flow all the same." in result.output
    assert "The night's run" not in result.output


def test_probe_says_that_the_cutoff_opened_it_and_what_closes_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("DRAWBENCH_CONFIG_FOLDER", str(tmp_path))
    eeprom = Eeprom("7F3A91C2", 3, 2_700_000, 15_000, load_open=True, opened="cutoff")
    with serve(eeprom=eeprom) as server:
        result = CliRunner().invoke(probe_command, ["--port", server.port])
    said = " ".join(result.output.split())
    assert (
        "opened the load switch at its cutoff, and only a person closes it. Next: put a fresh"
        in said
    )
    assert "add --test-switch" not in said, "that would be refused"
    assert f"drawbench start --port {server.port} --close-load" in said
    assert result.exit_code == 0
