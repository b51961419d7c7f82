"""``drawbench probe``: what a few seconds of lines say about the wiring."""

import dataclasses
import json
from typing import Any

import pytest
from click.testing import CliRunner

from analysis.commands.probe import probe_command
from firmware_probe.line_format import frame
from firmware_probe.twin.links import TcpLink
from firmware_probe.twin.sensor import INA228, CurrentSensor
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.vest import vest_board
from logger.board.probe_check import Heard, Seen, judge, listen, summary
from logger.board.stream import Hello, LineDecoder, Window

HELLO = Hello(
    protocol=1,
    firmware="1.0.0",
    board="7F3A91C2",
    boot=3,
    time_us=0,
    window_us=250_000,
    sensor="INA219",
    address="40",
    shunt_ohm=0.1,
    range_ma=3200.0,
    bus_range_v=32.0,
)
SEEN = Seen(50, 4700, 5.0, 4.5, 4.4, 0.001, 4.49, 100.0, 80.0, 120.0, 0.3)
ZERO_MA = 2.0  # INA219 at gain /8: 200 uV over 0.1 Ohm (TI SBOS448G 7.5, grade A)


def window_line(i: int, current: str = "100.0000") -> bytes:
    values = f"94,4.500000,4.400000,4.490000,{current},80.0000,120.0000,0.100000,0.450000"
    return frame(f"w,{i},{100_000 * (i + 1)},{values}")


class FakeLink:
    """A board that sends a window at each read once it was told to start; its clock is the test's."""

    def __init__(self, lines: list[bytes], *, confirms: bool = True) -> None:
        self.lines = lines
        self.confirms = confirms
        self.written = b""
        self.time_s = 0.0

    def read(self, wait_s: float) -> bytes:
        self.time_s += wait_s
        if b"stop" in self.written and self.confirms:
            return frame("ok,stop") + frame("ok,window")
        return self.lines.pop(0) if self.lines and b"start" in self.written else b""

    def write(self, data: bytes) -> None:
        self.written += data

    def now(self) -> float:
        return self.time_s


def test_listens_for_five_seconds_and_leaves_the_board_as_it_was() -> None:
    link = FakeLink([window_line(i) for i in range(100)])
    seen = listen(link, LineDecoder().feed, HELLO, now=link.now).seen
    assert seen is not None
    assert seen.windows == 51
    assert seen.span_s == pytest.approx(5.0)
    names = [line.split(b"*")[0] for line in link.written.splitlines()]
    assert names == [b"window,100000", b"start", b"stop", b"window,250000"]


def test_a_board_that_does_not_confirm_is_told_once_more_and_not_waited_for() -> None:
    link = FakeLink([window_line(i) for i in range(60)], confirms=False)
    listen(link, LineDecoder().feed, HELLO, listen_s=1.0, now=link.now)
    assert link.written.count(b"window,250000") == 2
    assert link.time_s == pytest.approx(1.1 + 2.0, abs=0.3)


def test_a_board_that_is_recording_is_only_listened_to() -> None:
    link = FakeLink([])
    running = dataclasses.replace(HELLO, running=True)
    assert listen(link, LineDecoder().feed, running, now=link.now) == Heard(None)
    assert link.written == b""
    assert link.time_s == pytest.approx(3.0, abs=0.2), "no endless wait for a silent board"


def test_summary() -> None:
    decoder = LineDecoder()
    lines = window_line(0, "99.0000") + window_line(1, "100.0000") + window_line(2, "101.0000")
    seen = summary([item for item in decoder.feed(lines) if isinstance(item, Window)])
    assert (seen.windows, seen.conversions) == (3, 282)
    assert seen.current_ma == pytest.approx(100.0)
    assert seen.current_scatter_ma == pytest.approx(1.0)  # of 99, 100, 101
    assert (seen.current_min_ma, seen.current_max_ma, seen.pack_min_v) == (80.0, 120.0, 4.4)


