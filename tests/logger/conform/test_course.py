"""Every planted fault is found by its own rule, and none is found on boards that keep them."""

import contextlib
from pathlib import Path

import pytest

from firmware_probe.interpreter.board import InterpreterBoard
from firmware_probe.twin.bench_text import load_from_text
from firmware_probe.twin.faults import Fault, FaultPlayer
from logger.base.errors import BenchError
from logger.board.port import LinkLostError
from logger.conform.course import Conformance
from tests.support.conform_bench import conform, twin
from tests.support.interpreter_bench import needs_interpreter
from tests.support.planted_boards import PLANTED, Planted
from tests.support.spoiled_boards import Spoiled
from tests.support.spoiled_habits import Wrapping, stalling


def broken(result: Conformance) -> dict[str, str]:
    return {item.rule.name: item.expected for item in result.of("broken")}


@pytest.mark.slow
@pytest.mark.parametrize("planted", PLANTED, ids=lambda planted: planted.name)
def test_a_planted_fault_is_found_by_its_rule(planted: Planted) -> None:
    result = conform(planted.make(), **planted.options)
    found = broken(result)
    assert planted.rule in found, found
    assert set(found) <= {planted.rule, *planted.also}
    named = next(item for item in result.of("broken") if item.rule.name == planted.rule)
    assert named.expected
    assert named.seen or named.sent


def test_enough_is_planted() -> None:
    """Every rule that a board can break in half a minute is broken by one at least."""
    planted = {item.rule for item in PLANTED}
    rules = {item.rule.name for item in conform(twin()).findings if not item.rule.barred}
    assert len(PLANTED) >= 40
    assert rules - planted == set()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("load", ["100ohm", "vest", "0.5W", "3mA"])
@pytest.mark.parametrize("sensor", ["ina219", "ina226"])
def test_the_simulated_board_keeps_every_rule(sensor: str, load: str, seed: int) -> None:
    result = conform(twin(sensor, load=load, seed=seed))
    assert broken(result) == {}
    assert len(result.of("passed")) >= 43


@pytest.mark.firmware
@needs_interpreter
@pytest.mark.parametrize(("sensor", "fitted"), [("ina219", True), ("ina226", False)])
def test_the_firmware_in_python_keeps_every_rule(sensor: str, fitted: bool, tmp_path: Path) -> None:
    """Another firmware than the one the rules were written beside: the real core on MicroPython."""
    bench = twin(sensor)
    pack, chip, load = bench.pack, bench.sensor, load_from_text("100ohm", 7)
    with contextlib.closing(
        InterpreterBoard(pack, load, chip, tmp_path, switch_fitted=fitted)
    ) as board:
        result = conform(board)
    assert broken(result) == {}
    passed = {item.rule.name for item in result.of("passed")}
    assert {"counts", "charge", "energy", "conversions", "boot-counts", "split-command"} <= passed
    assert "hello-lf" in passed
    assert len(passed) >= 30
    assert ("load-opens" in passed) == ("cutoff-trips" in passed) == fitted


@pytest.mark.parametrize("window_us", [10_000, 20_000])
def test_short_windows_after_a_boot_are_seen_from_the_first_on(window_us: int) -> None:
    """The page leaves open which length a board begins with."""
    result = conform(twin(window_us=window_us))
    assert broken(result) == {}
    assert "from-zero" in {item.rule.name for item in result.of("passed")}


def test_without_a_switch() -> None:
    result = conform(twin(switch_fitted=False))
    assert broken(result) == {}
    left = {item.rule.name: item.why for item in result.of("not tried")}
    assert left["load-opens"] == left["cutoff-survives"] == "no load switch is fitted"
    assert "load-fitted" in {item.rule.name for item in result.of("passed")}


def test_without_an_answer_of_the_sensor_windows_are_not_called_missing() -> None:
    deaf = FaultPlayer([Fault(0, "sensor", 1000.0)])
    result = conform(twin(faults=deaf))
    assert broken(result) == {}
    left = {item.rule.name: item.why for item in result.of("not tried")}
    assert "does not answer" in left["conversions"]
    assert {"fault-form", "fault-pause"} <= {item.rule.name for item in result.of("passed")}


