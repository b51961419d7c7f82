"""The load switch opened for a second before the night, on boards of every sort."""

from pathlib import Path
from typing import Any

import pytest

from firmware_probe.twin.faults import FaultPlayer, parse_script
from firmware_probe.twin.load import ConstantCurrent, constant_load
from firmware_probe.twin.pack import IdealPack
from firmware_probe.twin.sensor import INA219, INA226, CurrentSensor, SensorKind
from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.base.errors import BenchError
from logger.board.stream import Hello, LineDecoder
from logger.board.switch_trial import keep, last_test, try_switch
from logger.run.switch_test import SwitchTest


class Desk:
    """A simulated board as a link; its time passes while it is read."""

    def __init__(self, current_a: float = 0.2, kind: SensorKind = INA219, **options: Any) -> None:
        faults = FaultPlayer(parse_script(options.pop("faults", "")))
        self.board = SimulatedBoard(
            IdealPack(4.5), constant_load(ConstantCurrent(current_a)), CurrentSensor(kind), faults=faults, **options
        )  # fmt: skip
        self.time_s = 0.0
        self.sent = b""

    def read(self, wait_s: float) -> bytes:
        self.time_s += wait_s
        return self.board.advance(round(wait_s * 1e6))

    def write(self, data: bytes) -> None:
        self.sent += data
        self.board.receive(data)

    def now(self) -> float:
        return self.time_s

    def hello(self) -> Hello:
        self.write(b"identify\n")
        hellos = [i for i in LineDecoder().feed(self.read(0.0)) if isinstance(i, Hello)]
        return hellos[-1]

    def tried(self) -> SwitchTest:
        self.read(1.0)
        return try_switch(self, LineDecoder().feed, self.hello(), self.now)


@pytest.mark.parametrize("kind", [INA219, INA226], ids=lambda kind: kind.name)
@pytest.mark.parametrize("load", ["0", "1"])
def test_a_switch_that_opens(kind: SensorKind, load: str) -> None:
    desk = Desk(kind=kind)
    desk.board.move_switch(load == "1", "host")
    test = desk.tried()
    assert test.opened
    assert test.before_ma == pytest.approx(200.0, rel=0.02)
    assert abs(test.after_ma) < 2.0
    hello = desk.hello()
    assert (hello.load, hello.running) == (load, False), "left as it was"
    assert desk.time_s < 7.0


@pytest.mark.parametrize("fault", ["weld", "bridge"])
def test_one_that_does_not(fault: str) -> None:
    test = Desk(faults=f"0:{fault}=1000").tried()
    assert test.stuck
    assert not test.opened
    assert "does NOT open: 200 mA still flow" in test.words


def test_a_piece_that_is_off_shows_nothing() -> None:
    test = Desk(0.001).tried()
    assert not test.opened
    assert not test.stuck
    assert "cannot be told: the piece drew only 1 mA" in test.words


def test_nothing_is_tested_where_there_is_nothing_to_test() -> None:
    with pytest.raises(BenchError, match="no load switch"):
        Desk(switch_fitted=False).tried()
    tripped = Desk()
    tripped.board.move_switch(False, "cutoff")
    with pytest.raises(BenchError, match="keeps it open"):
        tripped.tried()
    assert b"load,1" not in tripped.sent
    running = Desk()
    running.write(b"start*B9D0\n")
    with pytest.raises(BenchError, match="is recording"):
        try_switch(running, LineDecoder().feed, Hello(1, "", "7F3A91C2", 1, 0, 1, load="1", running=True), running.now)  # fmt: skip


def test_a_board_that_goes_away_is_not_called_tested() -> None:
    desk = Desk(faults="1.5:off=100")
    with pytest.raises(BenchError, match="could not be"):
        desk.tried()


def test_a_test_is_kept_for_a_day(tmp_path: Path) -> None:
    test = SwitchTest("7F3A91C2", "2026-11-29T12:00:00+00:00", 200.0, 0.3, 4.3)
    assert last_test(tmp_path, test.board) is None
    keep(tmp_path, test)
    assert last_test(tmp_path, test.board) == test
    assert test.stands("2026-11-30T11:00:00+00:00")
    assert not test.stands("2026-11-30T13:00:00+00:00")
    assert not test.stands("2026-11-29T11:00:00+00:00"), "a clock that was set back"
    (tmp_path / "7F3A91C2.json").write_text("{}")
    assert last_test(tmp_path, test.board) is None
