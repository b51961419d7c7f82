"""Runs of the simulated board without a port: its own lines, decoded into a run in memory."""

from dataclasses import replace
from pathlib import Path

import pandas as pd

from firmware_probe.line_format import command
from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.base.pack import Pack
from logger.board.stream import LineDecoder, Window
from logger.run.description import Board
from logger.run.reader import Run
from tests.support.runs_by_formula import BOARD


def run_of_board(board: SimulatedBoard, duration_s: float, pack: Pack) -> Run:
    """Let the board run for this long from its boot and keep its window lines as a run."""
    decoder = LineDecoder()
    board.receive(command("start"))
    windows: list[Window] = []
    left_us = round(duration_s * 1e6)
    while left_us > 0:
        step_us = min(left_us, 60_000_000)
        windows += [
            item for item in decoder.feed(board.advance(step_us)) if isinstance(item, Window)
        ]
        left_us -= step_us
    first_us = float(windows[0].time_us) - board.window_us
    frame = pd.DataFrame(
        {
            "time_s": [(float(item.time_us) - first_us) / 1e6 for item in windows],
            "pack_v": [float(item.pack_v) for item in windows],
            "current_ma": [float(item.current_ma) for item in windows],
        }
    )
    description = replace(
        BOARD,
        pack=pack,
        window_s=board.window_us / 1e6,
        board=Board("7F3A91C2", 1, firmware="simulated-1"),
    )
    return Run(Path("simulated"), description, frame, (), 0)
