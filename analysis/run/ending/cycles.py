"""Do breaks come as a piece makes them that switches itself off and on: of one length, again and again?

Heat, a fuse, a supply that starts and gives up again have time constants of their own: their breaks are about as
long as each other. A hand's and a bad contact's differ by factors. A programme's are as exact as its clock.
The thresholds are the project's own: of four breaks whose lengths differ as a hand's do (logarithms with a
standard deviation of 1) one in twenty sets passes for alike, and one in ten of those between them.
"""

from collections.abc import Sequence
from enum import Enum
from itertools import pairwise
from typing import Final

import numpy as np

from analysis.run.ending.breaks import Break

_TIMES_LEAST: Final = 4
_TIMES_SURE: Final = 8
_LENGTHS_APART: Final = 0.35  # standard deviation of the logarithm
_BETWEEN_APART: Final = 0.6
_ROWS_LEAST: Final = 3  # shorter breaks look alike whatever they are
_SKIPPED_MOST: Final = 2  # others, e.g. a contact's, before they set in
# A clock keeps its period to a hundredth; what differs by more is none. In between nobody can tell.
_CLOCK: Final = 0.01
_NO_CLOCK: Final = 0.03
_WARM_UP_TIMES: Final = 3.0
_WARM_UP_LEAST_S: Final = 600.0


class Rhythm(Enum):
    """How a row of breaks keeps time."""

    NONE = "none"
    PHYSICAL = "alike, but not by a clock"
    CLOCK = "by a clock"
    EITHER = "alike; rows too coarse to tell a clock"


def rhythm_of(breaks: Sequence[Break], step_s: float) -> Rhythm:
    """How these breaks, one after another, keep time; ``step_s``: of the rows."""
    if len(breaks) < _TIMES_LEAST:
        return Rhythm.NONE
    lasted = np.array([item.lasted_s for item in breaks])
    starts = np.array([item.after_s for item in breaks])
    periods = np.diff(starts)
    between = periods - lasted[:-1]
    slack_s = 0.3 * step_s  # by when a row ends
    apart_s = max(float(np.std(lasted)) - slack_s, 0.0)
    if apart_s > _LENGTHS_APART * float(np.mean(lasted)):
        return Rhythm.NONE
    unsure = len(breaks) < _TIMES_SURE or float(np.median(lasted)) < _ROWS_LEAST * step_s
    if unsure and float(np.std(np.log(np.maximum(between, step_s)))) > _BETWEEN_APART:
        return Rhythm.NONE
    mean_s = float(np.median(periods))
    jitter_s = float(np.std(periods[np.abs(periods - mean_s) < 0.5 * mean_s]))
    if jitter_s > max(_NO_CLOCK * mean_s, step_s):
        return Rhythm.PHYSICAL
    if jitter_s <= max(_CLOCK * mean_s, 0.6 * step_s) and step_s <= _CLOCK * mean_s:
        return Rhythm.CLOCK
    return Rhythm.EITHER


def by_clock(breaks: Sequence[Break], step_s: float) -> bool:
    """Whether three breaks or more follow a clock: one length, one period, as near as rows show."""
    if len(breaks) < 3:
        return False
    lasted = np.array([item.lasted_s for item in breaks])
    periods = np.diff([item.after_s for item in breaks])
    slack_s = 2 * step_s
    same = np.ptp(lasted) <= max(_CLOCK * float(np.mean(lasted)), slack_s)
    steady = np.ptp(periods) <= max(_CLOCK * float(np.mean(periods)), slack_s)
    return bool(same and steady and step_s <= _CLOCK * float(np.min(periods)))


def own_cycles(breaks: Sequence[Break], step_s: float) -> tuple[Sequence[Break], Rhythm]:
    """The breaks, from some first one on, that keep time; none where they do not."""
    for skipped in range(_SKIPPED_MOST + 1):
        rhythm = rhythm_of(breaks[skipped:], step_s)
        if rhythm is not Rhythm.NONE:
            return breaks[skipped:], rhythm
    return (), Rhythm.NONE


def warmed_up(breaks: Sequence[Break], begin_s: float, step_s: float) -> bool:
    """Whether the piece ran far longer before the first break than ever between two: it had to warm up first."""
    if rhythm_of(breaks, step_s) is Rhythm.NONE:
        return False
    between = [b.after_s - a.after_s - a.lasted_s for a, b in pairwise(breaks)]
    ran_s = breaks[0].after_s - begin_s
    return ran_s > max(_WARM_UP_TIMES * float(np.median(between)), _WARM_UP_LEAST_S)


def gone_on(breaks: Sequence[Break], now_s: float) -> bool:
    """Whether what breaks off is still at it: it has not been quiet for as long as the whole row of breaks took.

    Of three breaks or more at random times, one row in twenty is followed by such a quiet.
    """
    return now_s - breaks[-1].last_s <= breaks[-1].last_s - breaks[0].after_s
