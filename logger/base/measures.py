"""Numbers with units as people type them in options: 2.7, 2.7V, 2700mV, "2,7 V", "1 000 mAh".

A number that may be a thousand times as much is refused with both readings, unless one of them lies outside what
the option can take at all.
"""

import copy
import math
import re
from collections.abc import Mapping
from typing import Any, Final

import click

from logger.base.numbers import digits_text
from logger.base.typed.number import (
    FRACTION,
    NUMBER,
    TwoReadings,
    number_text,
    read_fraction,
    read_number,
)
from logger.base.typed.shown import show_understood
from logger.base.typed.signs import plain_signs

_TYPED: Final = re.compile(rf"([+-]?) ?({FRACTION}|{NUMBER}(?:[eE][+-]?\d{{1,3}})?) ?([^\d\s].*)?")
_FAR: Final = 30.0  # two readings are a thousand times apart
# Written like this a number needs no echo.
_USUAL: Final = re.compile(r"[+-]?\d+(?:\.(?:\d{1,2}|\d{4,}))?(?:e[+-]?\d+)? ?[A-Za-z%Ωµ°]*")
# IEC 60062 (from memory): the letter stands for the decimal sign.
_LETTER_CODE: Final = re.compile(r"(\d{0,3})([RrkKmVv])(\d{1,3})")


