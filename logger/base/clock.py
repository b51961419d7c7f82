"""The computer's clocks: which one goes on, which one sleeps, which one is set.

A run's length is taken from the board. The computer's clocks serve for
what the board cannot know: how long it was away, and what time of day it was.
"""

import ctypes
import hashlib
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

STALL_S: Final = 5.0  # the recording loop comes round many times a second
SLEEP_S: Final = 1.0
STEP_S: Final = 0.5  # NTP slews at most 0.5 ms per second: a jump like this is a set clock
ANCHORS_MAX: Final = 128
ANCHOR_INTERVAL_S: Final = 60.0


@dataclass(frozen=True)
class Moment:
    """One reading of three clocks, in seconds.

    ``steady_s`` never steps and counts while the computer sleeps; ``awake_s`` never
    steps and stands still in sleep (equal to ``steady_s`` where a system has no such
    clock); ``wall_s`` is UTC since 1970 and may be set at any time.
    """

    steady_s: float
    awake_s: float
    wall_s: float

    @property
    def utc(self) -> str:
        return datetime.fromtimestamp(self.wall_s, UTC).isoformat(timespec="milliseconds")


Clock = Callable[[], Moment]


def read_clocks() -> Moment:
    """The computer's clocks now."""
    steady_s, awake_s = _steady_and_awake()
    return Moment(steady_s, awake_s, time.time())


def _steady_and_awake() -> tuple[float, float]:
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME), time.monotonic()
    if sys.platform == "darwin":
        # There, monotonic() stands still in sleep and the raw clock goes on.
        return time.clock_gettime(time.CLOCK_MONOTONIC_RAW), time.monotonic()
    now_s = time.monotonic()
    return now_s, now_s


_BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")
_CLOCK_CHIP: Final = Path("/sys/class/rtc/rtc0")
_NOT_SYNCHRONISED: Final = 5  # TIME_ERROR of adjtimex(2)
_TIMEX_BYTES: Final = 512  # struct timex takes 208; its first field 0 asks only


def host_boot() -> str:
    """Which start of which computer this is, as a short hash; empty where the system does not tell."""
    try:
        return hashlib.sha256(_BOOT_ID.read_bytes()).hexdigest()[:12]
    except OSError:
        return ""


def keeps_time_switched_off() -> bool:
    """Whether the time of day can be trusted after a power cut: a clock chip goes on, or the network has set it since.

    Small computers without such a chip go on from where they stopped, and look right. True where it cannot be told.
    """
    if sys.platform != "linux" or _CLOCK_CHIP.exists():
        return True
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    except (OSError, AttributeError):
        return True
    return int(state) != _NOT_SYNCHRONISED


@dataclass(frozen=True)
class Pause:
    """How long a recording was not there: ``seconds``, None where no clock tells it; ``words``: by which clock, or why not."""

    seconds: float | None
    words: str


def pause_since(
    utc: str, steady_s: float | None, boot: str, now: Moment, *, now_boot: str, keeps_time: bool
) -> Pause:
    """From a moment that was noted (time of day, steady clock, start of the computer) until now.

    The steady clock bridges it while the computer was not started anew. Else only the time of day is there: that is
    not believed where it went back, or where the computer has been on for longer than it says.
    """
    try:
        wall_s: float | None = now.wall_s - datetime.fromisoformat(utc).timestamp()
    except ValueError:
        wall_s = None
    if boot and boot == now_boot and steady_s is not None and now.steady_s >= steady_s:
        seconds = now.steady_s - steady_s
        if wall_s is not None and abs(wall_s - seconds) > STEP_S:
            way = "forward" if wall_s > seconds else "back"
            text = f"the computer's clock was set {way} by {abs(wall_s - seconds):.1f} s meanwhile; its steady clock tells the pause"
            return Pause(seconds, text)
        return Pause(seconds, "by the computer's steady clock")
    if wall_s is None:
        return Pause(None, "the run does not say when it was last recorded")
    if wall_s < -STEP_S:
        return Pause(None, f"the computer's clock stands {-wall_s:.0f} s before the last row")
    started_anew = bool(boot and now_boot and boot != now_boot)
    if started_anew and sys.platform == "linux" and wall_s < now.steady_s - STEP_S:
        return Pause(None, "the computer has been on for longer than its clock says has passed")
    if started_anew and not keeps_time:
        return Pause(
            None, "this computer has no clock that goes on without power, and none has set it since"
        )
    return Pause(max(wall_s, 0.0), "by the time of day")


@dataclass(frozen=True)
class ClockEvent:
    """``kind``: ``sleep``, ``stall`` or ``step``; ``seconds``: how long, or by how much the clock was set."""

    kind: str
    seconds: float
    text: str


def compare(before: Moment, after: Moment) -> list[ClockEvent]:
    """What happened to the computer between two readings of a loop that never pauses long."""
    events = []
    steady_s = after.steady_s - before.steady_s
    slept_s = steady_s - (after.awake_s - before.awake_s)
    stepped_s = after.wall_s - before.wall_s - steady_s
    if slept_s > SLEEP_S:
        events.append(ClockEvent("sleep", slept_s, f"the computer slept for {slept_s:.0f} s"))
    elif steady_s > STALL_S:
        text = f"the logger was held up for {steady_s:.0f} s (computer asleep, or program stopped)"
        events.append(ClockEvent("stall", steady_s, text))
    if abs(stepped_s) > STEP_S:
        way = "forward" if stepped_s > 0 else "back"
        text = f"the computer's clock was set {way} by {abs(stepped_s):.1f} s; the run's time is not affected"
        events.append(ClockEvent("step", stepped_s, text))
    return events


class Anchors:
    """Pairs of run time and computer time, evenly thinned: never more than ``ANCHORS_MAX``."""

    def __init__(self, kept: tuple[tuple[float, float, str], ...] = ()) -> None:
        self._kept = list(kept)
        self._last: tuple[float, float, Moment] | None = None
        self._interval_s = ANCHOR_INTERVAL_S
        self._thin()

    def add(self, time_s: float, host_s: float, now: Moment, *, force: bool = False) -> bool:
        """Note an anchor; True if it is one to keep (the very last is always given as well)."""
        due = not self._kept or host_s - self._kept[-1][1] >= self._interval_s
        self._last = (time_s, host_s, now)
        if not (due or force):
            return False
        self._kept.append(_anchor(*self._last))
        self._thin()
        return True

    def all(self) -> tuple[tuple[float, float, str], ...]:
        last = [] if self._last is None else [_anchor(*self._last)]
        return tuple(self._kept if last == self._kept[-1:] else self._kept + last)

    def _thin(self) -> None:
        while len(self._kept) >= ANCHORS_MAX:
            del self._kept[1::2]
            self._interval_s *= 2


def _anchor(time_s: float, host_s: float, now: Moment) -> tuple[float, float, str]:
    return (round(time_s, 6), round(host_s, 6), now.utc)
