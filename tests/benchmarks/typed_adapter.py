"""What was typed, asked of the very types that the commands use: the judge's only way to them."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeVar

import click

from analysis.flex.terminal import PERCENT
from logger.base import measures
from logger.base.command_options import Duration, Hold, Need
from logger.base.errors import BenchError
from logger.base.pack import parse_pack
from logger.base.typed.answers import Answer

T = TypeVar("T")


@dataclass(frozen=True)
class Refused:
    """What the user is told instead."""

    words: str


_TIMES: Final[dict[str, click.ParamType[float]]] = {
    "need": Need(),
    "hold": Hold(),
    "duration": Duration(),
}
_AMOUNTS: Final[dict[str, click.ParamType[Any]]] = {
    "V": measures.VOLTS_ABOVE_0,
    "mA": measures.MILLIAMPERES_ABOVE_0,
    "mAh": measures.MAH_ABOVE_0,
    "ohm": measures.OHMS_ABOVE_0,
    "cycles": measures.count_of_bends(1),
    "%": PERCENT,
    "C": measures.CELSIUS_OF_BENCH,
}


def _asked(read: Callable[[], T]) -> T | Refused:
    try:
        return read()
    except click.ClickException as error:
        return Refused(error.format_message())
    except BenchError as error:
        return Refused(str(error))


def time_s(text: str, option: Literal["need", "hold", "duration"]) -> float | Refused:
    """Seconds; ``need`` as ``--need``, ``hold`` as ``--hold``, ``duration`` as ``log --for``."""
    return _asked(lambda: _TIMES[option].convert(text, None, None))


def pack(text: str) -> tuple[int, str, float | None, str] | Refused:
    """Cells in series, chemistry, capacity in mAh, and what the screen says of what was taken."""
    told: list[str] = []
    found = _asked(lambda: parse_pack(text, other=True, say=told.append))
    if isinstance(found, Refused):
        return found
    return found.cells, found.chemistry, found.capacity_mah, " ".join(told) or found.text


def amount(
    text: str, unit: Literal["V", "mA", "mAh", "ohm", "cycles", "%", "C"]
) -> float | Refused:
    """The number in ``unit``."""
    return _asked(lambda: _AMOUNTS[unit].convert(text, None, None))


def answer(text: str) -> bool | Refused:
    """Yes or no."""
    return _asked(lambda: Answer().convert(text, None, None))
