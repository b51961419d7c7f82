"""After the load switch was opened: has the current gone? By the windows that come, on the board's clock."""

from typing import Final

from logger.base.sensor_limits import sensor_limits
from logger.board.stream import Hello, Window

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


class SwitchWatch:
    """``opened`` at a board time, then ``window`` by window until one has begun half a second after it.

    ``is_waiting``: it is open and nobody knows yet whether the current has gone. ``after_ma``: mean of the window
    that told, None: none has.
    """

    def __init__(self) -> None:
        self.is_waiting = False
        self.before_ma = 0.0
        self.after_ma: float | None = None
        self._opened_us = 0
        self._last_us: int | None = None

    def opened(self, time_us: int, before_ma: float) -> None:
        """The board says that it opened the switch; ``before_ma``: what flowed until then."""
        self.is_waiting = True
        self.before_ma = before_ma
        self.after_ma = None
        self._opened_us = time_us
        self._last_us = None

    def closed(self) -> None:
        """It was closed again, or there is nothing to wait for any more."""
        self.is_waiting = False

    def window(self, window: Window) -> bool:
        """The next window; True if it tells."""
        began_us, self._last_us = self._last_us, window.time_us
        if not self.is_waiting or began_us is None or began_us < self._opened_us + SETTLE_US:
            return False
        self.after_ma = window.current_ma
        self.is_waiting = False
        return True
