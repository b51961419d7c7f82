"""Time of foreign rows: cells to seconds, and a clock that wraps, jumps or goes back put straight.

All functions work on seconds in file order. Nothing is thrown away here: the
result says which rows cannot be placed in time, and why.
"""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.errors import BenchError
from logger.base.numbers import digits_text
from logger.run.description import Event
from logger.run.reader import longest_in_order

Floats = npt.NDArray[np.float64]

_MIDNIGHT_S: Final = 86400.0
# Counters of sketches (32-bit ms and us, also signed; 31-bit, 16-bit) and the clock at midnight.
_WRAPS: Final = (
    (2**32 * 1e-3, "the millisecond counter wrapped at 2^32"),
    (2**32 * 1e-6, "the microsecond counter wrapped at 2^32"),
    (2**31 * 1e-3, "the millisecond counter wrapped at 2^31"),
    (2**31 * 1e-6, "the microsecond counter wrapped at 2^31"),
    (2**16 * 1e-3, "the millisecond counter wrapped at 2^16"),
    (2**16 * 1.0, "the second counter wrapped at 2^16"),
    (_MIDNIGHT_S, "the clock passed midnight"),
)
_WRAP_STEPS: Final = 20.0  # a wrap leaves a step of at most so many usual steps
_CLOSE_STEPS: Final = 2.5  # a wrap right at zero with a longer step than this is a restart
_GLITCH_ROWS: Final = 3  # so many rows with an odd time are a glitch, more are a clock set back
_BACK_SHARE_MAX: Final = 0.02  # a column that goes back more often is no time
GAP_STEPS: Final = 10.0  # a step of more than so many usual steps is a gap
_MISSING_STEPS: Final = 1.6  # a step of more than so many usual steps: rows are missing
_EVENTS_MAX: Final = 200


@dataclass(frozen=True)
class Ordered:
    """Times (n,) in s from the first kept row, which rows are kept, and what was found.

    ``rejected``: row index to reason. ``boot``: (n,) count of starts of the clock, 0 at first.
    ``usual_step_s``: median of the steps forward; NaN for a single row.
    """

    time_s: Floats
    keep: npt.NDArray[np.bool_]
    reversed_rows: bool
    boot: npt.NDArray[np.int64]
    rejected: dict[int, str]
    events: tuple[Event, ...]
    warnings: tuple[str, ...]
    usual_step_s: float
    zero_s: float


def put_in_order(time_s: Floats, gap_s: float | None = None) -> Ordered:
    """Times that never decrease from times (n,) in file order.

    A counter that wraps is unwrapped; a clock that starts again or is set back goes on one
    usual step later (how long it stood is unknown, and told); up to three rows with
    an odd time are rejected. ``gap_s``: longest step that is no gap, by default ten usual steps.

    Raises BenchError if the times do not increase at all, or go back so often that they are no times.
    """
    steps = np.diff(time_s)
    turned = len(time_s) > 2 and (steps < 0).sum() > 0.9 * max(1, (steps != 0).sum())
    if turned:
        time_s = time_s[::-1]
        steps = np.diff(time_s)
    usual_s = _usual_step_s(time_s, steps)
    warnings = ["the file has its newest row first; it was turned round"] if turned else []
    events: list[Event] = []
    straight, boot, rejected = _straighten(time_s, usual_s, events)
    keep = np.ones(len(time_s), dtype=np.bool_)
    keep[list(rejected)] = False
    left = np.flatnonzero(keep)
    for place in left[~longest_in_order(straight[left])].tolist():
        rejected[place] = "its time goes back"
        keep[place] = False
    zero_s = float(straight[keep][0])
    straight = straight - zero_s
    placed = [Event(event.time_s - zero_s, event.kind, event.text, event.lost) for event in events]
    gaps, gap_warnings = find_gaps(straight[keep], usual_s, gap_s)
    return Ordered(
        straight,
        keep,
        turned,
        boot,
        rejected,
        tuple(sorted((*placed, *gaps), key=lambda event: event.time_s)),
        (*warnings, *gap_warnings),
        usual_s,
        zero_s,
    )


