"""Opening the load switch for a second, before the night: does it open? And where that is kept."""

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path
from typing import Final

from firmware_probe.line_format import command
from logger.base.clock import read_clocks
from logger.base.config_folder import FOLDER_VARIABLE, config_folder
from logger.base.errors import BenchError, spoken
from logger.base.safe_files import read_json, replace_file
from logger.board.probe_check import LineSource, set_back
from logger.board.stream import Hello, Item, Load, Window
from logger.board.switch_watch import has_settled, limit_ma
from logger.run.switch_test import SwitchTest

WINDOW_US: Final = 100_000
# The piece may start up for so long before its draw is taken.
BEFORE_S: Final = 1.5
OPEN_S: Final = 1.0
PATIENCE_S: Final = 5.0
READ_WAIT_S: Final = 0.05

Decode = Callable[[bytes], Sequence[Item]]
Now = Callable[[], float]


class _Trial:
    """One conversation with a board that is not recording."""

    def __init__(self, link: LineSource, decode: Decode, now: Now) -> None:
        self._link = link
        self._decode = decode
        self._now = now
        self.windows: list[Window] = []
        self.load = ""
        self.load_us = 0

    def say(self, *names: str) -> None:
        self._link.write(command(*names))

    def listen(self, enough: Callable[[], bool]) -> bool:
        """Take lines until ``enough``; False if that never came."""
        end_s = self._now() + PATIENCE_S
        while not enough():
            if self._now() >= end_s:
                return False
            for item in self._decode(self._link.read(READ_WAIT_S)):
                if isinstance(item, Window):
                    self.windows.append(item)
                elif isinstance(item, Load):
                    self.load, self.load_us = item.state, item.time_us
        return True

    def switched(self, state: str) -> bool:
        """Ask for a state of the switch until the board says that it has it."""
        self.load = ""
        self.say("load", state)
        return self.listen(lambda: self.load == state)

    def span_s(self, since_us: int) -> float:
        """Board time of the windows since a moment."""
        return (self.windows[-1].time_us - since_us) * 1e-6 if self.windows else 0.0


def try_switch(
    link: LineSource, decode: Decode, hello: Hello, now: Now = time.monotonic
) -> SwitchTest:
    """Close the load switch, see the draw, open it for a second, see it go; then leave all as it was.

    Raises BenchError where there is nothing to test, or the board does not answer.
    """
    _refuse(hello)
    trial = _Trial(link, decode, now)
    link.write(command("window", str(WINDOW_US)) + command("start"))
    try:
        return _trial(trial, hello)
    finally:
        trial.switched(hello.load)
        set_back(link, decode, hello.window_us, now)


def _trial(trial: _Trial, hello: Hello) -> SwitchTest:
    if not trial.switched("1"):
        raise _silent(hello, "closed")
    closed_us = trial.load_us
    if not trial.listen(lambda: trial.span_s(closed_us) >= BEFORE_S):
        raise _silent(hello, "measured")
    before = trial.windows[-3:]
    if not trial.switched("0"):
        raise _silent(hello, "opened")
    trial.windows.clear()
    opened_us = trial.load_us
    trial.listen(lambda: trial.span_s(opened_us) >= OPEN_S)
    told = [
        window.current_ma
        for last, window in pairwise(trial.windows)
        if has_settled(last.time_us, opened_us)
    ]
    if not told:
        raise _silent(hello, "measured")
    return SwitchTest(
        hello.board,
        read_clocks().utc,
        before_ma=max(window.current_ma for window in before),
        after_ma=max(told, key=abs),  # a piece may draw in bursts
        limit_ma=limit_ma(hello, before[-1].pack_v),
    )


def _refuse(hello: Hello) -> None:
    if hello.load == "-":
        raise BenchError(
            f"The board {hello.board} has no load switch that could be tested.",
            evidence="it found no 10 kΩ at its pin (load=-)",
            next_step="fit one (firmware_probe/README.md, With load switch), then press reset.",
        )
    if hello.running:
        raise BenchError(
            f"The board {hello.board} is recording; its load switch is left alone.",
            evidence="it is sending windows",
            next_step="end that run first.",
        )
    if hello.opened == "cutoff":
        raise tripped(hello)
    if hello.sensor == "none":
        raise BenchError(
            f"The board {hello.board} finds no sensor, so nobody sees whether the current goes.",
            next_step="check the sensor's four wires with drawbench probe first.",
        )


def tripped(hello: Hello) -> BenchError:
    """The refusal of a board whose cutoff opened the switch: only a person closes it."""
    return BenchError(
        f"The board {hello.board} opened its load switch at its cutoff, and keeps it open.",
        evidence=f"cutoff {hello.cutoff_v:g} V, load=0, opened=cutoff",
        next_step="put a fresh pack in, then: drawbench log --close-load --for 10s, which closes it.",
    )


def _silent(hello: Hello, what: str) -> BenchError:
    return BenchError(
        f"The load switch of board {hello.board} could not be {what}: the board did not say so.",
        evidence=f"nothing for {PATIENCE_S:g} s",
        next_step="take the pack off, check the USB cable, press reset and try again.",
    )


def tests_folder() -> Path:
    """Where the newest test of each board is kept."""
    return config_folder() / "switch"


def keep(folder: Path, test: SwitchTest) -> None:
    """Keep a test in place of the board's last one. Raises BenchError."""
    path = folder / f"{test.board}.json"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        text = json.dumps({"format": 1, **asdict(test)}, indent=1) + "\n"
        replace_file(path, text.encode())
    except OSError as error:
        raise BenchError(
            f"The test of the load switch cannot be kept in {folder}.",
            evidence=spoken(error),
            next_step=f"make that folder writable, or set {FOLDER_VARIABLE} to another one.",
        ) from error


def last_test(folder: Path, board: str) -> SwitchTest | None:
    """The board's newest test; None: there is none that can be read."""
    try:
        part = read_json(folder / f"{board}.json")
        numbers = (float(part[key]) for key in ("before_ma", "after_ma", "limit_ma"))
        return SwitchTest(str(part["board"]), str(part["tested_utc"]), *numbers)
    except (OSError, ValueError, KeyError, TypeError):
        return None
