"""Written dates and clocks: the parts of a cell, and its seconds once it is known what stands where.

Forms: ISO 8601 (also with a blank for the T), day.month.year, day/month or month/day with slashes or
hyphens, month by name (English), ``hh:mm``, ``hh:mm:ss``, ``mm:ss.f``, am and pm, zone as ``Z`` or an offset.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Final

_DAY: Final = (
    r"(?P<day>(?P<y1>\d{4})(?P<s1>[-/.])(?P<m1>\d{1,2})(?P=s1)(?P<d1>\d{1,2})"
    r"|(?P<a>\d{1,2})(?P<s2>[-/.])(?P<b>\d{1,2})(?P=s2)(?P<c>\d{4}|\d{2})(?![\d.])"
    r"|(?P<d3>\d{1,2})[- ./]?(?P<n3>[A-Za-z]{3,9})\.?[- ./,]*(?P<y3>\d{4}|\d{2})(?!\d)"
    r"|(?P<n4>[A-Za-z]{3,9})\.? (?P<d4>\d{1,2}),? (?P<y4>\d{4})"
    r"|(?P<iso>20\d{6})(?=[T ]?\d{6}))"
)
_CLOCK: Final = (
    r"(?:(?P<h>\d{1,5}):(?P<m>\d{2})(?::(?P<s>\d{2})(?:[.,:](?P<f>\d{1,9}))?|[.,](?P<mf>\d{1,9}))?"
    r"|(?P<h12>\d{1,2})(?=\s*[AaPp]\.?[Mm]))"
)
TIME_TEXT: Final = re.compile(
    rf"(?:{_DAY}(?:[T ]?(?P<hms>\d{{6}})|(?:T|,?\s+|_){_CLOCK})?|{_CLOCK.replace('(?P<', '(?P<k')})"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*(?P<zone>Z|UTC|GMT|[+-]\d{2}:?\d{2})?"
)
_MONTH_NAMES: Final = (
    "january", "february", "march", "april", "may", "june",
    "july", "august", "september", "october", "november", "december",
)  # fmt: skip
_MONTHS: Final = {
    name: number
    for number, names in enumerate(_MONTH_NAMES, start=1)
    for name in (names, names[:3], names[:4])
}
EPOCH_DAY: Final = date(1970, 1, 1).toordinal()
HOUR_S: Final = 3600.0
DAY_S: Final = 86400.0


@dataclass(frozen=True)
class Parts:
    """Parts of a written time. ``numbers``: the three of a date in the order written, None without one.

    ``order``: ``ymd``, ``dmy`` or ``mdy`` where the writing tells it, else "".
    ``clock``: the numbers between colons; ``fraction`` of the last; ``half``: ``am``, ``pm`` or "".
    """

    numbers: tuple[int, int, int] | None
    order: str
    sign: str
    clock: tuple[int, ...]
    fraction: float
    half: str
    zone: str


def parts_of(text: str) -> Parts | None:
    """Parts of a date, a clock or both; None for any other text."""
    found = TIME_TEXT.fullmatch(text.strip())
    if found is None:
        return None
    numbers, order, sign = _date_numbers(found)
    if found["day"] is not None and numbers is None:
        return None
    mark = "" if found["day"] is not None else "k"
    if found["hms"]:
        hms = found["hms"]
        clock: tuple[int, ...] = (int(hms[:2]), int(hms[2:4]), int(hms[4:]))
    elif found[f"{mark}h12"]:
        clock = (int(found[f"{mark}h12"]), 0)
    else:
        clock = tuple(int(found[mark + key]) for key in "hms" if found[mark + key] is not None)
    digits = found[f"{mark}f"] or found[f"{mark}mf"]
    half = (found["half"] or "").lower().replace(".", "")
    return Parts(
        numbers,
        order,
        sign,
        clock,
        float(f"0.{digits}") if digits else 0.0,
        half,
        found["zone"] or "",
    )


def _date_numbers(found: re.Match[str]) -> tuple[tuple[int, int, int] | None, str, str]:
    if found["y1"]:
        return (int(found["y1"]), int(found["m1"]), int(found["d1"])), "ymd", found["s1"]
    if found["a"]:
        order = "dmy" if found["s2"] == "." else ""
        return (int(found["a"]), int(found["b"]), int(found["c"])), order, found["s2"]
    if found["iso"]:
        text = found["iso"]
        return (int(text[:4]), int(text[4:6]), int(text[6:])), "ymd", ""
    name = found["n3"] or found["n4"]
    month = _MONTHS.get(name.lower()) if name else None
    if month is None:
        return None, "", ""
    return (int(found["d3"] or found["d4"]), month, int(found["y3"] or found["y4"])), "dmy", "name"


def day_number(numbers: tuple[int, int, int], order: str) -> int:
    """Days since 1970-01-01 of a date whose numbers stand in this order. Raises ValueError for no date."""
    year, month, day = (numbers[order.index(key)] for key in "ymd")
    return date(year + 2000 if year < 100 else year, month, day).toordinal() - EPOCH_DAY


def clock_seconds(parts: Parts, minutes_first: bool = False) -> float:
    """Seconds of the clock of ``parts``; two numbers are hours and minutes, or minutes and seconds.

    Raises ValueError.
    """
    if not parts.clock:
        return 0.0
    if minutes_first and len(parts.clock) == 2:
        hours, (minutes, seconds) = 0, parts.clock
    else:
        hours, minutes, seconds = (*parts.clock, 0, 0)[:3]
        if not 0 <= minutes < 60:
            raise ValueError("no time of day")
    if not 0 <= seconds < 61:
        raise ValueError("no time of day")
    if parts.half and hours <= 12:
        hours = hours % 12 + 12 * (parts.half == "pm")
    return hours * 3600.0 + minutes * 60.0 + seconds + parts.fraction


def zone_s(zone: str) -> float:
    """Offset from UTC in s of ``Z``, ``UTC``, ``GMT``, ``+01:00`` or ``+0100``."""
    if zone[:1] not in ("+", "-"):
        return 0.0
    digits = zone[1:].replace(":", "")
    return (-1 if zone[0] == "-" else 1) * (int(digits[:2]) * 3600.0 + int(digits[2:]) * 60.0)


def reader(order: str, minutes_first: bool) -> Callable[[str], float]:
    """Function from a written time to seconds (Unix seconds where it has a date); it raises ValueError.

    Days are kept from row to row: a night has two of them.
    """
    days: dict[str, float] = {"": 0.0}

    def usual(text: str) -> float | None:
        """``hh:mm:ss.f``, alone or after a day that was seen before; None for anything else."""
        first, _, rest = text.replace(",", ".").partition(":")
        day, _, hours = first.replace("T", " ").rpartition(" ")
        minutes, three, seconds = rest.partition(":")
        if not three and minutes_first and not day:
            hours, minutes, seconds = "0", hours, minutes
            if minutes.isdigit() and int(minutes) >= 60:
                return None
        elif not three:
            seconds = "0"
        if day not in days or not (hours.isdigit() and minutes.isdigit()):
            return None
        try:
            second = float(seconds)
        except ValueError:
            return None
        if not (0 <= second < 61 and int(minutes) < 60):
            return None
        return days[day] + int(hours) * 3600.0 + int(minutes) * 60.0 + second

    def read(text: str) -> float:
        seconds = usual(text)
        if seconds is not None:
            return seconds
        parts = parts_of(text)
        if parts is None:
            raise ValueError(f"{text!r} is no time")
        seconds = clock_seconds(parts, minutes_first)
        if parts.numbers is None:
            return seconds
        day_s = day_number(parts.numbers, parts.order or order or "dmy") * DAY_S
        if not parts.half and not parts.zone:
            days[re.split(r"[T ]+(?=\d+:)", text.strip().replace("T", " "))[0].rstrip(",")] = day_s
        return day_s + seconds - (zone_s(parts.zone) if parts.zone else 0.0)

    return read


def date_time_s(text: str) -> float:
    """Unix seconds of ISO 8601 or day.month.year text; without a zone it counts as UTC.

    Raises ValueError for text that is no date.
    """
    parts = parts_of(text)
    if parts is None or parts.numbers is None:
        raise ValueError(f"{text!r} is no date")
    return reader("", False)(text)


def utc_text(unix_s: float) -> str:
    """ISO 8601 in UTC; "" for a time outside the calendar."""
    try:
        made = datetime.fromtimestamp(unix_s, UTC)
    except (OverflowError, ValueError, OSError):
        return ""
    return made.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def moment_words(unix_s: float) -> str:
    """Date and time of day without a zone, to the second: ``2026-01-31 21:00:00``."""
    return utc_text(unix_s)[:19].replace("T", " ")


def has_zone(text: str) -> bool:
    """Whether a date and time says its zone."""
    return re.search(r"(?:Z|UTC|GMT|:\d\d(?:[.,]\d+)?\s*[+-]\d\d:?\d\d)$", text.strip()) is not None


def fixed_zone(text: str) -> timezone | None:
    """Zone of ``UTC``, ``Z`` or ``+01:00``; None for any other text."""
    if re.fullmatch(r"Z|UTC|GMT|[+-]\d{2}:?\d{2}", text) is None:
        return None
    return timezone(timedelta(seconds=zone_s(text)))


def pattern_s(pattern: str) -> Callable[[str], float]:
    """Reader of dates by a ``strptime`` pattern such as ``%m/%d/%Y %H:%M:%S``."""

    def read(text: str) -> float:
        made = datetime.strptime(text.strip(), pattern)
        return (made if made.tzinfo is not None else made.replace(tzinfo=UTC)).timestamp()

    return read