def _usual_step_s(time_s: Floats, steps_s: Floats) -> float:
    """Median step forward, NaN for a single row. Raises BenchError if the times are none."""
    forward = steps_s[steps_s > 0]
    if len(time_s) > 1 and len(forward) == 0:
        raise BenchError(
            "The time does not increase at all.",
            evidence=f"{len(time_s)} rows, all between {time_s.min():g} and {time_s.max():g} s",
            next_step="name another column with --time, or give the time between rows with --every.",
        )
    usual_s = float(np.median(forward)) if len(forward) else math.nan
    backwards = sum(
        _wrap(float(time_s[place]), float(time_s[place + 1]), usual_s) is None
        for place in np.flatnonzero(steps_s < 0).tolist()
    )
    if backwards > max(20.0, _BACK_SHARE_MAX * len(time_s)):
        raise BenchError(
            "The time goes back again and again: this column is no time.",
            evidence=f"{backwards} of {len(time_s)} rows lie before the row above",
            next_step="name the column of the time with --time.",
        )
    return usual_s


def _straighten(
    time_s: Floats, usual_s: float, events: list[Event]
) -> tuple[Floats, npt.NDArray[np.int64], dict[int, str]]:
    """Times with wraps and set-back clocks undone, boots counted, and glitches by row."""
    straight = time_s.copy()
    boot = np.zeros(len(time_s), dtype=np.int64)
    rejected: dict[int, str] = {}
    for place in np.flatnonzero(np.diff(time_s) < 0).tolist():
        here = place + 1
        if here in rejected:
            continue
        before = place
        while before in rejected:  # never all: a glitch leaves the row before it
            before -= 1
        before_s, after_s = float(time_s[before]), float(time_s[here])
        if after_s >= before_s:
            continue
        wrap = _wrap(before_s, after_s, usual_s)
        if wrap is not None:
            span_s, words = wrap
            straight[here:] += span_s
            text = f"{words}; unwrapped"
            events.append(Event(float(straight[here]), "clock", text))
            continue
        odd = _glitch(time_s, here, usual_s)
        if odd:
            rejected.update(odd)
            continue
        shift_s = before_s + usual_s - after_s
        straight[here:] += shift_s
        restarted = after_s <= max(10.0, _WRAP_STEPS * usual_s)
        if restarted:
            boot[here:] += 1
        told = "the clock started again from" if restarted else "the clock was set back to"
        events.append(
            Event(
                float(straight[here]),
                "boot" if restarted else "clock",
                f"{told} {after_s:g} s after {before_s:g} s; how long it stood is not known, one usual step ({usual_s:g} s) was put in",
            )
        )
    return straight, boot, rejected


def _wrap(before_s: float, after_s: float, usual_s: float) -> tuple[float, str] | None:
    """Span and words of the counter that wrapped between these two times, if one fits."""
    for span_s, words in _WRAPS:
        step_s = after_s + span_s - before_s
        # The longer the step for the span, the more a restart could pass for a wrap.
        steps_max = min(_WRAP_STEPS, span_s / (4 * usual_s))
        # A clock that starts at zero with rows missing before it: it began again, by chance near a wrap.
        if span_s != _MIDNIGHT_S and 0 <= after_s < usual_s:
            steps_max = min(steps_max, _CLOSE_STEPS)
        if before_s < span_s and 0 < step_s <= steps_max * usual_s:
            return span_s, words
    return None


def _glitch(time_s: Floats, here: int, usual_s: float) -> dict[int, str]:
    """Rows whose odd time explains that ``here`` lies before the row above; empty: none."""
    for count in range(1, _GLITCH_ROWS + 1):
        sound = here - 1 - count
        near_s = GAP_STEPS * (count + 1) * usual_s
        if (
            sound >= 0
            and 0 <= time_s[here] - time_s[sound] <= near_s
            and time_s[sound + 1 : here].min() - time_s[sound] > near_s
        ):
            return dict.fromkeys(range(sound + 1, here), "its time is far ahead of the rows around")
        after = here + count
        if after < len(time_s) and 0 <= time_s[after] - time_s[here - 1] <= near_s:
            return dict.fromkeys(range(here, after), "its time goes back")
    if here + _GLITCH_ROWS >= len(time_s) and time_s[here] > time_s[0]:
        return dict.fromkeys(range(here, len(time_s)), "its time goes back")
    return {}


