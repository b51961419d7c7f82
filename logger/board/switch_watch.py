"""After the load switch was opened: has the current gone? By the windows that come, on the board's clock."""

from typing import Final

from logger.base.sensor_limits import sensor_limits
from logger.board.stream import Hello

SETTLE_US: Final = 500_000  # as the board waits: PROTOCOL.md, fault "switch"
# What a piece's supply may leak through an open MOSFET, and what sits before it: the project's own figure.
STANDBY_MA: Final = 1.0
# The board's own limit: PROTOCOL.md, fault "switch".
BOARD_LIMIT_V: Final = 400e-6
_SHUNT_OHM: Final = 0.1


def limit_ma(hello: Hello, pack_v: float) -> float:
    """What may be read with the switch open: the sensor's greatest zero error at this voltage, and a standby.

    The board's own limit where the sensor's sheet is not known.
    """
    sheet = sensor_limits(hello.sensor)
    if sheet is None:
        return board_limit_ma(hello)
    return sheet.zero_ma(hello.range_ma, hello.shunt_ohm or _SHUNT_OHM, pack_v) + STANDBY_MA


def board_limit_ma(hello: Hello) -> float:
    """Beyond what current through an open switch the board says so by itself."""
    return 1e3 * BOARD_LIMIT_V / (hello.shunt_ohm or _SHUNT_OHM)


def has_settled(began_us: int, opened_us: int) -> bool:
    """Whether a window that began then tells of the switch: the current had its time to go."""
    return began_us >= opened_us + SETTLE_US
