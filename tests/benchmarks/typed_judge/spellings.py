"""What could a text with a unit mean? Unit names of CLDR by ``babel``, prefixes of the SI, marks of IEC 60062 (SOURCES.md G1, G4)."""

import re
from collections.abc import Iterable, Iterator
from decimal import Decimal
from functools import cache
from itertools import pairwise, product
from typing import Final

from babel.units import format_unit

from tests.benchmarks.typed_judge.figures import (
    FRACTIONS,
    MAIN,
    MORE,
    SPACES,
    ascii_digits,
    readings,
)

TIMES: Final = ("need", "hold", "duration")
SECONDS: Final = {
    "year": 365.25 * 86400, "month": 30.44 * 86400, "week": 604800.0, "day": 86400.0, "hour": 3600.0,
    "minute": 60.0, "second": 1.0, "millisecond": 1e-3,
}  # fmt: skip
USUAL: Final = ("day", "hour", "minute", "second")
WIDTHS: Final = ("long", "short", "narrow")

# What can be meant at all; outside of it is no reading. From memory or common practice, no source, but where said.
PLAUSIBLE: Final[dict[str, tuple[float, float]]] = {
    "need": (600.0, 45 * 86400.0),  # ten minutes on a stage to a festival's six weeks
    "hold": (0.01, 3600.0),  # the voltage stays there: a row to an hour
    "duration": (1.0, 90 * 86400.0),
    "V": (0.05, 60.0),  # extra-low voltage, 60 V at most (IEC 61140, from memory)
    "mA": (1e-4, 20000.0),  # a sleeping controller's 0.1 uA to a vest's fuse
    "mAh": (5.0, 200000.0),  # the smallest silver-oxide cell 8 mAh; the largest power banks 100000
    "ohm": (1e-4, 1e7),
    "cycles": (1.0, 1e9),
    "%": (0.0, 100.0),
    "C": (-40.0, 85.0),  # the industrial range of parts
}
FACTORS: Final[dict[str, dict[str, float]]] = {
    "V": {"V": 1.0, "mV": 1e-3, "kV": 1e3, "µV": 1e-6},
    "mA": {"A": 1e3, "mA": 1.0, "µA": 1e-3, "nA": 1e-6, "kA": 1e6, "MA": 1e9},
    "mAh": {"Ah": 1e3, "mAh": 1.0, "µAh": 1e-3, "MAh": 1e9},
    "ohm": {"Ω": 1.0, "mΩ": 1e-3, "kΩ": 1e3, "MΩ": 1e6, "µΩ": 1e-6},
    "%": {"%": 1.0},
    "C": {},
    "cycles": {},
}
LONG: Final = {
    "V": {"electric-volt": "V"},
    "mA": {"electric-ampere": "A", "electric-milliampere": "mA"},
    "ohm": {"electric-ohm": "Ω"},
}
# Of the trade: common practice, no source.
HABITS: Final = {
    "V": {"volts": "V", "VDC": "V", "V DC": "V", "Vdc": "V", "millivolt": "mV", "millivolts": "mV", "microvolt": "µV", "microvolts": "µV"},
    "mA": {"amp": "A", "amps": "A", "milliamp": "mA", "milliamps": "mA", "microamps": "µA"},
    "mAh": {"mA h": "mAh", "mA·h": "mAh", "A h": "Ah", "amp hours": "Ah", "milliamp hours": "mAh"},
    "ohm": {"R": "Ω", "k": "kΩ", "m": "mΩ", "M": "MΩ", "milliohm": "mΩ", "milliohms": "mΩ", "kiloohm": "kΩ"},
}  # fmt: skip
ANDS: Final = ("and", "und", "et", "y", "en", "e", "och", "og", "ja", "i", "&", "+")
NUMBER: Final = r"[+\-\u2212]?(?:\d|[.,](?=\d))(?:[\d.,'’ ]*\d)?\s*[½¼¾]?|[½¼¾]"
# A number and a name after it; a full stop after either says nothing, unless it begins the next number.
PIECE: Final = rf"({NUMBER})[.,]?\s*([^\d\s.,½¼¾+\-]*(?:\s(?=[^\d.,]))?)(?:\.(?!\d))?"


