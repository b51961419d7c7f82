"""Which breaks of the draw belong to the piece: pauses that its first hour, or a clock, shows."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from analysis.run.ending.breaks import Break, Mode
from analysis.run.ending.cycles import by_clock, warmed_up

# Modes that the piece has are shown within the first hour: this long together, or as often with one length.
_MODE_S: Final = 300.0
_MODE_TIMES: Final = 3
_MODE_SPREAD: Final = 3.0
# On a nearly empty pack a pause is a mode only if more is drawn than a locked-out converter takes ...
LOCKED_SHARE: Final = 0.02
# ... or if the piece has never run without it: pulses from the first minutes on.
_FROM_THE_BEGIN_S: Final = 300.0
_PULSES_LEAST: Final = 5
_PAUSE_LEAST_S: Final = 10.0  # shorter ones may be restarts
_TIGHT: Final = 1.3


def mode_of(
    early: Sequence[Break],
    outlived: Sequence[Break],
    late: Sequence[Break],
    begin_s: float,
    step_s: float,
    low_v: float,
    floor_v: float,
) -> Mode | None:
    """The piece's own pauses; None: it has none.

    ``early``: breaks of the first hour. ``outlived``: those after which it ran on for long,
    ``late``: those since. ``low_v``: the pack is nearly empty below, ``floor_v``: below it nothing is a mode any more.
    """
    dark = [item for item in early if not item.vanished and item.dark_rows]
    every = [item for item in (*outlived, *late) if not item.vanished and item.dark_rows]
    if not warmed_up(every, begin_s, step_s):
        pulses = _pulses([item for item in early if not item.vanished], begin_s, step_s)
        sound = [
            item
            for item in dark
            if item.before_v >= low_v
            or (item.least_ma > LOCKED_SHARE * item.level_ma and item.before_v >= floor_v)
        ]
        found = pulses or _regular(sound)
        if found:
            return _mode(found, step_s)
    later = [item for item in outlived if not item.vanished and item.dark_rows]
    alike = [item for item in later if item.lasted_s > _PAUSE_LEAST_S]
    return _mode(alike, step_s) if by_clock(alike, step_s) else None


def _mode(found: Sequence[Break], step_s: float) -> Mode:
    lasted = [item.lasted_s for item in found]
    tight = len(found) >= _PULSES_LEAST and max(lasted) <= _TIGHT * min(lasted) + 2 * step_s
    level = float(np.median([item.dark_ma for item in found if item.dark_rows] or [0.0]))
    return Mode(level, max(lasted), len(found), tight)


def _regular(known: Sequence[Break]) -> Sequence[Break]:
    lasted = [item.lasted_s for item in known]
    if not known:
        return []
    regular = len(known) >= _MODE_TIMES and max(lasted) <= _MODE_SPREAD * float(np.median(lasted))
    alike = regular and min(lasted) > _PAUSE_LEAST_S
    return known if alike or sum(lasted) >= _MODE_S else []


def _pulses(known: Sequence[Break], begin_s: float, step_s: float) -> Sequence[Break]:
    """Breaks that were there from the first minutes on, all of one length, as many as make a rhythm."""
    if len(known) <= _PULSES_LEAST or known[0].after_s - begin_s > _FROM_THE_BEGIN_S:
        return []
    first = known[1 : _PULSES_LEAST + 1]  # of the very first the begin may not have been seen
    lasted = [item.lasted_s for item in first]
    alike = max(lasted) <= _TIGHT * min(lasted) + 2 * step_s
    return known if alike else []
