"""Runs of the simulated board through the real decoder and recording, in process and without files."""

import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.base.clock import Moment
from logger.recording.machine import Recording
from logger.recording.terms import COLUMN_NAMES, Phase, Wishes
from logger.run.calibration import Calibration
from logger.run.description import Description
from logger.run.reader import Run
from tests.support.recording_bench import last_row

START_WALL_S = 1_800_000_000.0
START_UTC = Moment(0.0, 0.0, START_WALL_S).utc


class Desk:
    """A board on a cable, and a computer that records it into ``rows``; the host's clock is true time, the board's its own."""

    def __init__(self, board: Any, description: Description) -> None:
        self.board = board
        self.now = Moment(1000.0, 1000.0, START_WALL_S)
        self.rows = bytearray()
        self._linked = True
        self.recording = Recording(Wishes(), description, self.now)

    def begin(self, patience: int) -> None:
        """Until the board runs, or for so many tenths of a second."""
        self.recording.connected(self.now, "desk")
        self._obey()
        for _ in range(patience):
            self.pass_time(0.1)
            if self.recording.phase is Phase.RUNNING:
                break

    def pass_time(self, span_s: float) -> None:
        """Board and computer live on together, with the cable's faults."""
        now = Moment(
            self.now.steady_s + span_s, self.now.awake_s + span_s, self.now.wall_s + span_s
        )
        self.now = now
        for _ in range(3):  # answers bring new commands
            data = self.board.advance(round(span_s * 1e6))
            if self.board.link_down_left_us and self._linked:
                self._linked = False
                self.recording.disconnected(now, "cable pulled")
            elif not self._linked and not self.board.link_down_left_us:
                self._linked = True
                self.recording.connected(now, "desk")
            if self._linked:
                self.recording.feed(data, now)
            span_s = 0.0
            self.recording.tick(now)
            self._obey()
        self.rows += self.recording.take_rows()

    def crash(self) -> None:
        """The recording is killed, the last three rows are lost, and it is taken up again at once."""
        end = len(self.rows)
        for _ in range(3):
            end = self.rows.rfind(b"\r\n", 0, end)
        del self.rows[self.rows.rfind(b"\r\n", 0, end) + 2 :]
        description = self.recording.description(self.now)
        self.recording = Recording(Wishes(), description, self.now, last_row=last_row(self.rows))
        self.recording.connected(self.now, "desk")

    def _obey(self) -> None:
        for line in self.recording.take_commands():
            if self._linked:
                self.board.receive(line)


def record(
    board: SimulatedBoard,
    seconds: float,
    *,
    description: Description | None = None,
    step_s: float = 10.0,
) -> Run:
    """A run of ``seconds``."""
    desk = Desk(board, description or Description(started_utc=START_UTC))
    desk.begin(12)
    passed_s = 0.0
    while passed_s < seconds and desk.recording.phase is not Phase.ENDED:
        desk.pass_time(min(step_s, seconds - passed_s))
        passed_s += step_s
    desk.recording.finish("user", "", desk.now)
    desk.pass_time(0.1)
    text = ",".join(COLUMN_NAMES) + "\n" + desk.rows.decode()
    samples = pd.read_csv(io.StringIO(text))
    return Run(Path("simulated-run"), desk.recording.description(desk.now), samples)


def with_calibration(run: Run, calibration: Calibration | None) -> Run:
    return replace(run, description=replace(run.description, calibration=calibration))
