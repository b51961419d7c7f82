"""What an INA228 has counted by itself, for its `own` line."""

from .cutoff import MASK
from .identity import INA228

TYPE_CHECKING = False
if TYPE_CHECKING:
    from .sensor import Sensor
    from .windows import Windows

_EVERY_US = 10000000
_LATE_US = 30000


class Own:
    """``fresh``: none was read since the host's start or the sensor was set up."""

    def __init__(self, sensor: "Sensor") -> None:
        self._sensor = sensor
        self.fresh = True
        self.line_due = False
        self.clears = 0  # of its accumulators, since boot
        self.sequence = -1
        self.charge = self.energy = self.die = 0
        self._began = 0

    def restart(self) -> None:
        """The sensor was set up."""
        self.clears = (self.clears + 1) & 255
        self.fresh = True
        self.line_due = False

    def wanted(self, windows: "Windows", now: int) -> bool:
        """Is this the window whose line it goes with? Not long after its end."""
        if self._sensor.kind != INA228 or self.line_due or not windows.line_due:
            return False
        if not self.fresh and (now - self._began) & MASK < _EVERY_US:
            return False
        closed = windows.closed
        return closed.sequence != self.sequence and windows.now_us(now) - closed.time_us <= _LATE_US

    def read(self, sequence: int, now: int) -> None:
        """Three registers; what cannot be read is not sent."""
        self.fresh = False
        self._began = now
        self.sequence = sequence
        counts = self._sensor.own_counts()
        if counts is not None:
            self.charge, self.energy, self.die = counts
            self.line_due = True

    def ready(self, windows: "Windows") -> bool:
        """Its window's line is out."""
        return self.line_due and not (windows.line_due and windows.closed.sequence == self.sequence)
