"""Telling a board which sensor it has."""

import pytest

from firmware_probe.line_format import frame
from firmware_probe.twin.sensor import INA228, CurrentSensor
from firmware_probe.twin.vest import vest_board
from logger.base.errors import BenchError
from logger.board.sensor_setting import address_of, set_sensor
from logger.board.stream import Hello, LineDecoder

HELLO = Hello(1, "1.0.0", "7F3A91C2", 3, 0, 100_000)


class BoardLink:
    """A simulated board at a port without a port; its clock is the test's."""

    def __init__(self, *, loses: int = 0) -> None:
        self.board = vest_board(1)
        self.board.circuit.sensor = CurrentSensor(INA228, ids="0000.0000")
        self.loses = loses
        self.time_s = 0.0

    def read(self, wait_s: float) -> bytes:
        self.time_s += wait_s
        return self.board.advance(round(wait_s * 1e6))

    def write(self, data: bytes) -> None:
        self.loses -= 1
        if self.loses < 0:
            self.board.receive(data)

    def now(self) -> float:
        return self.time_s


class DeafLink(BoardLink):
    """Answers every command with the same line, or with nothing."""

    def __init__(self, answer: bytes) -> None:
        super().__init__()
        self.answer = answer

    def read(self, wait_s: float) -> bytes:
        self.time_s += wait_s
        return self.answer

    def write(self, data: bytes) -> None:
        pass


@pytest.mark.parametrize("loses", [0, 1])
def test_board_is_told_and_greets_anew(loses: int) -> None:
    link = BoardLink(loses=loses)
    found = set_sensor(link, LineDecoder().feed, HELLO, "INA228", "40", link.now)
    assert (found.sensor, found.address, found.identity) == ("INA228", "40", "told")
    again = set_sensor(link, LineDecoder().feed, found, "auto", None, link.now)
    assert (again.sensor, again.ids) == ("none", "0000.0000")


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"", "did not confirm"),
        (frame("no,sensor,unknown"), "older than this setting"),
        (frame("no,sensor,busy"), "sending a run's readings"),
        (frame("no,sensor,field"), "reason: field"),
    ],
)
def test_board_that_does_not_is_named(answer: bytes, words: str) -> None:
    link = DeafLink(answer)
    with pytest.raises(BenchError) as caught:
        set_sensor(link, LineDecoder().feed, HELLO, "INA226", None, link.now)
    assert words in str(caught.value)
    assert link.time_s < 7


@pytest.mark.parametrize("text", ["0x4A", "4ah", "4A", " 4a "])
def test_address_as_people_write_it(text: str) -> None:
    assert address_of(text) == "4A"


@pytest.mark.parametrize("text", ["", "3F", "50", "74", "forty", "0x4", "4A4A"])
def test_what_is_no_address_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="40 to 4F"):
        address_of(text)
