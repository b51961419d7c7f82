"""The load switch: its state as remembered, the board's own cutoff, and whether an open switch holds."""

from .cutoff import MASK, Cutoff
from .memory import BY_CUTOFF, BY_HOST, BY_SENSOR, CLOSED, Memory, Record
from .units import Units

TYPE_CHECKING = False
if TYPE_CHECKING:
    from ..contract import Port

# Reasons of a `load` line.
HOST, CUTOFF, BOOT, STATUS, SENSOR = b"host", b"cutoff", b"boot", b"status", b"sensor"
_OPENED_BY = {HOST: BY_HOST, CUTOFF: BY_CUTOFF, SENSOR: BY_SENSOR}
# An open switch: current that still flows after so long, in the mean of so long, above so much over the shunt.
_SETTLE_US = 500000
_BLOCK_US = 250000
_LEAK = 6400  # 400 uV, in a count's worth


class LoadSwitch:
    """``line_due``: a `load` line is to be sent; ``kept`` False: the memory did not take the last change."""

    def __init__(self, port: "Port", memory: Memory, record: Record, fitted: bool) -> None:
        self._port = port
        self._memory = memory
        self.record = record
        self.fitted = fitted
        self.cutoff = Cutoff()
        self.line_due = False
        self.reason = BOOT
        self.time_us = 0
        self.kept = True
        self._block_began = self._block_sum = self._block_count = 0
        self._settling = True
        self._between = False
        self.flow_sum = self.flow_count = 0

    @property
    def closed(self) -> bool:
        return self.fitted and self.record.opened == CLOSED

    def tell(self, reason: bytes, time_us: int) -> None:
        self.line_due = True
        self.reason = reason
        self.time_us = time_us

    def start(self, now: int, time_us: int) -> None:
        """At boot: as it was remembered."""
        self._port.set_switch(self.closed)
        self.cutoff.restart(now)
        self._watch_from(now)
        if self.fitted:
            self.tell(BOOT, time_us)

    def move(self, closed: bool, reason: bytes, now: int, time_us: int) -> None:
        if not self.fitted:
            return
        if closed != self.closed:
            self._watch_from(now)
        self._port.set_switch(closed)
        self.cutoff.restart(now)
        self.tell(reason, time_us)
        opened = self.record.opened
        if closed:
            opened = CLOSED
        elif opened != BY_CUTOFF:
            opened = _OPENED_BY.get(reason, opened)
        if opened != self.record.opened:
            self.record.opened = opened
            self.kept = self._memory.save(self.record) and self.kept

    def set_cutoff(self, cutoff_uv: int, hold_ms: int, units: Units, now: int) -> None:
        self.record.cutoff_uv = cutoff_uv
        self.record.hold_ms = hold_ms
        self.use_units(units)
        self.cutoff.restart(now)
        self.kept = self._memory.save(self.record) and self.kept

    def use_units(self, units: Units) -> None:
        self.cutoff.set(self.record.cutoff_uv, self.record.hold_ms, units)
        self._worth = units.worth

    def _watch_from(self, now: int) -> None:
        self._block_began = now
        self._settling = True

    def still_flows(self, shunt: int, now: int) -> bool:
        """One pair while the switch is open: True at the end of a block in which current flowed.

        A block begins where one conversion ends: that one is not in it.
        """
        passed_us = (now - self._block_began) & MASK
        if self._settling:
            if passed_us < _SETTLE_US:
                return False
            self._settling = False
            self._between = True
        if self._between:
            self._between = False
            self._block_began = now
            self._block_sum = self._block_count = 0
            return False
        self._block_sum += shunt
        self._block_count += 1
        if passed_us < _BLOCK_US:
            return False
        self._between = True
        if abs(self._block_sum) * self._worth <= _LEAK * self._block_count:
            return False
        self.flow_sum, self.flow_count = self._block_sum, self._block_count
        return True
