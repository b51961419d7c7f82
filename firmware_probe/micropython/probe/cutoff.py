"""Decides when the pack has been below the cutoff for long enough."""

from .units import Units

MASK = 0x3FFFFFFF
# Without a conversion for this long while a cutoff is set, the cells are unwatched.
BLIND_US = 30000000
_NONE = -0x3FFFFFFF


class Cutoff:
    """Times are the port's ticks: microseconds that wrap after 2^30."""

    def __init__(self) -> None:
        self._threshold = _NONE
        self._hold_ms = 0
        self._seen = 0
        self._below = False
        self._below_ms = 0
        self._rest_us = 0

    def set(self, cutoff_uv: int, hold_ms: int, units: Units) -> None:
        """cutoff_uv 0: none. hold_ms: how long the pack has to be below it."""
        self._hold_ms = hold_ms
        self._below = False
        # Least count that is not below: ceil(cutoff / count).
        worth = units.worth
        self._threshold = (16 * cutoff_uv + worth - 1) // worth if cutoff_uv else _NONE

    def restart(self, now: int) -> None:
        """Starts waiting anew, as after the switch was moved."""
        self._below = False
        self._seen = now

    def add(self, pack: int, now: int) -> bool:
        """One pair, pack in shunt counts. True when the switch has to open."""
        passed_us = (now - self._seen) & MASK
        self._seen = now
        if pack >= self._threshold:
            self._below = False
            return False
        if self._below:
            passed_us += self._rest_us
            self._below_ms += passed_us // 1000
            self._rest_us = passed_us % 1000
        else:
            self._below = True
            self._below_ms = self._rest_us = 0
        return self._below_ms >= self._hold_ms

    def blind(self, now: int) -> bool:
        """True when no pair has come for too long to protect the pack."""
        return self._threshold != _NONE and (now - self._seen) & MASK >= BLIND_US
