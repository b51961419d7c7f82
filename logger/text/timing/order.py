"""Time of foreign rows put in order: turned round, turns of the clock undone, gaps and repeats told.

All functions work on seconds in file order. Nothing is thrown away here: the
result says which rows cannot be placed in time, and why.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.errors import BenchError
from logger.run.description import Event
from logger.run.reading.order import longest_in_order
from logger.text.question import Question, Reading
from logger.text.spans import span_words
from logger.text.timing.back import (
    GAP_STEPS,
    Clock,
    counter_wrap,
    missing_hours,
    straighten,
    unfold_12_hours,
)
from logger.text.timing.summer_time import to_utc
from logger.text.timing.written import DAY_S, HOUR_S, fixed_zone

Floats = npt.NDArray[np.float64]

_BACK_SHARE_MAX: Final = 0.02  # a column that goes back more often is no time
_MISSING_STEPS: Final = 1.6  # a step of more than so many usual steps: rows are missing
_EVENTS_MAX: Final = 200
_LINES_NAMED: Final = 5
NO_CLOCK: Final = Clock()


@dataclass(frozen=True)
class Ordered:
    """Times (n,) in s from the first kept row, which rows are kept, and what was found.

    ``order`` (n,): rows of the file in the order of time; all else follows it. ``rejected``: place in that order to
    reason. ``boot``: (n,) count of starts of the clock, 0 at first.
    ``usual_step_s``: median of the steps forward; NaN for a single row. ``half_known``: False for a 12-hour clock.
    """

    time_s: Floats
    keep: npt.NDArray[np.bool_]
    order: npt.NDArray[np.int64]
    boot: npt.NDArray[np.int64]
    rejected: dict[int, str]
    events: tuple[Event, ...]
    warnings: tuple[str, ...]
    usual_step_s: float
    zero_s: float
    half_known: bool = True


def put_in_order(
    time_s: Floats,
    gap_s: float | None = None,
    clock: Clock = NO_CLOCK,
    row_order: str | None = None,
    falls: bool | None = None,
) -> Ordered:
    """Times that never decrease from times (n,) in file order.

    A counter or clock that turns is unwrapped; one that starts again goes on one usual step later (how long it stood
    is unknown, and told); up to three rows with an odd time are rejected. ``gap_s``: longest step that is no gap, by
    default ten usual steps. ``row_order``: as the user said; ``falls``: whether the voltage falls in file order, None
    if that is not known.

    Raises BenchError if the times do not increase at all, or go back so often that they are no times; Question where
    a step has two meanings.
    """
    order = np.arange(len(time_s))
    warnings: list[str] = []
    steps = np.diff(time_s)
    if len(time_s) > 2 and (steps < 0).sum() > 0.9 * max(1, (steps != 0).sum()):
        if _counts_down(time_s, clock, row_order, falls):
            time_s = -time_s
            warnings.append("the time counts down; it was turned into time from the first row on")
        else:
            time_s, order = time_s[::-1], order[::-1]
            warnings.append("the file has its newest row first; it was turned round")
    clock = _in_order(clock, order)
    halves = clock.twelve and clock.absolute and _is_twelve(time_s)
    if halves:
        warnings.append(
            "a 12-hour clock without am and pm: the half of the day is taken from its course"
        )
        time_s = unfold_12_hours(time_s)
    if clock.zone is not None:
        time_s = _zoned(time_s, clock, warnings)
    rejected: dict[int, str] = {}
    if clock.back == "sort":
        by_time = np.argsort(time_s, kind="stable")
        moved = int((by_time != np.arange(len(time_s))).sum())
        time_s, order = time_s[by_time], order[by_time]
        warnings.append(f"rows sorted by time, as you said: {moved} stood elsewhere")
        clock = _in_order(clock, by_time)
    if clock.back == "drop":
        late = time_s < np.maximum.accumulate(time_s)
        rejected = dict.fromkeys(np.flatnonzero(late).tolist(), "its time goes back")
    usual_s = _usual_step_s(time_s, np.diff(time_s), clock)
    made = _placed(time_s, order, rejected, usual_s, gap_s, clock, warnings)
    return replace(made, half_known=not halves)


def _placed(
    time_s: Floats,
    order: npt.NDArray[np.int64],
    rejected: dict[int, str],
    usual_s: float,
    gap_s: float | None,
    clock: Clock,
    warnings: list[str],
) -> Ordered:
    keep = np.ones(len(time_s), dtype=np.bool_)
    keep[list(rejected)] = False
    left = np.flatnonzero(keep)
    inner = _in_order(clock, left)
    made = straighten(time_s[left], usual_s, inner)
    straight = time_s.copy()
    straight[left] = made.time_s
    boot = np.zeros(len(time_s), dtype=np.int64)
    boot[left] = made.boot
    rejected |= {int(left[place]): reason for place, reason in made.rejected.items()}
    keep[list(rejected)] = False
    left = np.flatnonzero(keep)
    for place in left[~longest_in_order(straight[left])].tolist():
        rejected[place] = "its time goes back"
        keep[place] = False
    if not made.boot.any():
        seen = any("came twice" in event.text for event in made.events)
        missing_hours(straight[keep], usual_s, _in_order(clock, np.flatnonzero(keep)), seen)
    zero_s = float(straight[keep][0])
    straight = straight - zero_s
    placed = [
        Event(event.time_s - zero_s, event.kind, event.text, event.lost) for event in made.events
    ]
    lines = None if clock.lines is None else clock.lines[keep]
    gaps, gap_warnings = find_gaps(straight[keep], usual_s, gap_s, lines)
    return Ordered(
        straight,
        keep,
        order,
        boot,
        rejected,
        tuple(sorted((*placed, *gaps), key=lambda event: event.time_s)),
        (*warnings, *gap_warnings),
        usual_s,
        zero_s,
    )


def _in_order(clock: Clock, order: npt.NDArray[np.int64]) -> Clock:
    return replace(
        clock,
        headers=None if clock.headers is None else clock.headers[order],
        lines=None if clock.lines is None else clock.lines[order],
    )


def _counts_down(time_s: Floats, clock: Clock, row_order: str | None, falls: bool | None) -> bool:
    """Whether a time that falls counts down (else the newest row comes first). Raises Question."""
    if row_order is not None:
        return row_order == "count-down"
    if clock.absolute or falls is False:
        return False
    raise Question(
        "The time falls: is the newest row first, or does it count down?",
        f"{clock.words(float(time_s[0]))} to {clock.words(float(time_s[-1]))}",
        [
            Reading("the newest row is first", "the last line is the start", ("--row-order", "newest-first")),
            Reading("it counts down", "the first line is the start", ("--row-order", "count-down")),
        ],
    )  # fmt: skip


def _is_twelve(time_s: Floats) -> bool:
    """Whether the course of a clock with dates shows that it goes to twelve only."""
    steps = np.diff(time_s)
    forward = steps[steps > 0]
    usual_s = float(np.median(forward)) if len(forward) else math.nan
    near = 20 * usual_s
    back = (np.abs(steps + DAY_S / 2) <= near) & (time_s[:-1] % DAY_S // HOUR_S == 12)
    jump = np.abs(steps - DAY_S) <= near
    return bool(back.any() or (jump.any() and usual_s < HOUR_S))


def _zoned(time_s: Floats, clock: Clock, warnings: list[str]) -> Floats:
    """Local times in UTC; without a date only an hour that is missing is taken out."""
    assert clock.zone is not None
    steps = np.diff(time_s)
    usual_s = float(np.median(steps[steps > 0])) if (steps > 0).any() else 1.0
    if clock.absolute:
        return to_utc(time_s, clock.zone, usual_s) if clock.local else time_s
    if fixed_zone(clock.zone) is not None:
        return time_s
    lost = (np.abs(steps - HOUR_S - usual_s) <= 1.5 * usual_s) & (
        time_s[:-1] % DAY_S <= 4.1 * HOUR_S
    )
    if lost.any():
        warnings.append("summer time began: the hour that is missing was taken out")
    return time_s - HOUR_S * np.concatenate(([0], np.cumsum(lost)))


def _usual_step_s(time_s: Floats, steps_s: Floats, clock: Clock) -> float:
    """Median step forward, NaN for a single row. Raises BenchError if the times are none."""
    forward = steps_s[steps_s > 0]
    if len(time_s) > 1 and len(forward) == 0:
        raise BenchError(
            "The time does not increase at all.",
            evidence=f"{len(time_s)} rows, all between {time_s.min():g} and {time_s.max():g} s",
            next_step="name another column with --time, or give the time between rows with --every.",
        )
    usual_s = float(np.median(forward)) if len(forward) else math.nan
    if clock.back is not None or clock.turn_s is not None:
        return usual_s
    backwards = sum(
        counter_wrap(float(time_s[place]), float(time_s[place + 1]), usual_s) is None
        for place in np.flatnonzero(steps_s < 0).tolist()
    )
    if backwards > max(20.0, _BACK_SHARE_MAX * len(time_s)):
        raise BenchError(
            "The time goes back again and again: this column is no time.",
            evidence=f"{backwards} of {len(time_s)} rows lie before the row above",
            next_step="name the column of the time with --time.",
        )
    return usual_s


def find_gaps(
    time_s: Floats,
    usual_s: float,
    gap_s: float | None,
    lines: npt.NDArray[np.int64] | None = None,
) -> tuple[list[Event], list[str]]:
    """Gaps as events, and in words how many rows seem to be missing in shorter steps."""
    steps = np.diff(time_s)
    longest_s = gap_s if gap_s is not None else GAP_STEPS * usual_s
    places = np.flatnonzero(steps > longest_s)
    warnings: list[str] = []
    if len(places) > _EVENTS_MAX:
        warnings.append(
            f"{len(places)} gaps of more than {longest_s:g} s; the {_EVENTS_MAX} longest are listed as events"
        )
        places = np.sort(places[np.argsort(steps[places])[-_EVENTS_MAX:]])
    events = []
    for place in places.tolist():
        step_s = float(steps[place])
        rows = max(0, round(step_s / usual_s) - 1)
        events.append(
            Event(
                float(time_s[place]),
                "gap",
                f"nothing for {span_words(step_s)}, about {rows} rows",
                {"rows": float(rows), "duration_s": round(step_s, 6)},
            )
        )
    same = np.flatnonzero(steps == 0)
    if len(same):
        named = ""
        if lines is not None:
            first = ", ".join(str(lines[place + 1]) for place in same[:_LINES_NAMED].tolist())
            named = f" (line{'s' * (len(same) > 1)} {first}{', ...' * (len(same) > _LINES_NAMED)})"
        warnings.append(f"rows with the same time as the row above, kept: {len(same)}{named}")
    short = (steps > _MISSING_STEPS * usual_s) & (steps <= longest_s)
    missing = float(np.round(steps[short] / usual_s - 1).sum())
    if missing:
        warnings.append(
            f"rows that seem to be missing, a few at a time: about {missing:.0f} (steps of more than {_MISSING_STEPS:g} usual ones)"
        )
    return events, warnings