def find_gaps(time_s: Floats, usual_s: float, gap_s: float | None) -> tuple[list[Event], list[str]]:
    """Gaps as events, and in words how many rows seem to be missing in shorter steps."""
    steps = np.diff(time_s)
    longest_s = gap_s if gap_s is not None else GAP_STEPS * usual_s
    places = np.flatnonzero(steps > longest_s)
    warnings: list[str] = []
    if len(places) > _EVENTS_MAX:
        warnings.append(
            f"{len(places)} gaps of more than {longest_s:g} s; the {_EVENTS_MAX} longest are listed as events"
        )
        places = np.sort(places[np.argsort(steps[places])[-_EVENTS_MAX:]])
    events = []
    for place in places.tolist():
        step_s = float(steps[place])
        rows = max(0, round(step_s / usual_s) - 1)
        events.append(
            Event(
                float(time_s[place]),
                "gap",
                f"nothing for {span_words(step_s)}, about {rows} rows",
                {"rows": float(rows), "duration_s": round(step_s, 6)},
            )
        )
    same = int((steps == 0).sum())
    if same:
        warnings.append(f"rows with the same time as the row above, kept: {same}")
    short = (steps > _MISSING_STEPS * usual_s) & (steps <= longest_s)
    missing = float(np.round(steps[short] / usual_s - 1).sum())
    if missing:
        warnings.append(
            f"rows that seem to be missing, a few at a time: about {missing:.0f} (steps of more than {_MISSING_STEPS:g} usual ones)"
        )
    return events, warnings


def span_words(span_s: float) -> str:
    """A time span for people: ``12 min 3 s``, ``13 h 2 min``, ``0.50 s``."""
    if span_s < 10:
        return f"{digits_text(span_s, 3)} s"
    if span_s < 60:
        return f"{span_s:.0f} s"
    whole = round(span_s)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    minutes = round(span_s / 60)
    hours, minutes = divmod(minutes, 60)
    if hours < 72:
        return f"{hours} h {minutes} min"
    return f"{hours // 24} d {hours % 24} h"


# --- cells to seconds ------------------------------------------------------------------------


def date_time_s(text: str) -> float:
    """Unix seconds of ISO 8601 or day.month.year text; without a zone it counts as UTC.

    Raises ValueError for text that is no date.
    """
    made = datetime.fromisoformat(_as_iso(text))
    return (made if made.tzinfo is not None else made.replace(tzinfo=UTC)).timestamp()


def utc_text(unix_s: float) -> str:
    """ISO 8601 in UTC; "" for a time outside the calendar."""
    try:
        made = datetime.fromtimestamp(unix_s, UTC)
    except (OverflowError, ValueError, OSError):
        return ""
    return made.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def has_zone(text: str) -> bool:
    """Whether a date and time says its zone."""
    return re.search(r"(?:Z|:\d\d(?:[.,]\d+)?\s*[+-]\d\d:?\d\d)$", text.strip()) is not None


def _as_iso(text: str) -> str:
    match = re.fullmatch(
        r"(?:(\d{4})[-/](\d{1,2})[-/](\d{1,2})|(\d{1,2})\.(\d{1,2})\.(\d{4}))(?:[T ]\s*(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d+))?)?)?\s*(Z|[+-]\d{2}:?\d{2})?",
        text.strip(),
    )
    if match is None:
        raise ValueError(f"{text!r} is no date")
    year, month, day = (
        (match[1], match[2], match[3]) if match[1] else (match[6], match[5], match[4])
    )
    clock = f"{int(match[7] or 0):02d}:{match[8] or '00'}:{match[9] or '00'}"
    fraction = f".{match[10][:6]:0<6}" if match[10] else ""
    return f"{year}-{int(month):02d}-{int(day):02d}T{clock}{fraction}{match[11] or ''}"


def clock_s(text: str) -> float:
    """Seconds of ``h:mm``, ``h:mm:ss`` or ``h:mm:ss.fff``. Raises ValueError."""
    hours, minutes, *rest = text.strip().replace(",", ".").split(":")
    seconds = float(rest[0]) if rest else 0.0
    if len(rest) > 1 or not 0 <= int(minutes) < 60 or not 0 <= seconds < 61:
        raise ValueError(f"{text!r} is no time of day")
    return int(hours) * 3600.0 + int(minutes) * 60.0 + seconds


def pattern_s(pattern: str) -> Callable[[str], float]:
    """Reader of dates by a ``strptime`` pattern such as ``%m/%d/%Y %H:%M:%S``."""

    def read(text: str) -> float:
        made = datetime.strptime(text.strip(), pattern)
        return (made if made.tzinfo is not None else made.replace(tzinfo=UTC)).timestamp()

    return read
