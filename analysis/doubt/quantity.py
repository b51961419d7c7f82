"""A number with its unit and its doubt: the one form of every result.

Rounding rule (GUM, JCGM 100:2008, 7.2.6: at most two significant digits; which of one or two by the
particle physicists' rule, SOURCES.md C15): where the three leading digits of the half-width are
100 to 354 it is given to two digits, 355 to 949 to one, 950 to 999 as 1000 to two; the value to the
same decimal place. So 4.92 h give or take 0.90 h is 4.9 h. Of two unlike sides the wider one counts. Where one is many times the other, that would round
the value away: then each end goes by its own side and the value by the narrower.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.base.durations import span_words

_DIGITS_WITHOUT_INTERVAL = 3
_UNEVEN = 5.0
_ONE_DIGIT_FROM = 3.55
# From this half-width on, lengths of time go in steps of so much.
_STEPS_S = ((7200.0, 3600.0), (3600.0, 1800.0), (1500.0, 600.0), (100.0, 60.0), (15.0, 10.0))


@dataclass(frozen=True)
class Quantity:
    """One result. ``lower`` and ``upper`` bound it at ``coverage`` (0 to 1); all three None: doubt not known.

    ``value`` None: the answer does not exist (cutoff never reached); an open
    interval has only ``lower`` or only ``upper``. ``note`` says in words what
    the interval holds, or why there is none. ``at_least``: more was there than could be seen; ``value`` is then
    the least that it can be, ``lower`` the same, ``upper`` None.
    """

    value: float | None
    unit: str
    lower: float | None = None
    upper: float | None = None
    coverage: float | None = None
    note: str = ""
    at_least: bool = False

    def as_json(self) -> dict[str, Any]:
        """Plain object; not-a-number and infinity become null. ``bound``: ``at_least`` of a lower bound."""
        result: dict[str, Any] = {
            "value": _finite(self.value),
            "unit": self.unit,
            "lower": _finite(self.lower),
            "upper": _finite(self.upper),
            "coverage": self.coverage,
        }
        if self.at_least:
            result["bound"] = "at_least"
        if self.note:
            result["note"] = self.note
        return result

    @staticmethod
    def of_json(found: Mapping[str, Any]) -> "Quantity":
        """The result that ``as_json`` wrote."""
        return Quantity(
            found["value"],
            found["unit"],
            found["lower"],
            found["upper"],
            found["coverage"],
            found.get("note", ""),
            found.get("bound") == "at_least",
        )

    def __str__(self) -> str:
        """Value, interval and unit with no more digits than are known."""
        if self.value is None:
            return "none"
        places = self.decimals()
        if self.at_least:
            return f"≥ {_round_down(self.value, places)} {self.unit_text}".rstrip()
        text = f"{_round(self.value, places)} {self.unit_text}".rstrip()
        if self.lower is None and self.upper is None:
            return text
        high = "?" if self.upper is None else _round(self.upper, self._end_places(self.upper))
        percent = "" if self.coverage is None else f" at {self.coverage * 100:g} %"
        if self.lower is None:
            return f"{text} (at most {high}{percent})"
        low = _round(self.lower, self._end_places(self.lower))
        return f"{text} ({low} to {high}{percent})"

    def __repr__(self) -> str:
        """The words, and where there is no interval what is said instead."""
        if self.at_least or self.value is None or (self.lower is None and self.upper is None):
            return f"{self.words()} ({self.note or 'no interval: its doubt is not known'})"
        return self.words()

    def words(self) -> str:
        """The result as it is read: as ``str``, but a length of time as hours and minutes with its interval."""
        if self.unit != "s":
            return str(self)
        if self.value is None:
            return "none"
        if self.at_least:
            return f"≥ {span_words(math.floor(self.value))}"
        ends = [end for end in (self.lower, self.upper) if end is not None]
        half_s = max((abs(end - self.value) for end in ends), default=0.0)
        step_s = _step_s(half_s) if half_s > 0 else None
        text = _span_text(self.value, step_s)
        if not ends:
            return text
        low = "?" if self.lower is None else _span_text(self.lower, step_s)
        high = "?" if self.upper is None else _span_text(self.upper, step_s)
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
            return _known_places(half)
        if self.value == 0 or not math.isfinite(self.value):
            return 0
        return (
            _DIGITS_WITHOUT_INTERVAL
            - 1
            - _exponent_after_rounding(self.value, _DIGITS_WITHOUT_INTERVAL)
        )

    def _end_places(self, end: float) -> int:
        """Decimal places of one end of the interval, by its own distance."""
        assert self.value is not None
        half = abs(end - self.value)
        if half == 0 or not math.isfinite(half):
            return self.decimals()
        return min(self.decimals(), _known_places(half))


def _step_s(half_s: float) -> float:
    """What a length of time this well known is rounded to: at most two thirds of its half-width."""
    if half_s >= _STEPS_S[-1][0]:
        return next(step_s for least_s, step_s in _STEPS_S if half_s >= least_s)
    return float(10.0 ** -_known_places(half_s))


def _span_text(seconds: float, step_s: float | None) -> str:
    if step_s is not None and step_s > 60 and math.isfinite(seconds):
        seconds = round(seconds / step_s) * step_s
    return span_words(seconds, step_s)


def _known_places(half: float) -> int:
    """Decimal places that a half-width leaves known: one or two of its digits (the rule above)."""
    leading, exponent = f"{half:.2e}".split("e")
    return (1 if float(leading) < _ONE_DIGIT_FROM else 0) - int(exponent)


def _exponent_after_rounding(number: float, digits: int) -> int:
    """Power of ten of the leading digit once rounded to ``digits`` (0.0996 to 2 digits is 0.10)."""
    return int(f"{abs(number):.{digits - 1}e}".split("e")[1])


def _round_down(number: float, places: int) -> str:
    """A bound stays one: never up."""
    step = 10.0**-places
    return _round(math.floor(number / step + 1e-9) * step, places)


def _round(number: float, places: int) -> str:
    rounded = round(number, places)
    return f"{rounded:,.{max(places, 0)}f}".replace(",", "\u202f" if abs(rounded) >= 1e5 else "")


def _finite(number: float | None) -> float | None:
    return None if number is None or not math.isfinite(number) else float(number)
