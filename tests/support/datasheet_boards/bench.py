"""Readings on the bench: zero with the pack off or on, and beside a meter."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from tests.support.datasheet_boards.errors import Boards
from tests.support.datasheet_boards.loads import constant
from tests.support.datasheet_boards.packs import Pack, World, grid_of
from tests.support.datasheet_boards.record import Windows, record

READING_S: Final = 10.0
WINDOW_S: Final = 0.1
# A hand meter's manual: so much of the reading and three counts; 6000 counts (common practice, no source).
COUNTS: Final = 3
COUNT_V: Final = 0.001


@dataclass(frozen=True)
class Meter:
    """A hand meter within its manual's limits: a share of the reading, and some counts of its last digit.

    ``current``, ``voltage``: its own relative errors, one and the same in all its readings.
    """

    current_limit: float
    voltage_limit: float
    current: float
    voltage: float

    def shows_ma(self, true_ma: float, rng: np.random.Generator) -> float:
        """What stands on its display, a reading of current."""
        return shown(true_ma, self.current, current_count_ma(true_ma), rng)

    def shows_v(self, true_v: float, rng: np.random.Generator) -> float:
        """The same for a voltage."""
        return shown(true_v, self.voltage, COUNT_V, rng)


def shown(true: float, share: float, count: float, rng: np.random.Generator) -> float:
    """Off by its share and by up to ``COUNTS`` counts, whole counts on the display."""
    off = true * (1 + share) + rng.uniform(-COUNTS, COUNTS) * count
    return float(round(off / count) * count)


def current_count_ma(true_ma: float) -> float:
    """Last digit of a meter of 6000 counts on its range."""
    return 0.01 if true_ma < 60 else 0.1


def draw_meter(current_limit: float, voltage_limit: float, rng: np.random.Generator) -> Meter:
    """Rectangular within its manual's limits."""
    current, voltage = (float(rng.uniform(-x, x)) for x in (current_limit, voltage_limit))
    return Meter(current_limit, voltage_limit, current, voltage)


def steady_world(pack: Pack | None, current_a: float, seconds: float) -> World:
    """A constant current from the pack as it is; None: pack off, nothing anywhere."""
    grid_s = grid_of(seconds)
    nothing = np.zeros_like(grid_s)
    load = constant(current_a)
    if pack is None:
        dead = Pack.__new__(Pack)
        return World(load, dead, seconds, grid_s, nothing, nothing)
    slow_v = pack.emf_v(nothing) - pack.slow_ohm * current_a
    return World(load, pack, seconds, grid_s, slow_v, pack.ohm_at(nothing))


def reading(
    board: Boards, pack: Pack | None, current_a: float, rng: np.random.Generator
) -> tuple[Windows, float]:
    """Windows of ten seconds at a steady current, and the true pack voltage then."""
    world = steady_world(pack, current_a, READING_S + 1.0)
    return record(world, board, WINDOW_S, rng), float(world.slow_v[0] - world.ohm[0] * current_a)
