"""Units of foreign columns, and what a column's name says about quantity and unit."""

import math
import re
from dataclasses import dataclass
from typing import Final

from logger.base.errors import BenchError
from logger.base.typed.number import NUMBER, TwoReadings, read_signed
from logger.base.typed.signs import plain_signs

VOLT_UNITS: Final = {
    **dict.fromkeys(("v", "volt", "volts", "vdc", "v dc"), 1.0),
    **dict.fromkeys(("mv", "millivolt", "millivolts", "mvdc", "mv dc"), 1e-3),
    **dict.fromkeys(("uv", "microvolt", "microvolts"), 1e-6),
}
# unit, in small letters and with u for micro -> factor to the run's own unit
UNITS: Final[dict[str, dict[str, float]]] = {
    "time": {
        **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sekunde", "sekunden"), 1.0),
        **dict.fromkeys(("ms", "msec", "millis", "millisecond", "milliseconds"), 1e-3),
        **dict.fromkeys(("us", "usec", "micros", "microsecond", "microseconds"), 1e-6),
        "ns": 1e-9,
        **dict.fromkeys(("min", "mins", "minute", "minutes", "minuten"), 60.0),
        **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "stunden"), 3600.0),
        **dict.fromkeys(("d", "day", "days"), 86400.0),
    },
    "voltage": VOLT_UNITS,
    "bus-voltage": VOLT_UNITS,
    "current": {
        **dict.fromkeys(("a", "amp", "amps", "ampere", "amperes", "a dc"), 1e3),
        **dict.fromkeys(
            ("ma", "milliamp", "milliamps", "milliampere", "milliamperes", "madc", "ma dc"), 1.0
        ),
        **dict.fromkeys(
            ("ua", "microamp", "microamps", "microampere", "microamperes", "uadc", "ua dc"), 1e-3
        ),
        **dict.fromkeys(("na", "nanoamp", "nanoamps", "nanoampere", "nanoamperes"), 1e-6),
    },
    # 1 C = 1 A s = 1/3.6 mAh; 1 J = 1 W s = 1/3.6 mWh
    "charge": {"mah": 1.0, "ah": 1e3, "uah": 1e-3, "c": 1 / 3.6, "as": 1 / 3.6},
    "energy": {"mwh": 1.0, "wh": 1e3, "uwh": 1e-3, "j": 1 / 3.6, "mj": 1e-3 / 3.6},
}
_WORDS: Final = {
    word: frozenset(names.split())
    for word, names in {
        "time": "time t timestamp datetime date elapsed clock uptime millis micros seconds sec zeit uhrzeit datum temps heure hora fecha tijd day",
        "voltage": "voltage volt volts v u millivolts vbat vbatt battery bat pack vpack vin spannung tension",
        "current": "current i amp amps milliamps ampere amperes ibat strom courant",
        "charge": "charge capacity",
        "energy": "energy",
    }.items()
}
_OTHER_WORDS: Final = frozenset(
    [
        "min",
        "max",
        "peak",
        "limit",
        "set",
        "raw",
        "adc",
        "temp",
        "temperature",
        "power",
        "std",
        "sd",
        "least",
        "greatest",
        "error",
        "range",
        "resistance",
    ]
)
_LOAD_WORDS: Final = ("bus", "load")
_USUAL: Final = [
    "V",
    "mV",
    "uV",
    "A",
    "mA",
    "uA",
    "nA",
    "mAh",
    "Ah",
    "uAh",
    "C",
    "mWh",
    "Wh",
    "uWh",
    "J",
    "mJ",
    "s",
    "ms",
    "us",
    "ns",
    "min",
    "h",
    "d",
]
_WRITTEN: Final = {unit.lower(): unit for unit in _USUAL}


# Units of quantities that are none of ours: "T [°C]" is no time. The short ones only in brackets.
_FOREIGN: Final = frozenset(
    (
        "°c", "degc", "deg c", "celsius", "kelvin", "°f", "degf", "%", "%rh", "rh", "w", "mw", "uw", "kw", "ohm", "ohms",
        "mohm", "kohm", "ω", "mω", "kω", "hz", "khz", "lx", "lux", "lm", "pa", "hpa", "kpa", "mbar", "rpm", "db", "dbm", "kg",
    )
)  # fmt: skip
_FOREIGN_SHORT: Final = frozenset(("k", "f", "g", "c"))


@dataclass(frozen=True)
class ColumnName:
    """What a column's name says: quantity ("" for none of ours) and unit, in small letters.

    ``load_side``: the word that puts a voltage on the load side of the shunt.
    """

    quantity: str
    unit: str
    load_side: str = ""

    def unit_of(self, quantity: str) -> str | None:
        factor = UNITS[quantity].get(self.unit)
        alike = (unit for unit, other in UNITS[quantity].items() if other == factor)
        return next((_WRITTEN[unit] for unit in alike if unit in _WRITTEN), None)


