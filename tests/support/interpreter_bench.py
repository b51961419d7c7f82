"""The firmware in Python on this computer's MicroPython; skips, or fails if told to, without one."""

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import pytest

from firmware_probe.interpreter.process import (
    HEAP_BYTES,
    Interpreter,
    InterpreterMissing,
    Told,
    interpreter_command,
)
from tests.support.board_output import bodies
from tests.support.firmware_sim.toolchain import required

# Of an INA219: the sensor's usual time from one pair to the next.
PAIR_US: Final = 1064


def missing() -> str:
    """What to do about it; empty if there is one."""
    try:
        interpreter_command()
    except InterpreterMissing as error:
        return str(error)
    return ""


# With DRAWBENCH_REQUIRE_FIRMWARE=1 nothing is skipped: starting it then fails and says why.
needs_interpreter: Final = pytest.mark.skipif(bool(missing()) and not required(), reason=missing())


@contextlib.contextmanager
def started(folder: Path, heap_bytes: int = HEAP_BYTES) -> Iterator[Interpreter]:
    folder.mkdir(exist_ok=True)
    with Interpreter(folder, heap_bytes) as interpreter:
        yield interpreter


def steady(
    interpreter: Interpreter, count: int, shunt: int = 500, bus: int = 1100, start_us: int = 0
) -> int:
    """So many pairs alike, one every ``PAIR_US``; gives when the last is done."""
    ends_us = start_us + PAIR_US * np.arange(1, count + 1, dtype=np.int64)
    alike = np.ones(count, dtype=np.int64)
    interpreter.pairs(ends_us, shunt * alike, bus * alike)
    return int(ends_us[-1])


def play(
    interpreter: Interpreter,
    ends_us: npt.NDArray[np.int64],
    shunt: npt.NDArray[np.int64],
    bus: npt.NDArray[np.int64],
) -> bytes:
    """All of these conversions, each of shape (n,), in portions that fit the board's memory; what it sent."""
    sent = b""
    for begin in range(0, len(ends_us), 1000):
        part = slice(begin, begin + 1000)
        interpreter.pairs(ends_us[part], shunt[part], bus[part])
        sent += interpreter.run(int(ends_us[part][-1])).sent
    return sent


def kinds(found: list[str], *wanted: str) -> list[str]:
    return [body for body in found if body.split(",", 1)[0] in wanted]


def hellos(found: list[str]) -> list[dict[str, str]]:
    return [
        dict(item.split("=", 1) for item in body.split(",")[1:]) for body in kinds(found, "hello")
    ]


def faults(found: list[str], code: str) -> list[str]:
    """Details of the faults of one code."""
    return [body.split(",")[3] for body in kinds(found, "fault") if body.split(",")[2] == code]


class Night:
    """Conversions all alike without an end; what the board said until now is in ``said``."""

    def __init__(self, board: Interpreter, shunt: int = 500, bus: int = 1100) -> None:
        self.board = board
        self.now_us = board.now_us
        self.shunt, self.bus = shunt, bus
        self.said: list[str] = []

    def go_on(self, seconds: float) -> Told:
        """Ends with the last conversion."""
        left = round(seconds * 1e6) // PAIR_US
        while left > 0:
            count = min(left, 2000)
            left -= count
            told = self.board.run(steady(self.board, count, self.shunt, self.bus, self.now_us))
            self.now_us = told.now_us
            self.said += bodies(told.sent)
        return told

    def tell(self, *lines: bytes) -> None:
        self.board.host(b"".join(lines))
