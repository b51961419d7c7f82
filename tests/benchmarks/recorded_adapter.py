"""A generated board played to the tool's own recorder, line by line: what ``drawbench log`` would have kept."""

import io
from pathlib import Path
from typing import Final

import pandas as pd

from logger.base.clock import Moment
from logger.base.pack import Pack as ToolPack
from logger.recording.machine import Recording
from logger.recording.terms import Wishes
from logger.run.description import Description, Stop
from logger.run.format import COLUMNS
from logger.run.reader import Run
from tests.support.datasheet_boards.lines import framed, hello, window_lines
from tests.support.datasheet_boards.packs import Chemistry
from tests.support.datasheet_boards.record import Windows

_WALL_S: Final = 1_800_000_000.0
_START_S: Final = 1000.0


def moment(seconds: float) -> Moment:
    return Moment(_START_S + seconds, _START_S + seconds, _WALL_S + seconds)


def _answered(recording: Recording, now: Moment, greeting: bytes) -> None:
    """Hand the recorder's commands to the board, and its answers back, until neither has more to say."""
    recording.tick(now)
    while commands := recording.take_commands():
        for line in b"".join(commands).split(b"\n")[:-1]:
            name = line.partition(b"*")[0].split(b",")[0].decode()
            recording.feed(greeting if name == "identify" else framed(f"ok,{name}"), now)
        recording.tick(now)


def recorded_run(windows: Windows, chemistry: Chemistry) -> Run:
    """The run of a whole evening; the laptop's clock is off as the board's ``laptop`` says."""
    laptop = 1 + float(windows.board.laptop[0])
    base = Description(
        title="judge",
        pack=ToolPack(chemistry.name, chemistry.cells, chemistry.size),
        stop=Stop(),
    )
    now = moment(0.0)
    recording = Recording(Wishes(), base, now)
    recording.connected(now, "desk")
    _answered(recording, now, hello(windows.board, round(1e6 * windows.window_s)))
    rows, window = bytearray(), 0
    for line in window_lines(windows):
        now = moment(float(windows.end_s[window]) * laptop)
        recording.feed(line, now)
        _answered(recording, now, b"")
        rows += recording.take_rows()
        window += line.startswith(b"w,")
    recording.finish("user", "the judge ended it", now)
    rows += recording.take_rows()
    frame = pd.read_csv(io.BytesIO(bytes(rows)), names=[column.name for column in COLUMNS])
    return Run(Path("judge"), recording.description(now), frame)
