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


@dataclass(frozen=True)
class Meter:
    """A meter's own errors, relative and one and the same in all its readings; its limits are what its manual says."""

    current_limit: float
    voltage_limit: float
    current: float
    voltage: float


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
