"""What the board says of pulses and of currents beyond its range: kept, and told at once."""

import pytest

from firmware_probe.line_format import frame
from logger.recording.machine import BURST_US
from tests.support.line_feeder import FeederBoard
from tests.support.recording_bench import Bench


class BurstBoard(FeederBoard):
    """A board whose sketch knows bursts."""

    def hello(self) -> bytes:
        body = super().hello().decode().partition("*")[0]
        return frame(f"{body},burst_us=0")


def running(board: FeederBoard) -> Bench:
    bench = Bench(board)
    bench.plug()
    bench.run(1.0)
    return bench


def test_bursts_are_asked_of_boards_that_have_them() -> None:
    asked = f"burst,{BURST_US}".encode()
    assert any(command.startswith(asked) for command in running(BurstBoard()).commands)
    assert not any(command.startswith(b"burst") for command in running(FeederBoard()).commands)


def test_bursts_are_kept_as_means() -> None:
    bench = running(BurstBoard())
    # 32 bursts; a count of the INA219 over 0.1 ohm is 0.1 mA: half of 0.01 mA^2 x sum / pairs.
    for within, between in ((120_000, 480_000), (240_000, 960_000)):
        bench.say(frame(f"burst,1000000,32,{within},{between}"))
    kept = bench.recording.description(bench.now).bursts
    assert kept is not None
    assert kept.lines == 2
    shown = 0.75 * 0.005 * 180_000 / 32 / 12
    assert kept.within_ma2 == pytest.approx(1.19 * shown)
    assert kept.between_ma2 == pytest.approx(0.005 * 720_000 / 32 / 16 + 0.19 * shown)
    assert kept.spread_ma2 > 0


def test_beyond_the_range_is_told_at_once_with_the_shunt_that_would_do() -> None:
    bench = running(FeederBoard())
    bench.say(frame("fault,1000000,overflow,37"))
    bench.say(frame("fault,2000000,overflow,5"))
    event = next(
        item for item in bench.recording.description(bench.now).events if item.kind == "fault"
    )
    assert "beyond what this probe can see: 3.2 A" in event.text
    assert "0.05 Ω would do" in event.text
    assert event.lost == {"conversions": 42.0}