@pytest.mark.parametrize(
    ("change", "hello", "words", "good"),
    [
        ({}, {}, "flows out of the pack", True),
        ({"current_ma": -100.0}, {}, "backwards", False),
        ({"current_ma": 0.4}, {}, "no current", False),
        ({"current_ma": 0.4}, {"load": "0"}, "switch is open", True),
        (
            {"current_ma": 0.4, "pack_v": 0.01, "pack_min_v": 0.0},
            {},
            "neither voltage nor current",
            False,
        ),
        (
            {"current_ma": 0.4, "pack_v": 0.87, "pack_min_v": 0.86},
            {},
            "nothing is connected",
            False,
        ),
        ({"bus_v": 0.0, "pack_v": 0.01, "pack_min_v": 0.01}, {}, "no voltage at the sensor", False),
        ({"pack_min_v": 0.3}, {}, "loose contact", False),
        ({"pack_v": 27.0}, {}, "more than the 26 V", False),
        ({}, {"sensor": "none"}, "finds no sensor", False),
    ],
)
def test_words_for_each_wiring(
    change: dict[str, Any], hello: dict[str, Any], words: str, good: bool
) -> None:
    verdict = judge(
        dataclasses.replace(HELLO, **hello),
        Heard(dataclasses.replace(SEEN, **change)),
        ZERO_MA,
    )
    assert words in verdict.words
    assert verdict.good is good
    assert bool(verdict.next_step) or good


def test_sensor_without_readings() -> None:
    assert "no reading comes" in judge(HELLO, Heard(None, ("bus",)), ZERO_MA).words


@pytest.mark.parametrize("seen", [None, SEEN])
def test_overflow_with_or_without_a_reading_in_range(seen: Seen | None) -> None:
    assert (
        "beyond the sensor's range of 3200 mA"
        in judge(HELLO, Heard(seen, ("overflow",)), ZERO_MA).words
    )


def test_ina226_is_reminded_of_its_bus_pin() -> None:
    hello = dataclasses.replace(HELLO, sensor="INA226")
    seen = dataclasses.replace(SEEN, pack_v=0.0, pack_min_v=0.0, bus_v=0.0, current_ma=0.0)
    assert "VBS" in judge(hello, Heard(seen), 0.1).next_step


@pytest.mark.parametrize(("current_ma", "good"), [(200.0, False), (1.0, True)])
def test_current_through_an_open_switch_is_the_verdict(current_ma: float, good: bool) -> None:
    hello = dataclasses.replace(HELLO, load="0")
    least, most = current_ma - 0.3, current_ma + 0.3
    seen = dataclasses.replace(
        SEEN, current_ma=current_ma, current_min_ma=least, current_max_ma=most
    )
    verdict = judge(hello, Heard(seen), ZERO_MA)
    assert verdict.good is good
    assert ("take the cells out now" in verdict.next_step) is not good


@pytest.mark.slow
def test_command_on_the_simulated_board() -> None:
    with BoardServer(vest_board(1), TcpLink(), time_factor=20.0) as server:
        plain = CliRunner().invoke(probe_command, ["--port", server.port])
        as_json = CliRunner().invoke(probe_command, ["--port", server.port, "--json"])
    assert plain.exit_code == 0, plain.output
    assert "Wiring   Voltage and current are there" in plain.output
    assert "cannot be told from nothing" in plain.output
    # The answer first.
    assert plain.output.startswith("SIMULATED: no hardware is there.\nWiring")
    assert "0 to 26 V" in plain.output  # absolute maximum at the inputs: TI SBOS448G
    found = json.loads(as_json.output)
    assert found["wiring_right"] is True
    assert found["simulated"] is True
    assert found["warnings"] == []
    assert (
        found["current_ma"]["lower"] < found["current_ma"]["value"] < found["current_ma"]["upper"]
    )
    assert found["current_ma"]["unit"] == "mA"


@pytest.mark.slow
def test_command_says_what_answers_and_takes_what_it_is_told() -> None:
    """An INA228 that does not say what it is: nothing is guessed, the option settles it."""
    board = vest_board(1)
    board.reset()
    board.circuit.sensor = board._sensor_after_boot = CurrentSensor(INA228, ids="0000.0000")
    with BoardServer(board, TcpLink(), time_factor=20.0) as server:
        at = ["--port", server.port]
        unknown = CliRunner().invoke(probe_command, at)
        told = CliRunner().invoke(probe_command, [*at, "--sensor", "ina228", "--address", "0x40"])
        again = CliRunner().invoke(probe_command, [*at, "--json"])
    words = " ".join(unknown.output.split())
    assert "Something answers at 40h, but it is no sensor that the board knows" in words
    assert "--sensor INA226" in words
    assert "INA228 at 40h" in told.output
    assert "identity is not confirmed: the board was told" in " ".join(told.output.split())
    found = json.loads(again.output)
    assert (found["sensor"], found["identity"], found["ids"]) == ("INA228", "told", "0000.0000")


@pytest.mark.parametrize("address", ["99", "forty", "3F"])
def test_command_refuses_what_is_no_address(address: str) -> None:
    result = CliRunner().invoke(probe_command, ["--address", address])
    assert result.exit_code == 2
    assert "40 to 4F" in result.output
