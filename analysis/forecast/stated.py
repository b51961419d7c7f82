"""What the user states of a run to be forecast: the load to come, the pack, how it was used."""

import re
from dataclasses import replace
from typing import Final, TypeVar

import click

from analysis.forecast.future_load import Programme
from logger.base.durations import parse_duration_s
from logger.base.errors import BenchError
from logger.base.measures import MILLIAMPERES_ABOVE_0
from logger.base.pack import as_used, parse_pack
from logger.run.reader import FoundRun, Run

# A comma or semicolon behind a mode's unit; one inside of a number stands behind a digit.
_STEP_END: Final = re.compile(r"(?<=[A-Za-z])\s*[,;]")
_CAPACITY_MOST_MAH: Final = 1e6
_R = TypeVar("_R", bound=Run | FoundRun)


def parse_programme(text: str) -> Programme:
    """Load to come: ``80mA``, or modes in turn ``20min@180mA,40min@40mA``.

    Raises BenchError if it cannot be understood.
    """
    parts = _STEP_END.split(text)
    return Programme(tuple(_step(text, part, alone=len(parts) == 1) for part in parts))


def _step(text: str, part: str, *, alone: bool) -> tuple[float, float]:
    """Seconds and mA of a mode; an hour where the load is one alone."""
    span, _, draw = part.rpartition("@")
    try:
        if not draw.strip(" \u00a0")[-1:].isalpha():
            raise ValueError("the draw has no unit")
        if not (span or alone):
            raise ValueError("the time is missing")
        draw_ma = MILLIAMPERES_ABOVE_0.convert(draw, None, None)
        return parse_duration_s(span) if span else 3600.0, draw_ma
    except (ValueError, click.BadParameter) as error:
        raise BenchError(
            f"The load {text!r} is not understood.",
            evidence=f"this part: {part!r}: {getattr(error, 'message', error)}",
            next_step='write "80mA", or modes in turn like "20min@180mA,40min@40mA".',
        ) from None


def with_pack(run: _R, pack_text: str | None, capacity_mah: float | None, used: bool) -> _R:
    """The run with its pack, capacity or state of use replaced by what the user states."""
    if capacity_mah is not None and not 1.0 <= capacity_mah <= _CAPACITY_MOST_MAH:
        raise BenchError(
            "That is no capacity of a wearable's pack.",
            evidence=f"--capacity {capacity_mah:g}",
            next_step="give mAh as on the label, of one cell in series, e.g. --capacity 2000.",
        )
    pack = run.description.pack
    if pack_text:
        pack = parse_pack(pack_text, capacity_mah, other=True)
    elif capacity_mah is not None and pack is not None:
        pack = replace(pack, capacity_mah=capacity_mah)
    elif capacity_mah is not None:
        raise BenchError(
            "A capacity was stated, but not of which pack.",
            next_step='add --pack, e.g. --pack "3x AA alkaline".',
        )
    if used:
        pack = as_used(pack)
    return replace(run, description=replace(run.description, pack=pack))
