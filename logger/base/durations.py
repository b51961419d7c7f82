"""Lengths of time as people write and read them; and moments as a description has them."""

import math
from datetime import UTC, datetime
from typing import Final

from logger.base.typed.spans import read_span

# How long a voltage must stay below the cutoff where nobody says it.
HOLD_DEFAULT_S: Final = 10.0


def parse_duration_s(text: str, *, colon_is_hours: bool = False) -> float:
    """Seconds of ``10h``, ``1h 30min``, ``6,5 Stunden``, ``100ms``. Raises ValueError; a bare number has no unit.

    ``colon_is_hours``: whether ``6:30`` is 6 h 30 min, or refused because it may be minutes and seconds.
    """
    total_s = read_span(text, colon_is_hours=colon_is_hours)
    if not 0 < total_s < math.inf:
        raise ValueError(f"{text!r} is not a length of time above zero")
    return total_s


def span_words(seconds: float, step_s: float | None = None) -> str:
    """A stretch of time in words, rounded to about ``step_s``: ``7 h 12 min``, ``3 min 20 s``, ``4.2 s``."""
    if not math.isfinite(seconds):
        return "unknown"
    if seconds < 0:
        return "-" + span_words(-seconds, step_s)
    step_s = _step_s(seconds) if step_s is None else step_s
    if seconds < 59.5 and step_s < 60:
        places = max(0, min(6, math.ceil(-math.log10(step_s) - 1e-9))) if step_s > 0 else 3
        return f"{seconds:.{places}f} s"
    if step_s < 30:
        total = round(seconds / 10) * 10 if step_s >= 10 else round(seconds)
        hours, minutes, rest = total // 3600, total % 3600 // 60, total % 60
        parts = [(hours, "h"), (minutes, "min"), (rest, "s")]
    else:
        total = round(seconds / 60)
        parts = [(total // 60, "h"), (total % 60, "min")]
    shown = [f"{number} {unit}" for number, unit in parts if number]
    return " ".join(shown) or f"0 {parts[-1][1]}"


def _step_s(seconds: float) -> float:
    """Three digits where the doubt is not known."""
    if seconds == 0:
        return 1.0
    return float(10.0 ** (math.floor(math.log10(seconds)) - 2))


def duration_text(seconds: float) -> str:
    """A length of time as ``parse_duration_s`` reads it, for a command to paste: ``6h``, ``90min``, ``30s``."""
    for unit_s, unit in ((3600, "h"), (60, "min")):
        if seconds % unit_s == 0:
            return f"{seconds / unit_s:g}{unit}"
    return f"{seconds:g}s"


def clock_text(seconds: float) -> str:
    """``2 h 05 min 09 s``; days from 24 h on, tenths below 10 s where there are any."""
    if 0 < seconds < 10 and seconds != int(seconds):
        return f"{seconds:.2g} s"
    whole = int(seconds)
    days, hours = divmod(whole // 3600, 24)
    minutes, rest = whole // 60 % 60, whole % 60
    if days:
        return f"{days} d {hours:02d} h {minutes:02d} min"
    if hours:
        return f"{hours} h {minutes:02d} min {rest:02d} s"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def rough_text(seconds: float) -> str:
    """A length of time with no more digits than a guess deserves: ``about 3 h``."""
    for unit_s, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= 1.5 * unit_s:
            return (
                f"about {seconds / unit_s:.1f} {unit}"
                if seconds < 10 * unit_s
                else f"about {seconds / unit_s:.0f} {unit}"
            )
    return "about a minute" if seconds > 30 else "under a minute"


def utc_moment(text: str) -> datetime | None:
    """Moment of an ISO 8601 text, UTC where it names no zone; None if it is none."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
