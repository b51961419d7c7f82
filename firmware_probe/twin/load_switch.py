"""The load switch and the board's own cutoff: has every pair been below it for the hold time?"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from firmware_probe.twin.eeprom import Eeprom
from firmware_probe.twin.sensor import IntArray

# Without a conversion for so long the cells are unwatched: the board opens the switch.
CUTOFF_BLIND_US: Final = 30_000_000
# PROTOCOL.md, fault "switch": what may flow through an open one, and how it is looked at.
LEAK_PV: Final = 400_000_000
LEAK_SETTLE_US: Final = 500_000
LEAK_BLOCK_US: Final = 250_000


@dataclass
class CutoffWatch:
    """Follows pairs from stretch to stretch.

    ``below_since_us``: first pair of the present run below. ``seen_us``: last pair of any kind.
    """

    seen_us: int
    below_since_us: int | None = field(default=None, init=False)

    def restart(self, now_us: int) -> None:
        """Start over: another cutoff, or the switch was moved."""
        self.below_since_us = None
        self.seen_us = now_us

    def first_held(
        self, pack: IntArray, ends_us: IntArray, cutoff_counts: float, hold_us: int
    ) -> int | None:
        """Index of the pair at which the pack has been below for ``hold_us``; None: not in these.

        ``pack``: counts of shape (n,) with n > 0; ``ends_us``: when each pair was complete.
        """
        below = pack < cutoff_counts
        if not below.any():
            self.below_since_us = None
            return None
        edges = np.flatnonzero(np.diff(below)) + 1
        for run in np.split(np.arange(below.size), edges):
            if not below[run[0]]:
                self.below_since_us = None
                continue
            if self.below_since_us is None:
                self.below_since_us = int(ends_us[run[0]])
            held = np.flatnonzero(ends_us[run] - self.below_since_us >= hold_us)
            if held.size:
                return int(run[held[0]])
        return None


@dataclass
class LeakWatch:
    """Does a current flow through an open switch? Sums of shunt counts over blocks of time.

    ``begin_us``: when the block under way begins; it may lie ahead.
    """

    begin_us: int
    shunt_sum: int = field(default=0, init=False)
    pairs: int = field(default=0, init=False)

    @property
    def due_us(self) -> int:
        """When the block is over."""
        return self.begin_us + LEAK_BLOCK_US

    def restart(self, now_us: int) -> None:
        self.begin_us, self.shunt_sum, self.pairs = now_us, 0, 0

    def add(self, shunt: IntArray) -> None:
        """Counts of shape (n,)."""
        self.shunt_sum += int(shunt.sum())
        self.pairs += shunt.size

    def leak_counts(self, now_us: int, step_pv: int) -> float | None:
        """Mean of the block that is over, if it is beyond what may flow; begins the next."""
        mean = self.shunt_sum / self.pairs if self.pairs else 0.0
        self.restart(now_us)
        return mean if abs(mean) * step_pv > LEAK_PV else None


class LoadSwitch:
    """The switch, its state as kept in EEPROM, the watch over the cutoff and over an open switch.

    ``is_fitted`` False: the load is always on, and nothing is watched. A switch that was open stays
    so over a reset, or cells would be drained step by step.
    """

    def __init__(self, is_fitted: bool, eeprom: Eeprom, now_us: int) -> None:
        self.is_fitted = is_fitted
        self.is_closed = not eeprom.load_open
        self._eeprom = eeprom
        self._watch = CutoffWatch(now_us)
        self.leak = LeakWatch(now_us + LEAK_SETTLE_US)

    @property
    def opened(self) -> str:
        """Why it is open, as ``hello`` has it."""
        return self._eeprom.opened if self.is_fitted and not self.is_closed else "-"

    @property
    def is_tripped(self) -> bool:
        """Opened by the cutoff: a person has to close it."""
        return self.opened == "cutoff"

    @property
    def watches_leak(self) -> bool:
        return self.is_fitted and not self.is_closed

    @property
    def state(self) -> str:
        """As the protocol's lines have it."""
        return str(int(self.is_closed)) if self.is_fitted else "-"

    @property
    def is_watching(self) -> bool:
        return bool(self._eeprom.cutoff_uv and self.is_fitted and self.is_closed)

    @property
    def blind_end_us(self) -> int:
        """When it opens because no conversion was seen for too long."""
        return self._watch.seen_us + max(CUTOFF_BLIND_US, self._hold_us)

    @property
    def _hold_us(self) -> int:
        return self._eeprom.hold_ms * 1000

    def move(self, closed: bool, reason: str, now_us: int) -> bool:
        """Open or close it; False if the EEPROM did not take it."""
        if self.is_closed != closed or not self.is_tripped:
            self._eeprom.opened = "" if closed else reason
        self.is_closed = closed
        self._eeprom.load_open = not closed
        self._watch.restart(now_us)
        self.leak.restart(now_us + LEAK_SETTLE_US)
        return self._eeprom.keep()

    def set_cutoff(self, cutoff_uv: int, hold_ms: int, now_us: int) -> bool:
        """Watch another cutoff; False if the EEPROM did not take it."""
        self._eeprom.cutoff_uv, self._eeprom.hold_ms = cutoff_uv, hold_ms
        self._watch.restart(now_us)
        return self._eeprom.keep()

    def sees(self, pack: IntArray, last_us: int, step_pv: int) -> bool:
        """Note pairs, counts of shape (n,) with n > 0, the last at ``last_us``; whether the cutoff may hold in them."""
        self._watch.seen_us = last_us
        if not self.is_watching:
            return False
        below = int(pack.min()) < self._cutoff_counts(step_pv)
        return below or self._watch.below_since_us is not None

    def first_held(self, pack: IntArray, ends_us: IntArray, step_pv: int) -> int | None:
        """Index of the pair, complete at ``ends_us`` (n,), at which the cutoff has held; None: not in these."""
        return self._watch.first_held(pack, ends_us, self._cutoff_counts(step_pv), self._hold_us)

    def _cutoff_counts(self, step_pv: int) -> float:
        return self._eeprom.cutoff_uv * 1_000_000 / step_pv
