"""Faults that are to be told: each at most once a second."""

from .cutoff import MASK

OVERFLOW, MISSED, SENSOR, BUS, RANGE, RX, BROWNOUT, WATCHDOG, SWITCH, MEMORY, SWAP = range(11)
WORDS = (
    b"overflow",
    b"missed",
    b"sensor",
    b"bus",
    b"range",
    b"rx",
    b"brownout",
    b"watchdog",
    b"switch",
    b"memory",
    b"swap",
)
_COUNTED = 2  # the first so many have a count
_PAUSE_US = 1015808
_COUNT_MAX = 0xFFFFFFFF


class Faults:
    """``counts``: conversions beyond the range, and not read, since their last line."""

    def __init__(self) -> None:
        codes = len(WORDS)
        self._due = bytearray(codes)
        self._held = bytearray(codes)
        self._sent = [0] * codes
        self.any_due = False
        self.counts = [0] * _COUNTED

    def note(self, code: int) -> None:
        self._due[code] = 1
        self.any_due = True

    def count(self, code: int, conversions: int) -> None:
        """Conversions beyond the range or not read: the line says how many."""
        self.counts[code] = min(self.counts[code] + conversions, _COUNT_MAX)
        self.note(code)

    def take_count(self, code: int) -> int:
        """-1 for a code without."""
        if code >= _COUNTED:
            return -1
        count, self.counts[code] = self.counts[code], 0
        return count

    def rest(self, now: int) -> None:
        """At least once in the ticks' 17 minutes: lets go of what was held long enough."""
        for code in range(len(self._held)):
            if self._held[code] and (now - self._sent[code]) & MASK >= _PAUSE_US:
                self._held[code] = 0

    def take(self, now: int) -> int:
        """Code whose line may be sent now; -1: none."""
        self.rest(now)
        waiting = False
        for code in range(len(self._due)):
            if not self._due[code]:
                continue
            if self._held[code]:
                waiting = True
                continue
            self._due[code] = 0
            self._held[code] = 1
            self._sent[code] = now
            return code
        self.any_due = waiting
        return -1
