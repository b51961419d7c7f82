"""Faults that a simulated board can be told to have: by a script or at random rates.

Line faults hit the bytes on their way to the host; board faults hit the board itself;
link faults hit the cable. All are drawn from a generator of their own, so that the
same seed gives the same faults.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from firmware_probe.twin.sensor_registers import KINDS

LINE_FAULTS: Final = ("garble", "drop", "half", "noise")
BOARD_FAULTS: Final = (
    "reset", "off", "stall", "hang", "sensor", "contact", "holder", "weld", "bridge", "worn", "swap",
)  # fmt: skip
LINK_FAULTS: Final = ("unplug", "cut")
CONTACT_OHM: Final = 15.0
RESET_CAUSES: Final = ("power", "reset", "brownout", "watchdog", "unknown")


@dataclass(frozen=True)
class Fault:
    """One fault at a time of the board's life.

    ``time_us``: true microseconds since the simulated board was made (it does not start again
    at a boot). ``kind``:

    - ``garble``, ``drop``, ``half``, ``noise``: the next ``count`` lines have one byte changed, are
      lost, are cut in half without their LF, or are preceded by random bytes,
    - ``reset``: starts again with ``cause``; ``off``: no power for ``duration_s``, then boot ``power``,
    - ``stall``: the firmware does nothing for ``duration_s``; conversions go unread,
    - ``hang``: the sensor's bus hangs for ``duration_s`` and is recovered; ``sensor``: the sensor does
      not answer for ``duration_s``; ``contact``: a bad contact puts ``CONTACT_OHM`` in series with the load,
      ``holder``: between pack and sensor; ``swap``: another kind of sensor, ``cause``, is put in its place,
    - ``weld``: the load switch conducts whatever it is told; ``bridge``: a second way from the piece to ground
      goes around it (both for ``duration_s``; without one for good); ``worn``: from now on the EEPROM takes nothing,
    - ``unplug``: the link is gone for ``duration_s``, the board lives; ``cut``: link and power are gone.
    """

    time_us: int
    kind: str
    duration_s: float = 0.0
    count: int = 1
    cause: str = "reset"


@dataclass(frozen=True)
class FaultRates:
    """Random faults. Line faults: probability per line; the others: mean number per hour of board time.

    Durations are exponential with the given means.
    """

    garble: float = 0.0
    drop: float = 0.0
    half: float = 0.0
    noise: float = 0.0
    reset_per_h: float = 0.0
    off_per_h: float = 0.0
    stall_per_h: float = 0.0
    hang_per_h: float = 0.0
    unplug_per_h: float = 0.0
    cut_per_h: float = 0.0
    contact_per_h: float = 0.0
    contact_s: float = 0.1
    stall_s: float = 0.5
    hang_s: float = 1.0
    off_s: float = 10.0
    unplug_s: float = 20.0


_VALUE_MAX: Final = 1e7
_FOR_GOOD: Final = ("weld", "bridge")
NO_FAULTS: Final = FaultRates()
_ITEM = re.compile(
    r"^\s*(?P<time>\d+(?:\.\d+)?)\s*:\s*(?P<kind>[a-z]+)\s*(?:=\s*(?P<value>[A-Za-z0-9.]+))?\s*$"
)


def parse_script(text: str) -> tuple[Fault, ...]:
    """Faults of a text such as ``600:reset=watchdog, 1200:unplug=30, 1800:drop=5``.

    Time in seconds, then the kind; after ``=`` the cause (``reset``), the number of lines (line
    faults) or the duration in seconds (1; ``weld``, ``bridge``: for good). Raises ValueError with the item that is not understood.
    """
    return tuple(_parse_item(item) for item in text.split(",") if item.strip())


def _parse_item(item: str) -> Fault:
    match = _ITEM.match(item)
    kind = match["kind"] if match else ""
    if match is None or kind not in LINE_FAULTS + BOARD_FAULTS + LINK_FAULTS:
        known = ", ".join(LINE_FAULTS + BOARD_FAULTS + LINK_FAULTS)
        raise ValueError(
            f"fault {item.strip()!r} is not understood: seconds:kind=value; kinds: {known}"
        )
    time_us, value = round(float(match["time"]) * 1e6), match["value"] or ""
    if kind == "reset":
        if value and value not in RESET_CAUSES:
            raise ValueError(f"fault {item.strip()!r}: causes are {', '.join(RESET_CAUSES)}")
        return Fault(time_us, kind, cause=value or "reset")
    if kind == "swap":
        if value.upper() not in KINDS:
            raise ValueError(f"fault {item.strip()!r}: sensors are {', '.join(KINDS).lower()}")
        return Fault(time_us, kind, cause=value.upper())
    try:
        number = float(value) if value else _VALUE_MAX if kind in _FOR_GOOD else 1.0
    except ValueError:
        raise ValueError(f"fault {item.strip()!r}: {value!r} is not a number") from None
    if not 0.0 <= number <= _VALUE_MAX:
        raise ValueError(f"fault {item.strip()!r}: {value} is beyond 0 to {_VALUE_MAX:g}")
    if kind in LINE_FAULTS:
        return Fault(time_us, kind, count=round(number))
    return Fault(time_us, kind, duration_s=number)


@dataclass
class FaultPlayer:
    """Plays a script and random rates; counts what it did to whom.

    ``counts`` names every fault played, so that a test knows the truth.
    """

    script: Sequence[Fault] = ()
    rates: FaultRates = NO_FAULTS
    seed: int = 0
    counts: dict[str, int] = field(default_factory=dict, init=False)
    _armed: dict[str, int] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        self._rng = np.random.default_rng([self.seed, 0xFA17])
        self._waiting = sorted(self.script, key=lambda fault: fault.time_us)
        for kind, rate in self._timed_rates():
            if rate > 0.0:
                self._plan(kind, rate, 0)
        r = self.rates
        self._line_rates = any((r.garble, r.drop, r.half, r.noise))

    def _timed_rates(self) -> Iterable[tuple[str, float]]:
        r = self.rates
        yield from (
            ("reset", r.reset_per_h),
            ("off", r.off_per_h),
            ("stall", r.stall_per_h),
            ("hang", r.hang_per_h),
            ("unplug", r.unplug_per_h),
            ("cut", r.cut_per_h),
            ("contact", r.contact_per_h),
        )

    def _plan(self, kind: str, rate_per_h: float, after_us: int) -> None:
        """Draw the next fault of a random kind."""
        r = self.rates
        mean_s = {"stall": r.stall_s, "hang": r.hang_s, "off": r.off_s, "contact": r.contact_s}
        wait_us = round(self._rng.exponential(3600.0 / rate_per_h) * 1e6)
        duration_s = float(self._rng.exponential(mean_s.get(kind, r.unplug_s)))
        cause = str(self._rng.choice(RESET_CAUSES[1:4]))
        self._waiting.append(Fault(after_us + wait_us, kind, duration_s, cause=cause))
        self._waiting.sort(key=lambda fault: fault.time_us)

    def next_us(self) -> int | None:
        """Time of the next fault that is waiting."""
        return self._waiting[0].time_us if self._waiting else None

    def take(self, time_us: int) -> Fault | None:
        """Next board or link fault that is due; line faults that are due are armed on the way."""
        while self._waiting and self._waiting[0].time_us <= time_us:
            fault = self._waiting.pop(0)
            rate = dict(self._timed_rates()).get(fault.kind, 0.0)
            if rate > 0.0 and fault not in self.script:
                self._plan(fault.kind, rate, fault.time_us + round(fault.duration_s * 1e6))
            if fault.kind in LINE_FAULTS:
                self._armed[fault.kind] = self._armed.get(fault.kind, 0) + fault.count
                continue
            self._count(fault.kind)
            return fault
        return None

    def line(self, line: bytes) -> bytes:
        """What arrives of one line."""
        if not (self._armed or self._line_rates):
            return line
        r = self.rates
        if self._hits("drop", r.drop):
            return b""
        if self._hits("garble", r.garble):
            line = self._garble(line)
        if self._hits("half", r.half):
            line = line[: int(self._rng.integers(1, max(len(line) - 1, 2)))]
        if self._hits("noise", r.noise):
            line = self._rng.bytes(int(self._rng.integers(1, 40))) + line
        return line

    def _hits(self, kind: str, probability: float) -> bool:
        armed = self._armed.get(kind, 0)
        if armed:
            self._armed[kind] = armed - 1
            if armed == 1:
                del self._armed[kind]
        elif not (probability > 0.0 and self._rng.random() < probability):
            return False
        self._count(kind)
        return True

    def _garble(self, line: bytes) -> bytes:
        """One byte changed to another."""
        place = int(self._rng.integers(0, len(line)))
        change = int(self._rng.integers(1, 256))
        return line[:place] + bytes([line[place] ^ change]) + line[place + 1 :]

    def _count(self, kind: str) -> None:
        self.counts[kind] = self.counts.get(kind, 0) + 1