def test_missed_conversions_that_are_told_break_nothing() -> None:
    result = conform(stalling())
    assert broken(result) == {}
    assert "fault-form" in {item.rule.name for item in result.of("passed")}


def test_a_clock_of_64_bits_passes_the_wrap() -> None:
    result = conform(Wrapping(bits=64), wait_wrap=True)
    assert broken(result) == {}
    assert "time-wrap" in {item.rule.name for item in result.of("passed")}


class Listening(Spoiled):
    """Remembers what it was told."""

    told: bytes = b""

    def receive(self, data: bytes) -> None:
        self.told += data
        super().receive(data)


def test_with_the_piece_plugged_in_nothing_is_switched() -> None:
    board = Listening()
    result = conform(board, may_switch=False)
    assert broken(result) == {}
    assert b"load,1" not in board.told
    assert b"load,0" not in board.told
    left = {item.rule.name: item.why for item in result.of("not tried")}
    assert "--unplugged" in left["load-opens"]
    assert {"load-answer", "cutoff-opens", "cutoff-trips"} <= set(left)
    assert board.board.switch.is_closed


def test_the_board_is_left_as_it_was_found() -> None:
    board = twin(window_us=250_000)
    board.eeprom.cutoff_uv, board.eeprom.hold_ms = 2_700_000, 5000
    board.eeprom.keep()
    board.windows.start(0)
    conform(board)
    assert (board.eeprom.cutoff_uv, board.eeprom.hold_ms) == (2_700_000, 5000)
    assert board.windows.next_window_us == 250_000
    assert board.windows.is_running
    assert board.switch.is_closed
    opened = twin()
    opened.move_switch(False, "host")
    conform(opened)
    assert not opened.switch.is_closed


def test_a_board_that_cannot_be_reset_by_the_port_asks_a_person() -> None:
    result = conform(twin(), resets=False)
    left = {item.rule.name: item.why for item in result.of("not tried")}
    assert "button" in left["boot-counts"]
    assert broken(result) == {}
    board = twin()

    def press() -> bool:
        board.reset()
        return True

    pressed = conform(board, resets=False, ask_reset=press)
    assert broken(pressed) == {}
    assert "boot-counts" in {item.rule.name for item in pressed.of("passed")}


class Unplugging(Spoiled):
    """USB of its own: a reset takes the port away; what it says meanwhile is lost."""

    away = False

    def reset(self, cause: str = "reset") -> None:
        super().reset(cause)
        self.away = True

    def advance(self, duration_us: int) -> bytes:
        if self.away:
            self.away = False
            super().advance(900_000)
            raise LinkLostError("the other end closed the link")
        return super().advance(duration_us)


def test_a_port_that_goes_away_with_the_reset_and_comes_back() -> None:
    result = conform(Unplugging())
    assert broken(result) == {}
    left = {item.rule.name: item.why for item in result.of("not tried")}
    assert "went away" in left["hello-after-boot"]
    assert "boot-counts" in {item.rule.name for item in result.of("passed")}


class Pulled(Spoiled):
    """Somebody pulls the cable in the midst of it."""

    def advance(self, duration_us: int) -> bytes:
        if self.board.time_us > 3_000_000:
            raise LinkLostError("cable pulled")
        return super().advance(duration_us)


def test_a_cable_that_is_pulled_is_told_as_that() -> None:
    with pytest.raises(LinkLostError, match="cable pulled"):
        conform(Pulled())


def test_without_current_sums_are_not_called_right() -> None:
    left = {
        item.rule.name: item.why
        for item in conform(twin(load="0.001mA", perfect=True)).of("not tried")
    }
    assert "resistor" in left["charge"]
    assert "resistor" in left["load-opens"]


class Mute(Spoiled):
    def advance(self, duration_us: int) -> bytes:
        super().advance(duration_us)
        return b""


class Foreign(Spoiled):
    def advance(self, duration_us: int) -> bytes:
        return b"temp: 21.5\r\n" if self.board.advance(duration_us) else b""


def test_what_is_no_board_of_ours_is_an_error_not_a_result() -> None:
    with pytest.raises(BenchError, match="No board answered") as mute:
        conform(Mute())
    assert "--baud" in mute.value.next_step
    with pytest.raises(BenchError, match="says no hello") as foreign:
        conform(Foreign())
    assert "temp" in foreign.value.evidence
