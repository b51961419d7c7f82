"""When is a run over? Cutoff held, duration, charge: checked row by row on the run's own axes."""

from typing import Final

from logger.base.durations import clock_text
from logger.run.description import Stop

_MICRO: Final = 1_000_000


class StopRule:
    """Takes rows in their order and says when, and why, the run is over.

    Cutoff: the window's mean pack voltage is below it in every row for
    ``hold_s`` (counted between the ends of the first and the last such window; 0: the
    first window below ends the run). A pulsed load's dips within a window do not
    count: the question is when the circuit gives up, not when it flickers.
    """

    def __init__(self, stop: Stop, *, resumed: bool = False) -> None:
        self.stop = stop
        self._was_above = resumed
        self._cutoff_v = float("-inf") if stop.cutoff_v is None else stop.cutoff_v
        self._hold_us = round(stop.hold_s * _MICRO)
        self._end_us = _micro(stop.duration_s)
        self._charge_umah = _micro(stop.charge_mah)
        self.below_since_us: int | None = None

    @property
    def never_above(self) -> bool:
        """No row has stood above the cutoff so far."""
        return self.stop.cutoff_v is not None and not self._was_above

    def row(self, time_us: int, pack_v: float, charge_umah: int) -> tuple[str, str] | None:
        """End reason and text if the run is over with this row, else None."""
        if pack_v < self._cutoff_v:
            if self.below_since_us is None:
                self.below_since_us = time_us
            if time_us - self.below_since_us >= self._hold_us:
                held = f", held for {clock_text(self.stop.hold_s)}" if self.stop.hold_s else ""
                if not self._was_above:
                    held = " from the first row on; check the pack's wires and the cutoff"
                return "cutoff", f"pack voltage below {self._cutoff_v:g} V{held}"
        else:
            self._was_above = True
            self.below_since_us = None
        if self._charge_umah is not None and charge_umah >= self._charge_umah:
            return "charge", f"{self.stop.charge_mah:g} mAh have been drawn"
        return self.time(time_us)

    def time(self, time_us: float) -> tuple[str, str] | None:
        """The same for the duration alone: it also passes while no rows come."""
        if self._end_us is not None and time_us >= self._end_us:
            return "duration", f"{clock_text(self.stop.duration_s or 0.0)} have passed"
        return None


def _micro(value: float | None) -> int | None:
    return None if value is None else round(value * _MICRO)