@cache
def of_cldr(unit: str, name: str, width: str) -> frozenset[str]:
    """Names of a unit in a language, without the number; singular and plurals."""
    out = set()
    for value in (0, 1, 2, 3, 5, 11, 21, 1.5, 6.5):
        text = ascii_digits(format_unit(value, unit, length=width, locale=name))  # type: ignore[arg-type]
        out.add(re.sub(r"[\d.,]*\d", "", text).strip(SPACES + "."))
    return frozenset(out - {""})


@cache
def time_units() -> dict[str, frozenset[float]]:
    """Seconds that a name, folded and without a full stop, can stand for in any of the languages."""
    found: dict[str, set[float]] = {}
    for unit, name, width in product(SECONDS, (*MAIN, *MORE), WIDTHS):
        if name in MORE and (width == "narrow" or unit not in USUAL):
            continue  # Danish "u" for weeks beside Dutch hours
        for text in of_cldr(f"duration-{unit}", name, width):
            found.setdefault(text.casefold(), set()).add(SECONDS[unit])
    for text, unit in {"hrs": "hour", "mins": "minute", "secs": "second", "msec": "millisecond",
                       "'": "minute", "′": "minute", '"': "second", "″": "second"}.items():  # fmt: skip
        found.setdefault(text, set()).add(SECONDS[unit])
    return {text: frozenset(values) for text, values in found.items()}


def plausible(values: Iterable[float], question: str) -> tuple[float, ...]:
    """What lies in the question's range; if nothing does, what the text says all the same (an option has its own range), but no length below nothing."""
    low, high = PLAUSIBLE[question]
    could = {round(v, 9) for v in values if question in {"C", "V", "mA", "%"} or v >= 0}
    if question == "cycles":
        could = {v for v in could if v == int(v)}
    kept = {v for v in could if low <= v <= high or (v == 0 and question == "hold")}
    return tuple(sorted(kept or could))


def times(text: str, question: str) -> tuple[float, ...]:
    """Lengths of time in seconds that could be meant, for ``need``, ``hold`` or ``duration``."""
    text = ascii_digits(text).strip()
    found = {*_clock(text, question), *_named(text)}
    for number in map(float, readings(text)):
        units = ("hour", "minute") if question == "need" else ("hour", "minute", "second")
        found |= {number * SECONDS[unit] for unit in units}
    return plausible(found, question)


def _clock(text: str, question: str) -> Iterator[float]:
    """6:30 is hours and minutes, or minutes and seconds; 6.30 the same in Danish and Finnish (CLDR's HH.mm)."""
    three = re.fullmatch(r"(\d{1,3})[:.](\d\d)[:.](\d\d)(?:\s*h(?:rs?)?)?", text)
    if three and int(three[2]) < 60 and int(three[3]) < 60:
        yield int(three[1]) * 3600.0 + int(three[2]) * 60 + int(three[3])
    two = re.fullmatch(r"(\d{1,3})([:.])(\d\d)\s*(h|hrs?|min|m|std\.?|uur|u|tim)?", text.casefold())
    if two and int(two[3]) < 60:
        high, low, unit = int(two[1]), int(two[3]), two[4] or ""
        if unit[:1] != "m" and not (two[2] == "." and unit):
            yield high * 3600.0 + low * 60
        if two[2] == ":" and unit in {"", "min", "m"} and (question != "need" or high > 48 or unit):
            yield (
                high * 60.0 + low
            )  # as a need only where nobody counts so many hours with their minutes


def _named(text: str) -> Iterator[float]:
    """Numbers with names of units, the larger first; a last number without a name has the next smaller unit."""
    pieces = re.findall(PIECE, text)
    rest = re.sub(PIECE, "\x00", text)
    between = [part.strip(" ,").casefold() for part in rest.split("\x00")]
    if not pieces or any(between[:1]) or any(part not in {"", *ANDS} for part in between[1:-1]):
        return
    if between[-1]:
        return
    options: list[list[tuple[float, float]]] = []
    for at, (number, name) in enumerate(pieces):
        name = _without_and(name.strip().casefold(), last=at == len(pieces) - 1)
        units = time_units().get(name, frozenset())
        if name == "v" and "V" in text:  # volts, not Swedish weeks
            units = frozenset()
        if not name and at and at == len(pieces) - 1:
            units = frozenset({60.0, 1.0})
        most = 60 if at and not name else float("inf")
        options.append([(float(n), unit) for n in readings(number) for unit in units if n < most])
    for chosen in product(*options):
        units_s = [unit for _, unit in chosen]
        bare = len(chosen) > 1 and not pieces[-1][1].strip()
        if bare and {3600.0: 60.0, 60.0: 1.0}.get(units_s[-2]) != units_s[-1]:
            continue
        falling = all(a > b for a, b in pairwise(units_s))
        if falling and (len(chosen) == 1 or all(n >= 0 for n, _ in chosen)):
            yield sum(n * unit for n, unit in chosen)


