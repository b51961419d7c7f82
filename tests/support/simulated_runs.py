"""Runs of the simulated board through the real decoder and recording, in process and without files."""

import io
from dataclasses import replace
from pathlib import Path

import pandas as pd

from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.base.clock import Moment
from logger.recording.machine import Recording
from logger.recording.terms import COLUMN_NAMES, Phase, Wishes
from logger.run.calibration import Calibration
from logger.run.description import Description
from logger.run.reader import Run

_START_WALL_S = 1_800_000_000.0


def record(
    board: SimulatedBoard,
    seconds: float,
    *,
    description: Description | None = None,
    step_s: float = 10.0,
) -> Run:
    """A run of ``seconds``; the host's clock is true time, the board's its own."""
    now = Moment(1000.0, 1000.0, _START_WALL_S)
    recording = Recording(Wishes(), description or Description(started_utc=now.utc), now)
    rows = bytearray()

    def pass_time(span_s: float) -> None:
        nonlocal now
        now = Moment(now.steady_s + span_s, now.awake_s + span_s, now.wall_s + span_s)
        for _ in range(3):  # answers bring new commands
            recording.feed(board.advance(round(span_s * 1e6)), now)
            span_s = 0.0
            recording.tick(now)
            for line in recording.take_commands():
                board.receive(line)
        rows.extend(recording.take_rows())

    recording.connected(now, "desk")
    for line in recording.take_commands():
        board.receive(line)
    for _ in range(12):
        pass_time(0.1)
        if recording.phase is Phase.RUNNING:
            break
    passed_s = 0.0
    while passed_s < seconds and recording.phase is not Phase.ENDED:
        pass_time(min(step_s, seconds - passed_s))
        passed_s += step_s
    recording.finish("user", "", now)
    pass_time(0.1)
    text = ",".join(COLUMN_NAMES) + "\n" + rows.decode()
    samples = pd.read_csv(io.StringIO(text))
    return Run(Path("simulated-run"), recording.description(now), samples)


def with_calibration(run: Run, calibration: Calibration | None) -> Run:
    return replace(run, description=replace(run.description, calibration=calibration))
