"""Something typed, what a reasonable person could have meant by it, and what an answer to it is worth. Standard library only."""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Final

Meant = float | bool | str | tuple[int, frozenset[str], float | None]
"""Seconds, an amount in the question's unit, yes or no, a command's name, or a pack: cells in series (0: not
counted), chemistries, mAh."""

RELATIVE: Final = 1e-6


class Verdict(Enum):
    UNDERSTOOD = "understood"
    ASKED = "asked"  # refused with both readings named
    REFUSED = "refused"  # one reading, refused: counts against the power, unless it is free
    NOTHING = "nothing meant"  # rightly refused
    UNNAMED = "unnamed"  # two readings, refused without naming both
    UNSHOWN = "unshown"  # understood, but not shown as understood
    WRONG = "wrong"  # understood as what nobody meant
    GUESSED = "guessed"  # understood as one of several readings
    CRASH = "crash"


SILENT: Final = frozenset({Verdict.WRONG, Verdict.GUESSED, Verdict.CRASH})


@dataclass(frozen=True)
class Typed:
    """``question``: need, hold, duration (s), V, mA, mAh, ohm, cycles, %, C, pack, answer, command.

    ``readings``: what could be meant; none: must be refused. ``stated``: the one of several that the order names.
    ``free``: refusing it is no loss worth counting (rare, or a second reading is only implausible).
    """

    text: str
    question: str
    readings: tuple[Meant, ...]
    language: str = ""
    stated: Meant | None = None
    free: bool = False
    why: str = ""


@dataclass(frozen=True)
class Answer:
    """What the tool said: ``value`` understood, or ``words`` of a refusal; ``shown``: how it shows a pack."""

    value: object = None
    words: str = ""
    shown: str | None = None
    crash: str = ""


def same(meant: Meant, value: object) -> bool:
    if isinstance(meant, bool) or isinstance(value, bool):
        return isinstance(value, bool) and meant is value
    if isinstance(meant, tuple):
        if not isinstance(value, tuple) or len(value) != 3:
            return False
        cells, chemistry, capacity_mah = value
        return (
            (not meant[0] or meant[0] == cells)
            and chemistry in meant[1]
            and (capacity_mah is None) == (meant[2] is None)
            and (meant[2] is None or math.isclose(meant[2], capacity_mah, rel_tol=RELATIVE))
        )
    if isinstance(meant, str):
        return meant == value
    return isinstance(value, int | float) and math.isclose(
        meant, value, rel_tol=RELATIVE, abs_tol=1e-12
    )


def judge(typed: Typed, answer: Answer) -> Verdict:
    if answer.crash:
        return Verdict.CRASH
    expected = (typed.stated,) if typed.stated is not None else typed.readings
    if answer.value is None:
        if not expected:
            return Verdict.NOTHING
        if len(expected) == 1:
            return Verdict.REFUSED
        both = all(named(meant, typed, answer.words) for meant in expected)
        return Verdict.ASKED if both else Verdict.UNNAMED
    if not any(same(meant, answer.value) for meant in expected):
        return Verdict.GUESSED if _among(typed, answer) else Verdict.WRONG
    if len(expected) > 1:
        return Verdict.GUESSED
    return Verdict.UNDERSTOOD if _shown(expected[0], answer.shown) else Verdict.UNSHOWN


def _among(typed: Typed, answer: Answer) -> bool:
    return any(same(meant, answer.value) for meant in typed.readings)


def _shown(meant: Meant, shown: str | None) -> bool:
    """A pack has to say its cells, where there are several, and the capacity typed."""
    if not isinstance(meant, tuple) or shown is None:
        return True
    numbers = list(figures_in(shown))
    cells = meant[0] < 2 or meant[0] in numbers or "9V" in shown  # a block, not its cells
    milli = meant[2] is None or any(
        math.isclose(meant[2], n * unit, rel_tol=1e-3) for n in numbers for unit in (1.0, 1000.0)
    )
    return cells and milli


def named(meant: Meant, typed: Typed, words: str) -> bool:
    """Whether a refusal names this reading; what was typed is taken out of the words first, once."""
    rest = re.sub(r"(['\"“‘«])" + re.escape(typed.text) + r"(['\"”’»])", " ", words)
    if isinstance(meant, bool):
        return bool(re.search(r"\byes\b" if meant else r"\bno\b", rest, re.IGNORECASE))
    if isinstance(meant, float | int):
        lengths = typed.question in {"need", "hold", "duration"}
        found = [*(lengths_in(rest) if lengths else figures_in(rest))]
        found += [] if lengths else [*scaled_in(rest)]
        return any(math.isclose(abs(meant), n, rel_tol=RELATIVE, abs_tol=1e-12) for n in found)
    return True


def figures_in(words: str) -> Iterator[float]:
    """Numbers in our own words: point for decimals, at most a space between thousands."""
    for text in re.findall(r"\d{1,3}(?:[ \u00a0\u202f]\d{3})+(?!\d)|\d+(?:\.\d+)?", words):
        yield float(re.sub(r"\s", "", text))
        if re.search(r"\s", text):
            yield from (float(part) for part in text.split())


SCALED: Final = re.compile(
    r"(\d+(?:\.\d+)?)[ \u00a0]?(?:([µμu])[AVΩ]|micro(?=am)|(mV|mΩ|m(?:illi)?[oO]hm)|(Ah?\b|k))"
)


def scaled_in(words: str) -> Iterator[float]:
    """Numbers with a unit a thousand times smaller or larger than the option's own."""
    for found in SCALED.finditer(words):
        small = (
            1e-3 if found[3] or "micro" in found[0] or not re.search(r"[VΩ]", found[0]) else 1e-6
        )
        yield float(found[1].replace(" ", "")) * (1e3 if found[4] else small)


LENGTH: Final = re.compile(
    r"(\d+(?:\.\d+)?)\s*(d(?:ays?)?|h(?:ours?)?|min(?:utes?)?|s(?:ec(?:onds?)?)?|ms)(?![a-z])"
)
SECONDS: Final = {"d": 86400.0, "h": 3600.0, "mi": 60.0, "s": 1.0, "ms": 1e-3}


def lengths_in(words: str) -> Iterator[float]:
    """Lengths of time in our own words, "6 h 30 min" as one length and as its parts."""
    total, end = 0.0, -10
    for found in LENGTH.finditer(words):
        unit = found[2] if found[2] == "ms" else found[2][:2] if found[2][0] == "m" else found[2][0]
        part = float(found[1]) * SECONDS[unit]
        total = total + part if words[end : found.start()].strip(" ,") in {"", "and"} else part
        end = found.end()
        yield part
        yield total
