"""Ways to write a moment or an elapsed time. ISO 8601 and CLDR's forms of the day from memory; zones by zoneinfo."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Final
from zoneinfo import ZoneInfo

from tests.benchmarks.import_judge.sheet import Dialect, Series

EVENING: Final = datetime(2025, 11, 28, 21, 4, 17)


def moments(series: Series, start: datetime) -> list[datetime]:
    return [start + timedelta(seconds=float(time)) for time in series.time_s]


def written(series: Series, start: datetime, pattern: str) -> list[str]:
    return [moment.strftime(pattern) for moment in moments(series, start)]


def bare_hour(texts: Sequence[str]) -> list[str]:
    """Without the zero before a single figure of day, month or hour."""
    return [text.removeprefix("0") for text in texts]


def elapsed(series: Series, form: str, begin_s: int = 0, decimal: str = ".") -> list[str]:
    """``form``: hms, ms, hm, ms.f (a tenth)."""
    texts = []
    for time in series.time_s:
        tenths = int((time + begin_s) * 10)
        whole, tenth = divmod(tenths, 10)
        minutes, second = divmod(whole, 60)
        hours, minute = divmod(minutes, 60)
        texts.append(
            {
                "hms": f"{hours:02d}:{minute:02d}:{second:02d}",
                "ms": f"{minutes:02d}:{second:02d}",
                "hm": f"{hours:02d}:{minute:02d}",
                "ms.f": f"{minutes:02d}:{second:02d}{decimal}{tenth}",
            }[form]
        )
    return texts


# ECMA-376 part 1, 18.17.4.1 (from memory): serial 2 is 1900-01-01's morrow in the 1900 system, counted as if 1900
# had a 29th of February, so that 1899-12-30 is the zero for all days since; 1904-01-01 is the zero of the other.
ZERO_1900: Final = datetime(1899, 12, 30)
ZERO_1904: Final = datetime(1904, 1, 1)


def day_numbers(
    series: Series,
    start: datetime,
    dialect: Dialect,
    *,
    zero: datetime = ZERO_1900,
    places: int = 8,
) -> list[str]:
    """Spreadsheet serials; eight decimals of a day are 0.9 ms."""
    begin = Decimal((start - zero).days) + Decimal((start - zero).seconds) / 86400
    step = Decimal(1).scaleb(-places)
    return [dialect.number((begin + time / 86400).quantize(step)) for time in series.time_s]


def day_values(texts: Sequence[str], dialect: Dialect) -> list[Decimal]:
    return [Decimal(text.replace(dialect.decimal, ".")) for text in texts]


def epoch(series: Series, start: datetime, factor: int) -> list[str]:
    begin = int(start.replace(tzinfo=UTC).timestamp())
    return [str(int((begin + time) * factor)) for time in series.time_s]


def local(series: Series, start: datetime, zone: str, pattern: str) -> list[str]:
    """Local texts of rows whose true moments go on evenly from ``start`` (UTC) through a change of summer time."""
    place = ZoneInfo(zone)
    begin = start.replace(tzinfo=UTC)
    moments_here = [(begin + timedelta(seconds=float(t))).astimezone(place) for t in series.time_s]
    texts = []
    for moment in moments_here:
        text = moment.strftime(pattern)
        if pattern.endswith("%z"):
            text = text[:-2] + ":" + text[-2:]
        texts.append(text)
    return texts


# UTC moments of changes (IANA time zone database through zoneinfo; checked in test_judge).
AUTUMN: Final = (
    ("Europe/Berlin", datetime(2025, 10, 26, 1)),
    ("America/New_York", datetime(2025, 11, 2, 6)),
    ("Australia/Sydney", datetime(2025, 4, 5, 16)),
    ("Europe/London", datetime(2024, 10, 27, 1)),
)
SPRING: Final = (
    ("Europe/Berlin", datetime(2025, 3, 30, 1)),
    ("America/New_York", datetime(2025, 3, 9, 7)),
    ("Australia/Sydney", datetime(2025, 10, 4, 16)),
    ("Europe/Paris", datetime(2024, 3, 31, 1)),
)
