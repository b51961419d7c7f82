"""Which number was typed, and may it be another one as well?

``4.800`` is four thousand eight hundred here and four point eight there (Unicode CLDR, number formats, from
memory): with exactly three digits behind its only sign and no nought before it, a number has two readings. Any
other count of digits makes the sign a decimal sign; a sign that comes twice, a space or an apostrophe stand
between thousands. A space goes with a decimal comma, an apostrophe with a point: three digits behind the other sign
may be one more group. A second reading that cannot be (2.700 V as 2700 V) is none.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from logger.base.typed.signs import plain_signs

# For larger expressions: one number, not yet read. A space only between whole groups of three.
NUMBER: Final = r"(?:\d{1,3}(?:[ ']\d{3}(?!\d))+(?:[.,]\d+)?|\d[\d.,]*|[.,]\d+)"
# Another one: a proper fraction in plain signs, 1 1/2.
FRACTION: Final = r"(?:\d+ )?[1-9]\d?/[1-9]\d{0,2}(?!\d)"
_GROUPED: Final = re.compile(r"[1-9]\d{0,2}([.,])\d{3}(?:\1\d{3})*")
_SPACED: Final = re.compile(r"([1-9]\d{0,2}(?:[ ']\d{3})+)(?:[.,](\d+))?")
_STRANGE: Final = re.compile(r"[\d ]+\.\d{3}|[\d']+,\d{3}")
_PLAIN: Final = re.compile(r"(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d{1,3})?")
_EITHER: Final = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")


@dataclass(eq=False)  # not frozen: a `with` sets the traceback of what passes through it
class TwoReadings(ValueError):
    """A number that may be either of two; both in words of the same form."""

    typed: str
    thousands: float
    decimal: float

    @property
    def words(self) -> str:
        return both_words(self.thousands, self.decimal)

    def __str__(self) -> str:
        return f"{self.typed!r} may be {self.words}"


def both_words(thousands: float, decimal: float) -> str:
    """Both as they can be typed: 4.812 would be asked again, 4.8120 is not."""
    return f"{number_text(thousands)} or {number_text(decimal)}"


def read_number(text: str, possible: Callable[[float], bool] = lambda _: True) -> float | None:
    """The number of a text in plain signs, without its sign and unit; None if it is none.

    ``possible``: whether the quantity can have this value. Raises TwoReadings where two of them can be.
    """
    if _EITHER.fullmatch(text):
        return _either(text, re.sub(r"\D", "", text), text.replace(",", "."), possible)
    if _PLAIN.fullmatch(text):
        return float(text.replace(",", "."))
    if spaced := _SPACED.fullmatch(text):
        whole, rest = re.sub("[^0-9]", "", spaced[1]), spaced[2] or "0"
        if _STRANGE.fullmatch(text):
            return _either(text, f"{whole}{rest}", f"{whole}.{rest}", possible)
        return float(f"{whole}.{rest}")
    signs = re.sub(r"\d", "", text)
    if not signs or set(signs) - {".", ","}:
        return None
    last = signs[-1]
    whole, _, rest = text.rpartition(last) if len(set(signs)) == 2 else (text, "", "0")
    if not _GROUPED.fullmatch(whole) or not rest or last in whole.replace(text, ""):
        return None
    return float(f"{re.sub('[.,]', '', whole)}.{rest}")


def _either(text: str, thousands: str, decimal: str, possible: Callable[[float], bool]) -> float:
    """The one of two readings that can be. Raises TwoReadings."""
    two = TwoReadings(text, float(thousands), float(decimal))
    can = [value for value in (two.thousands, two.decimal) if possible(value)]
    if len(can) != 1:
        raise two
    return can[0]


def read_fraction(text: str) -> float | None:
    """1.5 of ``1 1/2``; None for what is no proper fraction."""
    if not re.fullmatch(FRACTION, text):
        return None
    *whole, parts = text.split()
    above, below = (int(part) for part in parts.split("/"))
    return sum(map(int, whole)) + above / below if above < below else None


def read_signed(text: str, possible: Callable[[float], bool] = lambda _: True) -> float | None:
    """As ``read_number``, of a text in any signs with a plus or minus before the number."""
    plain = plain_signs(text)
    sign = -1.0 if plain.startswith("-") else 1.0
    number = read_number(plain.lstrip("+-").strip(), lambda value: possible(sign * value))
    return None if number is None or plain[1:2] in ("+", "-") else sign * number


def number_text(number: float) -> str:
    """A number for a command to paste, with one reading only: ``1.2340`` rather than ``1.234``."""
    text = f"{number:.15g}"
    return f"{text}0" if _EITHER.fullmatch(text.lstrip("-")) else text
