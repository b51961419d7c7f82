"""Local time over a change of summer time: an hour that is missing or comes twice, and what it means for elapsed time.

Rules of the zones come from the IANA data (``zoneinfo``). Where the file names no zone, the changes of the zones below are
looked at: the European, North American, Australian and New Zealand rules, and some by themselves.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from logger.base.errors import BenchError
from logger.text.timing.written import DAY_S, fixed_zone, moment_words

Floats = npt.NDArray[np.float64]
_LOOKED_AT: Final = (
    "Europe/Berlin", "America/New_York", "Europe/London", "Europe/Helsinki", "Australia/Sydney", "Pacific/Auckland",
    "Australia/Adelaide", "America/Santiago", "Asia/Jerusalem", "Africa/Cairo", "America/Havana", "Atlantic/Azores",
)  # fmt: skip
_LONGEST_S: Final = 800 * DAY_S


@dataclass(frozen=True)
class Change:
    """One change: local time jumps from ``before_s`` to ``after_s`` (seconds, as if both were UTC)."""

    zone: str
    utc_s: float
    before_s: float
    after_s: float

    @property
    def shift_s(self) -> float:
        return self.after_s - self.before_s


def find_zone(name: str) -> tzinfo:
    """Zone of an IANA name, ``UTC`` or an offset. Raises BenchError."""
    fixed = fixed_zone(name)
    if fixed is not None:
        return fixed
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, LookupError):
        raise BenchError(
            f"The time zone {name!r} is not known.",
            next_step="give one like Europe/Berlin, or an offset such as UTC or +01:00.",
        ) from None


def _offset_s(zone: tzinfo, utc_s: float) -> float:
    offset = datetime.fromtimestamp(utc_s, UTC).astimezone(zone).utcoffset()
    return offset.total_seconds() if offset is not None else 0.0


@lru_cache(maxsize=64)
def changes_of(name: str, first_day: int, last_day: int) -> tuple[Change, ...]:
    """Changes of a zone between two days (since 1970-01-01)."""
    zone = find_zone(name)
    found = []
    for day in range(first_day - 1, last_day + 2):
        low, high = day * DAY_S, (day + 1) * DAY_S
        before, after = _offset_s(zone, low), _offset_s(zone, high)
        if before == after:
            continue
        while high - low > 60:
            middle = (low + high) / 2 // 60 * 60
            low, high = (middle, high) if _offset_s(zone, middle) == before else (low, middle)
        found.append(Change(name, high, high + before, high + after))
    return tuple(found)


def change_between(before_s: float, after_s: float, seen: bool = False) -> Change | None:
    """Change of a usual zone that lies between two local times of neighbouring rows, None if there is none.

    A missing hour must lie wholly between them. Of an hour that comes twice some may lie in a gap, unless the step
    back in it was ``seen``; or they are that step back.
    """
    low, high = min(before_s, after_s), max(before_s, after_s)
    if high - low > _LONGEST_S:
        return None
    for name in _LOOKED_AT:
        try:
            changes = changes_of(name, int(low // DAY_S), int(high // DAY_S))
        except BenchError:  # no zone data on this computer
            return None
        for change in changes:
            if after_s >= before_s and change.shift_s > 0:
                inside = low <= change.before_s and high >= change.after_s
            elif after_s >= before_s:
                inside = not seen and low < change.before_s and high > change.after_s
            else:
                inside = change.shift_s < 0 and (
                    before_s <= change.before_s and after_s >= change.after_s
                )
            if inside:
                return change
    return None


def to_utc(local_s: Floats, name: str, usual_s: float) -> Floats:
    """Unix time (n,) of local times in file order; an hour that comes twice is told by the step back in it.

    Raises BenchError for a local time that the zone leaves out, or one that cannot be placed.
    """
    zone = find_zone(name)
    first, last = float(local_s.min()), float(local_s.max())
    if fixed_zone(name) is not None:
        return local_s - _offset_s(zone, first)
    offset = np.full(len(local_s), _offset_s(zone, first - _offset_s(zone, first) - DAY_S))
    if last - first > _LONGEST_S:
        raise BenchError(
            "The file is too long for a time zone.", next_step="leave out --time-zone."
        )
    changes = changes_of(name, int(first // DAY_S) - 1, int(last // DAY_S) + 1)
    for change in changes:
        if change.shift_s > 0:
            lost = (local_s > change.before_s) & (local_s < change.after_s)
            if lost.any():
                at = moment_words(float(local_s[lost][0]))
                raise BenchError(
                    f"The clock did not follow {name}: there is no {at} there.",
                    next_step="give the offset that it kept, e.g. --time-zone +01:00.",
                )
            late = local_s >= change.after_s
        else:
            late = local_s >= change.before_s
            twice = np.flatnonzero((local_s >= change.after_s) & ~late)
            if len(twice):
                late[_second_pass(local_s, twice, usual_s, name)] = True
        offset[late] += change.shift_s
    return np.asarray(local_s - offset)


def _second_pass(
    local_s: Floats, twice: npt.NDArray[np.int64], usual_s: float, name: str
) -> npt.NDArray[np.int64]:
    """Those of the rows in an hour that comes twice that lie in its second pass."""
    back = np.flatnonzero(np.diff(local_s[twice]) < -10 * max(usual_s, 1.0))
    if len(back) == 1:
        return twice[back[0] + 1 :]
    near = 2.5 * usual_s
    start, end = int(twice[0]), int(twice[-1])
    joins_before = start > 0 and local_s[start] - local_s[start - 1] <= near
    joins_after = end + 1 < len(local_s) and local_s[end + 1] - local_s[end] <= near
    if joins_before and joins_after:
        at = moment_words(float(local_s[start]))
        raise BenchError(
            f"The hour of {at} comes twice in {name}, but the rows go through it once without a break.",
            next_step="if the clock did not follow the change, give the offset that it kept, e.g. --time-zone +01:00.",
        )
    return twice[:0] if joins_before or (start == 0 and not joins_after) else twice