class Measure(click.ParamType[float]):
    """An option's number in ``unit``, also typed with one of ``units`` (small letters, factor to ``unit``).

    ``above``: it must be greater; ``least`` and ``most``: it must not lie outside. ``ever``: no such quantity is
    greater on a wearable, so no reading is. NaN and infinity are never taken. ``example``: how it may be written.
    """

    name = "NUMBER"

    def __init__(
        self,
        unit: str,
        units: Mapping[str, float],
        example: str,
        *,
        above: float | None = None,
        least: float = -math.inf,
        most: float = math.inf,
        ever: float = math.inf,
    ) -> None:
        self.unit, self.units, self.example = unit, units, example
        self.above, self.least, self.most, self.ever = above, least, most, ever
        self._near: float | None = None

    def near(self, value: float) -> "Measure":
        """The same for one who measures this beside us: of two readings the one near ``value`` is meant."""
        beside = copy.copy(self)
        beside._near = abs(value)
        return beside

    def last_place(self, text: str) -> float:
        """What one step of the last digit typed is worth, in ``unit``; 0 for what is no number."""
        match = _TYPED.fullmatch(plain_signs(text))
        factor = None if match is None else self._factor(match[3] or "")
        if match is None or factor is None:
            return 0.0
        decimals = re.search(r"[.,](\d*)$", match[2])
        return float(factor * 10.0 ** -len(decimals[1] if decimals else ""))

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        typed = str(value).strip()
        number = float(value) if isinstance(value, int | float) else self._read(typed, param, ctx)
        unit = f" {self.unit}" if self.unit else ""
        if not math.isfinite(number) or (self.above is not None and number <= self.above):
            self.fail(f"{typed} is not above {self.above or 0:g}{unit}.", param, ctx)
        if not self.least <= number <= self.most:
            self.fail(f"{typed} is out of range: {self._range_words()}{unit}.", param, ctx)
        if not _USUAL.fullmatch(typed):
            show_understood(typed, f"{digits_text(number, 12)}{unit}", param, ctx)
        return number

    def _range_words(self) -> str:
        least, most = (digits_text(end, 12) for end in (self.least, self.most))
        if math.isinf(self.most):
            return f"{least} or more"
        return f"{most} at most" if math.isinf(self.least) else f"from {least} to {most}"

    def _read(self, typed: str, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number in ``unit``."""
        plain = plain_signs(typed)
        code = _LETTER_CODE.fullmatch(plain)
        if self.unit == "V" and code and code[2] in "Vv":  # 3V3
            return float(f"{code[1] or 0}.{code[3]}")
        if self.unit == "ohm" and code and code[2] not in "Vv":
            scale = {"r": 1.0, "k": 1e3, "m": 1e-3}[code[2].lower()]
            return float(f"{code[1] or 0}.{code[3]}") * scale
        if self.unit == "%":  # as a manual says it
            plain = re.sub(r"^(?:±|\+/?-) ?", "", plain)
        match = _TYPED.fullmatch(plain)
        factor = None if match is None else self._factor(match[3] or "")
        if match is None or factor is None:
            self.fail(f"{typed!r} is not understood: write {self.example}.", param, ctx)
        sign = -factor if match[1] == "-" else factor
        if (fraction := read_fraction(match[2])) is not None:
            return sign * fraction
        try:
            number = read_number(match[2], lambda number: self._can_be(number * sign))
        except TwoReadings as two:
            thousands, decimal = (
                math.copysign(two.thousands, sign),
                math.copysign(two.decimal, sign),
            )
            unit = f" {match[3]}" if match[3] else ""
            both = " or ".join(f"{number_text(one)}{unit}" for one in (thousands, decimal))
            self.fail(f"{typed!r} may be {both}: write one of these.", param, ctx)
        if number is None:
            self.fail(f"{typed!r} is not understood: write {self.example}.", param, ctx)
        return number * sign

    def _factor(self, word: str) -> float | None:
        """Of a unit as typed; None if it is none of ours. A capital M is mega where that can be: with ohms."""
        if self.unit == "ohm" and word[:1] == "M":
            return 1e6 if self.units.get(word[1:].lower()) == 1.0 else None
        return self.units.get(word.lower().removesuffix(".") or self.unit.lower())

    def _can_be(self, number: float) -> bool:
        if self._near and not self._near / _FAR < abs(number) < self._near * _FAR:
            return False
        return abs(number) <= self.ever and self.least <= number <= self.most


class _Celsius(Measure):
    """Degrees Celsius; Fahrenheit where it is said."""

    def _read(self, typed: str, param: click.Parameter | None, ctx: click.Context | None) -> float:
        fahrenheit = re.fullmatch(
            r"(.*\d) ?(?:°? ?F|degrees Fahrenheit|Fahrenheit)", plain_signs(typed)
        )
        if fahrenheit is None:
            return super()._read(typed, param, ctx)
        return (super()._read(fahrenheit[1], param, ctx) - 32.0) / 1.8


class _Whole(Measure):
    """A count: a number without a unit and without a fraction."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        number = super().convert(value, param, ctx)
        if number != int(number):
            self.fail(f"{value} is no whole number: write {self.example}.", param, ctx)
        return int(number)


def _named(**factors: float) -> dict[str, float]:
    """Factor by word: ``{"v volt": 1.0}`` with every word by itself."""
    return {word: factor for words, factor in factors.items() for word in words.split("_")}


_VOLTS: Final = _named(v_volt_volts_volti_voltios_vdc=1.0, mv_millivolt_millivolts=1e-3) | {
    "v dc": 1.0
}
_AMPERES: Final = _named(
    ma_milliamp_milliamps_milliampere_milliamperes_milliampère_milliampères_miliamperio_miliamperios=1.0,
    a_amp_amps_ampere_amperes_amper_ampère_ampères_amperio_amperios=1e3,
    ua_μa_microamp_microamps_microampere_microamperes=1e-3,
)
_OHMS: Final = _named(
    ohm_ohms_ω_r_ohmio_ohmios=1.0,
    mohm_mω_milliohm_milliohms=1e-3,
    kohm_kω_k_kiloohm=1e3,
    μohm_μω_uohm_uω_microohm_microohms=1e-6,
)
# What no pack of a wearable reaches: the bounds within which `import` finds a reading plausible.
_VOLTS_EVER: Final = 60.0
_AMPERES_EVER_MA: Final = 20_000.0
_CAPACITY_EVER_MAH: Final = 200_000.0

VOLTS: Final = Measure("V", _VOLTS, "2.7, 2.7V or 2700mV", ever=_VOLTS_EVER)
VOLTS_ABOVE_0: Final = Measure("V", _VOLTS, "2.7, 2.7V or 2700mV", above=0, ever=_VOLTS_EVER)
MILLIAMPERES: Final = Measure("mA", _AMPERES, "101.34", ever=_AMPERES_EVER_MA)
MILLIAMPERES_ABOVE_0: Final = Measure(
    "mA", _AMPERES, "50, 50mA or 0.05A", above=0, ever=_AMPERES_EVER_MA
)
MAH_ABOVE_0: Final = Measure(
    "mAh",
    dict.fromkeys(("mah", "ma h", "ma·h", "milliamp hours", "milliamp-hours"), 1.0)
    | dict.fromkeys(("ah", "a h", "a·h", "amp hours", "amp-hours"), 1e3),
    "2500, 2500mAh or 2.5Ah",
    above=0,
    ever=_CAPACITY_EVER_MAH,
)
OHMS_ABOVE_0: Final = Measure("ohm", _OHMS, "22, 22ohm or 0.022kohm", above=0)
PERCENT_UNITS: Final = _named(percent_prozent_procent_percento=1.0) | {"%": 1.0}
PERCENT_ABOVE_0: Final = Measure("%", PERCENT_UNITS, "1.5 or 1.5%", above=0, ever=100.0)
_CELSIUS: Final = dict.fromkeys(
    (
        "c",
        "°c",
        "° c",
        "°",
        "celsius",
        "grad",
        "grad celsius",
        "degrees",
        "degrees celsius",
        "deg",
        "degrés",
    ),
    1.0,
)
CELSIUS: Final = _Celsius("C", _CELSIUS, "21 or 21C", ever=1000.0)
CELSIUS_OF_BENCH: Final = _Celsius("C", _CELSIUS, "21 or 21C", least=-40.0, most=85.0)


def plain_number(
    example: str, *, above: float | None = None, least: float = -math.inf, most: float = math.inf
) -> Measure:
    """A number without a unit."""
    return Measure("", {"": 1.0}, example, above=above, least=least, most=most)


def whole_number(example: str, least: float = -math.inf, most: float = math.inf) -> _Whole:
    """A count without a unit, from ``least`` to ``most``."""
    return _Whole("", {"": 1.0}, example, least=least, most=most)


_BENDS: Final = _named(
    _cycles_cycle_bends_bend_times_x_zyklen_biegungen_ciclos_cicli_cycli_buigingen=1.0
)


def count_of_bends(least: float = -math.inf, most: float = math.inf) -> _Whole:
    """A count of full bends and back."""
    return _Whole("", _BENDS, "4800", least=least, most=most)