def _without_and(name: str, *, last: bool) -> str:
    if last or name in time_units():
        return name
    return next((name.removesuffix(f" {a}") for a in ANDS if name.endswith(f" {a}")), name)


@cache
def unit_names(question: str) -> dict[str, float]:
    """Factor to the question's unit by the unit's name, with upper and lower case as the SI has it."""
    out = dict(FACTORS[question])
    for unit, symbol in LONG.get(question, {}).items():
        for name, width in product((*MAIN, *MORE), WIDTHS):
            out |= dict.fromkeys(of_cldr(unit, name, width), FACTORS[question][symbol])
    out |= {t: FACTORS[question][s] for t, s in HABITS.get(question, {}).items()}
    more: dict[str, float] = {}
    for text, factor in out.items():
        for sign, others in (("µ", "μu"), ("Ω", "\u2126")):
            more |= {text.replace(sign, other): factor for other in others if sign in text}
        if text.endswith("Ω"):
            more |= {text[:-1] + word: factor for word in ("ohm", "ohms", "Ohm", "Ohms")}
    return out | more


def amounts(text: str, question: str) -> tuple[float, ...]:
    """Amounts in the question's unit that could be meant."""
    text = ascii_digits(text).strip()
    if question == "C":
        return plausible(_degrees(text), question)
    names = unit_names(question)
    coded = re.fullmatch(r"(\d+)([VvRkM])(\d+)(?:Ω|ohm)?", text)
    if coded and question in {"V", "ohm"} and (coded[2] in "Vv") == (question == "V"):
        return plausible(
            {float(f"{coded[1]}.{coded[3]}") * names[coded[2].replace("v", "V")]}, question
        )
    found = re.fullmatch(rf"({NUMBER})\s*(.*?)", text)
    if not found:
        return ()
    name = found[2].strip(" .,:")
    exact = {1.0} if not name else {names[name]} if name in names else set()
    folded = {f for n, f in names.items() if n.casefold() == name.casefold()}
    if question == "cycles" and name.casefold() in {"cycle", "cycles", "bend", "bends", "x"}:
        exact = {1.0}
    low, high = PLAUSIBLE[question]
    numbers = [float(n) for n in readings(found[1])]
    as_written = [n * f for n, f in product(numbers, exact)]
    if any(low <= value <= high for value in as_written):
        return plausible(as_written, question)
    return plausible((*as_written, *(n * f for n, f in product(numbers, folded))), question)


def _degrees(text: str) -> Iterator[float]:
    found = re.fullmatch(rf"({NUMBER})\s*(.*?)", text)
    if not found:
        return
    name = found[2].strip(" .,:").casefold()
    celsius = {"", "c", "°c", "° c", "°", "degc", "deg c", "℃", "celsius", "grad", "grader", "degrees", "degrés", "grados", "gradi", "graden"}  # fmt: skip
    for language, width in product((*MAIN, *MORE), WIDTHS):
        celsius |= {t.casefold() for t in of_cldr("temperature-celsius", language, width)}
    for number in readings(found[1]):
        if name in celsius:
            yield float(number)
        elif name in {"f", "°f", "degf", "℉", "fahrenheit"}:
            yield float((number - 32) * 5 / 9)
        elif name in {"k", "kelvin"}:
            yield float(number - Decimal("273.15"))


def read(text: str, question: str) -> tuple[float, ...]:
    return times(text, question) if question in TIMES else amounts(text, question)


__all__ = ["FRACTIONS", "PLAUSIBLE", "TIMES", "amounts", "of_cldr", "read", "times", "unit_names"]
