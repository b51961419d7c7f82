"""What the judge's own tests share: a pack that never falls, a current that is held."""

from typing import Final

from tests.support.datasheet_boards.loads import constant
from tests.support.datasheet_boards.packs import ALKALINE, Pack, World, grid_of

FLAT: Final = Pack(ALKALINE, 1e9, 4e8, 0.8, 0.0, 20.0, growth=0.0)


def held(current_a: float, volts: float) -> World:
    """A current at a voltage of the pack, without end."""
    grid_s = grid_of(2.0)
    return World(constant(current_a), FLAT, 2.0, grid_s, volts + 0 * grid_s, 0 * grid_s)
