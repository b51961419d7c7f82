"""Bursts of short conversions as firmware_probe/PROTOCOL.md has them, written from that page.

Eight values of the shunt; an INA219's are of 9 bits: steps of eight counts. An INA228's are sent in units of sixteen.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from tests.support.datasheet_boards.errors import Boards
from tests.support.datasheet_boards.packs import World

Ints = npt.NDArray[np.int64]

PER_LINE: Final = 32
EVERY_S: Final = 0.25
# Length of a short conversion (tests/SOURCES.md C3, C5, C25), its pace, counts in its step and in a value that is sent.
_SHORT: Final = {
    "INA219": (84e-6, 133e-6, 8, 1),
    "INA226": (140e-6, 147e-6, 1, 1),
    "INA228": (84e-6, 141e-6, 1, 16),
}


@dataclass(frozen=True)
class BurstLine:
    """One line's fields."""

    bursts: int
    within: int
    between: int


def burst_lines(
    world: World, board: Boards, seconds: float, rng: np.random.Generator
) -> list[BurstLine]:
    """Lines of a run of so many seconds; ``board``: a set of one."""
    short_s, pace_s, coarse, sent = _SHORT[board.sheet.kind]
    slow = 1 + float(board.conversion[0])
    steps_s = EVERY_S * rng.uniform(0.5, 1.5, int(seconds / EVERY_S))
    begin_s = np.cumsum(steps_s)
    begin_s = begin_s[begin_s < seconds - 0.01]
    begin_s = begin_s[: len(begin_s) // PER_LINE * PER_LINE]
    ends_s = (begin_s[:, None] + pace_s * np.arange(1, 9)).ravel()
    amps = (world.load.charge_as(ends_s) - world.load.charge_as(ends_s - short_s * slow)) / (
        short_s * slow
    )
    slow_v, ohm = world.between(ends_s)
    read_v = board.shunt_reading_v(amps, slow_v - (ohm + board.shunt_ohm) * amps)
    # Shorter by so much, noisier by its root.
    noise_v = float(board.noise_shunt_v[0]) * np.sqrt(board.sheet.settings_s[0] / short_s)
    read_v = read_v + noise_v * rng.standard_normal(len(read_v))
    counts = np.floor(read_v / board.sheet.shunt_step_v / coarse).astype(np.int64) * coarse
    values = (counts + sent // 2) // sent
    lines = []
    for chunk in values.reshape(-1, PER_LINE, 8):
        apart = (chunk[:, :, None] - chunk[:, None, :]) ** 2
        within = int(apart[:, :4, :4].sum() + apart[:, 4:, 4:].sum()) // 2
        lines.append(BurstLine(PER_LINE, within, int(apart[:, :4, 4:].sum())))
    return lines
