"""``drawbench conform`` as a command: on a port, on the sketch, its exit codes."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result

from firmware_probe.twin.links import best_link
from firmware_probe.twin.serve import BoardServer
from logger.base.errors import BenchError
from logger.commands import conform
from logger.commands.conform import _may_switch, conform_command
from tests.support.conform_bench import AnyBoard, PlayedWire, twin
from tests.support.firmware_sim.bench import Script, live_bench
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch
from tests.support.places import ROOT
from tests.support.spoiled_habits import Unglued

CURRENT = ("pack-v 4.6", "pack-ohm 0.5", "load-ohm 100", "load-noise 0.3 5")


def told(port: str, *options: str) -> tuple[int, dict[str, Any]]:
    """The command as a process of its own, so that nothing of the test's is in the way."""
    words = [sys.executable, "-m", "drawbench", "conform", port, "--json", *options]
    done = subprocess.run(
        words, cwd=ROOT, capture_output=True, text=True, timeout=200, stdin=subprocess.DEVNULL
    )
    assert done.stdout.startswith("{"), done.stderr
    return done.returncode, json.loads(done.stdout)


def names(found: dict[str, Any], result: str) -> set[str]:
    return {rule["rule"] for rule in found["rules"] if rule["result"] == result}


@pytest.mark.real_time
def test_the_simulated_board_on_a_port() -> None:
    """Opened again it resets, as many boards do: no DTR on this port."""
    with BoardServer(twin(), best_link(), reset_on_open=True) as server:
        code, found = told(server.port, "--unplugged")
    assert names(found, "broken") == set()
    assert code == 0
    assert {"boot-counts", "board-clock", "load-opens", "cutoff-trips"} <= names(found, "passed")
    assert found["hello"]["sensor"] == "INA219"


def invoked(monkeypatch: pytest.MonkeyPatch, board: AnyBoard, *options: str) -> Result:
    """The command on a played board. The port is the test's above."""
    wire = PlayedWire(board)
    clock = SimpleNamespace(monotonic=lambda: wire.now_s, sleep=lambda _: None)
    monkeypatch.setattr(conform, "open_link", lambda *_: wire)
    monkeypatch.setattr(conform, "time", clock)
    return CliRunner().invoke(conform_command, ["/dev/board", *options])


def test_a_broken_rule_is_exit_code_1_and_the_switch_is_left_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nobody is there to be asked whether the piece is unplugged."""
    result = invoked(monkeypatch, Unglued())
    assert result.exit_code == 1, result.output
    assert "rules is broken." in result.stdout.splitlines()[0]
    assert "BROKEN hello-lf" in result.stdout
    assert "unplug the piece" in " ".join(result.stdout.split())
    assert result.stdout.rstrip().splitlines()[-1] == "  drawbench conform /dev/board"


@pytest.mark.parametrize(
    ("make", "options", "step"),
    [
        (Unglued, ("--baud", "9600"), "conform /dev/board --baud 9600"),
        (Unglued, ("--unplugged",), "conform /dev/board --unplugged"),
        (twin, ("--baud", "9600", "--details"), "probe --port /dev/board --baud 9600"),
    ],
)
def test_the_next_step_reaches_the_board_as_this_one_did(
    monkeypatch: pytest.MonkeyPatch,
    make: Callable[[], AnyBoard],
    options: tuple[str, ...],
    step: str,
) -> None:
    result = invoked(monkeypatch, make(), *options)
    assert result.stdout.rstrip().splitlines()[-1] == f"  drawbench {step}"


@pytest.mark.firmware
@needs_toolchain
def test_the_sketch_keeps_every_rule(tmp_path: Path) -> None:
    """The real sketch on the simulated chip, through a port that resets it when it is opened.

    Other sensors, and no switch, are judged to the last digit in tests/firmware_probe/simulator.
    """
    script = Script().at(0, "sensor ina219 40", *CURRENT, "switch-fitted")
    (tmp_path / "bench").mkdir()
    with live_bench(sketch(), script, tmp_path / "bench", "--pace", "1") as port:
        code, found = told(port, "--unplugged")
    assert names(found, "broken") == set(), found
    assert code == 0
    assert {"counts", "charge", "energy", "conversions", "burst-line"} <= names(found, "passed")
    assert "load-opens" in names(found, "passed")


@pytest.mark.parametrize(("typed", "moved"), [("y\n", True), ("\n", False), ("n\n", False)])
def test_a_person_is_asked_to_unplug_the_piece_before_the_switch_moves(
    typed: str, moved: bool
) -> None:
    with CliRunner().isolation(input=typed) as (said, *_):
        assert _may_switch(None, asks=True) is moved
        words = " ".join(said.getvalue().decode().split())
    assert "Unplug the piece first" in words
    assert "gets warm" in words


def test_nobody_to_ask_leaves_the_switch_alone() -> None:
    assert not _may_switch(None, asks=False)
    assert not _may_switch(False, asks=True)
    assert _may_switch(True, asks=False)


def test_no_port() -> None:
    result = CliRunner().invoke(conform_command, ["/dev/none"])
    assert isinstance(result.exception, BenchError)
