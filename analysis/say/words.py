"""Numbers and foreign text in words a person can read."""

import math
import re

from analysis.doubt.quantity import Quantity

# Control characters would drive a terminal; direction marks would turn a line around.
_UNPRINTABLE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


def plain_text(text: str) -> str:
    """Foreign text on one line, safe for a terminal and for a page; spaces are closed up."""
    return " ".join(_UNPRINTABLE.sub("\ufffd", text).split())


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


def step_words(seconds: float) -> str:
    """Length of a window or sampling step: ``0.1 s``, ``1 s``, ``1 min``."""
    return f"{seconds:.3g} s" if seconds < 60 else span_words(seconds, 1.0)


def time_words(quantity: Quantity) -> str:
    """A quantity in seconds as a stretch of time with its interval."""
    if quantity.value is None:
        return "none"
    ends = [end for end in (quantity.lower, quantity.upper) if end is not None]
    half_s = max((abs(end - quantity.value) for end in ends), default=0.0)
    step_s = 10.0 ** (math.floor(math.log10(half_s)) - 1) if half_s > 0 else None
    if step_s is not None and half_s >= 120:
        step_s = 60.0
    text = span_words(quantity.value, step_s)
    if not ends:
        return text
    low = "?" if quantity.lower is None else span_words(quantity.lower, step_s)
    high = "?" if quantity.upper is None else span_words(quantity.upper, step_s)
    percent = "" if quantity.coverage is None else f" at {quantity.coverage * 100:g} %"
    return f"{text} ({low} to {high}{percent})"


def quantity_words(quantity: Quantity) -> str:
    """A quantity as text; times as hours and minutes."""
    return time_words(quantity) if quantity.unit == "s" else str(quantity)


def value_words(quantity: Quantity) -> str:
    """The value alone, rounded to what is known of it."""
    return quantity_words(quantity).split(" (")[0]


def short_words(quantity: Quantity) -> str:
    """Value and interval without its coverage, for titles: ``186.7 mA (183.2 to 190.1)``."""
    return re.sub(r" at [\d.]+ %\)$", ")", quantity_words(quantity))


def count_words(count: int, one: str, many: str | None = None) -> str:
    """``1 gap``, ``3 gaps``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def _step_s(seconds: float) -> float:
    """Three digits where the doubt is not known."""
    if seconds == 0:
        return 1.0
    return float(10.0 ** (math.floor(math.log10(seconds)) - 2))
