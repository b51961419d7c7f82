"""What the user states of a run to be forecast: the load to come, the pack, how it was used."""

import re
from dataclasses import replace
from typing import Final, TypeVar

from analysis.forecast.future_load import Programme
from logger.base.durations import parse_duration_s
from logger.base.errors import BenchError
from logger.base.pack import as_used, parse_pack
from logger.run.reader import FoundRun, Run

_CAPACITY_MOST_MAH: Final = 1e6
_R = TypeVar("_R", bound=Run | FoundRun)


def span_seconds(text: str) -> float | None:
    """Seconds of ``7.5h``, ``20min``, ``90`` (seconds); None if it is not a time."""
    if re.fullmatch(r"\s*\d+(?:\.\d+)?\s*", text):
        return float(text)
    try:
        return parse_duration_s(text)
    except ValueError:
        return None


def parse_programme(text: str) -> Programme:
    """Load to come: ``80mA``, or modes in turn ``20min@180mA,40min@40mA``.

    Raises BenchError if it cannot be understood.
    """
    steps = []
    for part in text.split(","):
        span, _, draw = part.rpartition("@")
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*m[aA]\s*", draw)
        seconds = span_seconds(span) if span else 3600.0
        if match is None or seconds is None or seconds <= 0 or float(match[1]) <= 0:
            raise BenchError(
                f"The load {text!r} is not understood.",
                evidence=f"this part: {part!r}",
                next_step='write "80mA", or modes in turn like "20min@180mA,40min@40mA".',
            )
        steps.append((seconds, float(match[1])))
    return Programme(tuple(steps))


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
