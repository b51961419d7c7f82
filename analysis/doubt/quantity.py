"""A number with its unit and its doubt: the one form of every result.

Rounding rule (GUM, JCGM 100:2008, 7.2.6): the half-width of the interval is
given to two significant digits and the value to the same decimal place; of two
unlike sides the wider one counts. Where one is many times the other, that would round
the value away: then each end goes by its own side and the value by the narrower.
"""

import math
from dataclasses import dataclass
from typing import Any

from logger.base.durations import span_words

_DIGITS_WITHOUT_INTERVAL = 3
_UNEVEN = 5.0


@dataclass(frozen=True)
class Quantity:
    """One result. ``lower`` and ``upper`` bound it at ``coverage`` (0 to 1); all three None: doubt not known.

    ``value`` None: the answer does not exist (cutoff never reached); an open
    interval has only ``lower`` or only ``upper``. ``note`` says in words what
    the interval holds, or why there is none.
    """

    value: float | None
    unit: str
    lower: float | None = None
    upper: float | None = None
    coverage: float | None = None
    note: str = ""

    def as_json(self) -> dict[str, Any]:
        """Plain object; not-a-number and infinity become null."""
        result: dict[str, Any] = {
            "value": _finite(self.value),
            "unit": self.unit,
            "lower": _finite(self.lower),
            "upper": _finite(self.upper),
            "coverage": self.coverage,
        }
        if self.note:
            result["note"] = self.note
        return result

    def __str__(self) -> str:
        """Value, interval and unit with no more digits than are known."""
        if self.value is None:
            return "none"
        places = self.decimals()
        text = f"{_round(self.value, places)} {self.unit_text}".rstrip()
        if self.lower is None and self.upper is None:
            return text
        low = "?" if self.lower is None else _round(self.lower, self._end_places(self.lower))
        high = "?" if self.upper is None else _round(self.upper, self._end_places(self.upper))
        percent = "" if self.coverage is None else f" at {self.coverage * 100:g} %"
        return f"{text} ({low} to {high}{percent})"

    def __repr__(self) -> str:
        """The words, and where there is no interval what is said instead."""
        if self.value is None or (self.lower is None and self.upper is None):
            return f"{self.words()} ({self.note or 'no interval: its doubt is not known'})"
        return self.words()

    def words(self) -> str:
        """The result as it is read: as ``str``, but a length of time as hours and minutes with its interval."""
        if self.unit != "s":
            return str(self)
        if self.value is None:
            return "none"
        ends = [end for end in (self.lower, self.upper) if end is not None]
        half_s = max((abs(end - self.value) for end in ends), default=0.0)
        step_s = 10.0 ** (math.floor(math.log10(half_s)) - 1) if half_s > 0 else None
        if step_s is not None and half_s >= 120:
            step_s = 60.0
        text = span_words(self.value, step_s)
        if not ends:
            return text
        low = "?" if self.lower is None else span_words(self.lower, step_s)
        high = "?" if self.upper is None else span_words(self.upper, step_s)
        percent = "" if self.coverage is None else f" at {self.coverage * 100:g} %"
        return f"{text} ({low} to {high}{percent})"

    @property
    def unit_text(self) -> str:
        """The unit as it stands behind a number: nothing for a plain number."""
        return {"1": "", "ohm": "Ω"}.get(self.unit, self.unit)

    def decimals(self) -> int:
        """Decimal places the value is known to (negative: tens, hundreds)."""
        if self.value is None:
            return 0
        ends = [end for end in (self.lower, self.upper) if end is not None and math.isfinite(end)]
        halves = [abs(end - self.value) for end in ends if end != self.value]
        if halves:
            uneven = max(halves) > _UNEVEN * min(halves)
            half = min(halves) if uneven else max(halves)
            return 1 - _exponent_after_rounding(half, 2)
        if self.value == 0 or not math.isfinite(self.value):
            return 0
        return (
            _DIGITS_WITHOUT_INTERVAL
            - 1
            - _exponent_after_rounding(self.value, _DIGITS_WITHOUT_INTERVAL)
        )

    def _end_places(self, end: float) -> int:
        """Decimal places of one end of the interval: its own distance to two digits."""
        assert self.value is not None
        half = abs(end - self.value)
        if half == 0 or not math.isfinite(half):
            return self.decimals()
        return min(self.decimals(), 1 - _exponent_after_rounding(half, 2))


def _exponent_after_rounding(number: float, digits: int) -> int:
    """Power of ten of the leading digit once rounded to ``digits`` (0.0996 to 2 digits is 0.10)."""
    return int(f"{abs(number):.{digits - 1}e}".split("e")[1])


def _round(number: float, places: int) -> str:
    rounded = round(number, places)
    return f"{rounded:,.{max(places, 0)}f}".replace(",", "\u202f" if abs(rounded) >= 1e5 else "")


def _finite(number: float | None) -> float | None:
    return None if number is None or not math.isfinite(number) else float(number)
