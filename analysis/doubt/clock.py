"""The board's clock beside the computer's: how far apart, corrected for, and what remains of it.

The files stay as they are: a run is put on the computer's time when it is read for analysis. Charge and
energy are integrals over the board's time and go along with it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.base.numbers import digits_text
from logger.run.reader import Run

# Ceramic resonators of small boards, with their drift over temperature and age: from memory.
_RESONATOR_LIMIT: Final = 0.005
# A computer's quartz clock (from memory), and how late an anchor may have been taken.
_HOST_CLOCK_LIMIT: Final = 0.0001
_ANCHOR_LATE_S: Final = 0.2
_ANCHOR_SPAN_LEAST_S: Final = 60.0
# Clocks further apart than this do not tell the same time: a simulated board runs ahead.
_CLOCKS_APART_MOST: Final = 0.05
# A resonator that warms up bends the line by up to this share of the run: the project's own figure.
_BENT_MOST: Final = 2e-4
_INTEGRALS: Final = ("time_s", "charge_mah", "energy_mwh")

Anchors = Sequence[tuple[float, float, str]]


@dataclass(frozen=True)
class ClockRate:
    """``factor``: seconds of the computer in one of the board; ``limit``: greatest relative error left; ``words``: where from."""

    factor: float
    limit: float
    words: str


def clock_rate(clock: Anchors) -> ClockRate:
    """Rate of the board's clock from anchors (board s, host s, UTC), by a straight line through all.

    Where they span less than a minute, or no line fits (a clock was set, a computer slept), nothing is
    corrected: then what was seen counts as doubt, or a ceramic resonator is assumed.
    """
    if len(clock) >= 2:
        board_s, host_s = (np.array([anchor[place] for anchor in clock]) for place in (0, 1))
        span_s = float(board_s[-1] - board_s[0])
        if min(span_s, float(host_s[-1] - host_s[0])) >= _ANCHOR_SPAN_LEAST_S:
            seen = float(host_s[-1] - host_s[0]) / span_s - 1
            if abs(seen) <= _CLOCKS_APART_MOST:
                return _compared(board_s, host_s, span_s, seen)
    return ClockRate(
        1.0,
        _RESONATOR_LIMIT,
        f"Board's clock within {100 * _RESONATOR_LIMIT:g} % (assumed: ceramic resonator).",
    )


def _compared(board_s: np.ndarray, host_s: np.ndarray, span_s: float, seen: float) -> ClockRate:
    x, y = board_s - board_s.mean(), host_s - host_s.mean()
    slope = float(x @ y / (x @ x))
    off_s = float(np.abs(y - slope * x).max())
    if off_s > max(_ANCHOR_LATE_S, _BENT_MOST * span_s):
        limit = abs(seen) + _ANCHOR_LATE_S / span_s + _HOST_CLOCK_LIMIT
        return ClockRate(
            1.0,
            limit,
            f"Board's clock against the computer's: {digits_text(100 * abs(seen), 2)} % apart over the run, but not "
            f"evenly, so it is not corrected; taken as within {digits_text(100 * limit, 2)} %.",
        )
    late_s = _ANCHOR_LATE_S if len(board_s) < 3 else min(_ANCHOR_LATE_S, max(2 * off_s, 0.02))
    limit = late_s / span_s + _HOST_CLOCK_LIMIT
    return ClockRate(
        slope,
        limit,
        f"Board's clock against the computer's: {digits_text(100 * abs(slope - 1), 2)} % "
        f"{'slow' if slope > 1 else 'fast'}, corrected; what remains is within {digits_text(100 * limit, 2)} %.",
    )


def on_computer_time(run: Run) -> Run:
    """The run with its times, charge and energy by the computer's clock; one that is already, as it is."""
    factor = clock_rate(run.description.clock).factor
    if factor == 1.0 or run.on_computer_time:
        return run
    samples = run.samples.assign(
        **{name: run.samples[name] * factor for name in _INTEGRALS if name in run.samples}
    )
    events = tuple(replace(event, time_s=event.time_s * factor) for event in run.description.events)
    described = replace(run.description, events=events)
    return replace(run, samples=samples, description=described, on_computer_time=True)
