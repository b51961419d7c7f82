"""After the load switch was opened: has the current gone? By the windows that come, on the board's clock."""

from typing import Final

from logger.base.sensor_limits import sensor_limits
from logger.board.stream import Hello

SETTLE_US: Final = 500_000  # as the board waits: PROTOCOL.md, fault "switch"
# What a piece's supply may leak through an open MOSFET, and what sits before it: the project's own figure.
STANDBY_MA: Final = 1.0
# A sensor whose sheet is not known: as the board's own limit, 400 uV.
OWN_LIMIT_V: Final = 400e-6
_SHUNT_OHM: Final = 0.1


def limit_ma(hello: Hello, pack_v: float) -> float:
    """What may be read with the switch open: the sensor's greatest zero error at this voltage, and a standby."""
    shunt_ohm = hello.shunt_ohm or _SHUNT_OHM
    sheet = sensor_limits(hello.sensor)
    if sheet is None:
        return 1e3 * OWN_LIMIT_V / shunt_ohm
    return sheet.zero_ma(hello.range_ma, shunt_ohm, pack_v) + STANDBY_MA


def has_settled(began_us: int, opened_us: int) -> bool:
    """Whether a window that began then tells of the switch: the current had its time to go."""
    return began_us >= opened_us + SETTLE_US
