"""Numbers with units as people type them in options: 2.7, 2.7V, 2700mV, "2,7 V"."""

import math
import re
from collections.abc import Mapping
from typing import Any, Final

import click

_TYPED: Final = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(\S*)")
# 3,000 is three thousand here and three there.
_THOUSANDS: Final = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")


class Measure(click.ParamType[float]):
    """An option's number in ``unit``, also typed with one of ``units`` (small letters, factor to ``unit``).

    ``above``: it must be greater; ``least`` and ``most``: it must not lie outside. NaN and infinity
    are never taken. ``example``: how it may be written.
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
    ) -> None:
        self.unit, self.units, self.example = unit, units, example
        self.above, self.least, self.most = above, least, most

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        typed = str(value).strip()
        match = _TYPED.fullmatch(typed)
        factor = None if match is None else self.units.get(match[2].lower() or self.unit.lower())
        if match is None or factor is None:
            self.fail(f"{typed!r} is not understood: write {self.example}.", param, ctx)
        if _THOUSANDS.fullmatch(match[1]):
            self.fail(
                f"{typed!r} may be thousands or a decimal comma: write {self.example}.", param, ctx
            )
        number = float(match[1].replace(",", ".")) * factor
        unit = f" {self.unit}" if self.unit else ""
        if not math.isfinite(number) or (self.above is not None and number <= self.above):
            self.fail(f"{typed} is not above {self.above or 0:g}{unit}.", param, ctx)
        if not self.least <= number <= self.most:
            self.fail(
                f"{typed} is out of range: from {self.least:g} to {self.most:g}{unit}.", param, ctx
            )
        return number


_VOLTS: Final = {"v": 1.0, "mv": 1e-3}
VOLTS: Final = Measure("V", _VOLTS, "2.7, 2.7V or 2700mV")
VOLTS_ABOVE_0: Final = Measure("V", _VOLTS, "2.7, 2.7V or 2700mV", above=0)
MILLIAMPERES_ABOVE_0: Final = Measure(
    "mA", {"ma": 1.0, "a": 1e3, "ua": 1e-3, "µa": 1e-3}, "50, 50mA or 0.05A", above=0
)
MAH_ABOVE_0: Final = Measure("mAh", {"mah": 1.0, "ah": 1e3}, "2500, 2500mAh or 2.5Ah", above=0)
OHMS_ABOVE_0: Final = Measure(
    "ohm", {"ohm": 1.0, "ω": 1.0, "mohm": 1e-3, "kohm": 1e3}, "22, 22ohm or 0.022kohm", above=0
)
PERCENT_ABOVE_0: Final = Measure("%", {"%": 1.0}, "1.5 or 1.5%", above=0)
CELSIUS_OF_BENCH: Final = Measure("C", {"c": 1.0, "°c": 1.0}, "21 or 21C", least=-40.0, most=85.0)


def plain_number(
    example: str, *, above: float | None = None, least: float = -math.inf, most: float = math.inf
) -> Measure:
    """A number without a unit."""
    return Measure("", {"": 1.0}, example, above=above, least=least, most=most)
