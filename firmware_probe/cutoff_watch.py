"""The board's own cutoff: has every conversion pair been below it for the hold time?"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from firmware_probe.sensor import IntArray

# Without a conversion for so long the cells are unwatched: the board opens the switch.
CUTOFF_BLIND_US: Final = 30_000_000


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
