"""Numbers and foreign text in words a person can read."""

import math
import re
from collections.abc import Sequence

from analysis.doubt.quantity import Quantity
from logger.base.clean_text import visible
from logger.base.durations import span_words as span_words
from logger.base.numbers import digits_text


def plain_text(text: str) -> str:
    """Foreign text on one line, safe for a terminal and for a page; spaces are closed up."""
    return " ".join(visible(text).split())


_CLAUSE_END = re.compile(r"(?<=[.!?]) (?=[A-Z0-9])|; ")


def first_clause(text: str) -> str:
    """What a warning says first, up to the end of its first sentence or a semicolon; a full stop ends it."""
    return _CLAUSE_END.split(text, maxsplit=1)[0].rstrip(".!?") + "."


def step_words(seconds: float) -> str:
    """Length of a window or sampling step: ``0.1 s``, ``1 s``, ``1 min``."""
    return f"{digits_text(seconds, 3)} s" if seconds < 60 else span_words(seconds, 1.0)


def moment_words(seconds: float) -> str:
    """When in a run something happened: to three digits, whole seconds at the finest."""
    return span_words(seconds, max(1.0, 10.0 ** (math.floor(math.log10(max(seconds, 1.0))) - 2)))


def quantity_words(quantity: Quantity) -> str:
    """A quantity as text; times as hours and minutes."""
    return quantity.words()


def value_words(quantity: Quantity) -> str:
    """The value alone, rounded to what is known of it."""
    return quantity_words(quantity).split(" (")[0]


def lasting_words(time: Quantity, need_s: float | None) -> str:
    """How long it lasted, for lists: to the minute from an hour on, unless that would be the need itself."""
    own = value_words(time)
    if time.value is None or time.value < 3600:
        return own
    minutes = span_words(time.value, 60.0)
    meets = need_s is not None and minutes == span_words(need_s, 60.0) and time.value != need_s
    return own if meets else minutes


def short_words(quantity: Quantity) -> str:
    """Value and interval without its coverage, for titles: ``186.7 mA (183.2 to 190.1)``."""
    return re.sub(r" at [\d.]+ %\)$", ")", quantity_words(quantity))


def count_words(count: int, one: str, many: str | None = None) -> str:
    """``1 gap``, ``3 gaps``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def and_words(names: Sequence[str], between: str = ", ") -> str:
    """``a``, ``a and b``, ``a, b and c``; ``between``: all but the last two."""
    return names[0] if len(names) == 1 else f"{between.join(names[:-1])} and {names[-1]}"