def read_name(name: str) -> ColumnName:
    """Quantity and unit of a header cell such as ``Voltage (mV)``, ``pack_v``, ``I[mA]``, ``millis``."""
    if _is_foreign(name):
        return ColumnName("", "")
    match = re.search(
        r"(?:[\[(/]\s*([A-Za-zµμ]{1,14}(?: ?[dD][cC])?)\s*[\])]?|[_ ]([A-Za-zµμ]{1,5}))\s*$", name
    )
    unit = plain_unit(match[1] or match[2]) if match else ""
    bracketed = match is not None and match[1] is not None
    rest = name[: match.start()] if match else name
    words = set(re.findall(r"[a-zµ]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", rest).lower()))
    if (
        not bracketed
        and unit in ("a", "c", "h", "j")
        and not any(map(words.__and__, _WORDS.values()))
    ):
        unit = ""  # "Sensor A" is no current
    if not any(unit in units for units in UNITS.values()):
        words |= set(re.findall(r"[a-zµ]+", plain_unit(name[match.start() :]))) if match else set()
        unit = (
            plain_unit(name) if any(plain_unit(name) in units for units in UNITS.values()) else ""
        )
        unit = unit or next((word for word in ("millis", "micros") if word in words), "")
    elif unit == "min" and not bracketed and not words & _WORDS["time"]:
        words.add("min")  # "current_min" is a least current, not a time
        unit = ""
    if words & _OTHER_WORDS:
        return ColumnName("", unit)
    by_unit = [
        word for word in ("time", "voltage", "current", "charge", "energy") if unit in UNITS[word]
    ]
    by_word = [word for word, known in _WORDS.items() if words & known]
    quantity = by_unit[0] if len(by_unit) == 1 else (by_word[0] if by_word else "")
    if unit == "c" and "charge" not in by_word:  # a temperature far more often than coulombs
        quantity, unit = "", ""
    if quantity == "voltage" and "shunt" in words:
        return ColumnName("", unit)
    load_side = next((word for word in _LOAD_WORDS if word in words), "")
    if quantity == "voltage" and load_side:
        return ColumnName("bus-voltage", unit, load_side)
    return ColumnName(quantity, unit)


def _is_foreign(name: str) -> bool:
    """Whether a header cell ends in a unit of a quantity that is none of ours."""
    last = re.search(r"([\[(/,]|[_ ])\s*([^\[\](),/_]+?)\s*[\])]?\s*$", name)
    if last is None:
        return False
    unit, bracketed = plain_unit(last[2]), last[1] not in "_ "
    named_charge = unit == "c" and re.search(r"charge|capacity", name, re.IGNORECASE) is not None
    return unit in _FOREIGN or (bracketed and unit in _FOREIGN_SHORT and not named_charge)


def known_units(word: str) -> str:
    """The usual units of a quantity, as they are written."""
    return ", ".join(_WRITTEN[unit] for unit in UNITS[word] if unit in _WRITTEN)


def plain_unit(unit: str) -> str:
    """Unit in small letters with u for micro."""
    return unit.strip().lower().replace("µ", "u").replace("μ", "u")


def unit_factor(word: str, unit: str) -> float:
    """Factor from a unit to the run's own; raises BenchError for an unknown one."""
    factor = UNITS[word].get(plain_unit(unit))
    if factor is None:
        raise BenchError(
            f"{unit!r} is no unit of the {word}.", next_step=f"known units: {known_units(word)}."
        )
    return factor


def parse_amount(text: str, word: str) -> float:
    """A number with its unit, such as ``228mA`` or ``1.14 A``, in the run's unit of the quantity."""
    match = re.fullmatch(
        rf"([+-]? ?{NUMBER}(?:[eE][+-]?\d{{1,3}})?) ?([A-Za-zμ]+)", plain_signs(text)
    )
    try:
        number = match and read_signed(match[1])
    except TwoReadings as two:
        raise BenchError(
            f"{text!r} may be {two.words}{match[2] if match else ''}.",
            next_step=f"write one of these: {two.words}, with its unit.",
        ) from None
    if match is None or number is None:
        example = {"current": "228mA", "time": "0.5s"}.get(word, "1")
        raise BenchError(
            f"{text!r} is not understood as a {word}.",
            next_step=f"give a number with its unit, e.g. {example}.",
        )
    value = number * unit_factor(word, match[2])
    if not math.isfinite(value):
        raise BenchError(
            f"The {word} {text!r} is beyond all measure.", next_step="check the number."
        )
    return value
