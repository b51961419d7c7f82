"""A time that goes back from one row to the next: a counter or clock that turned, a restart, or a question."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.errors import BenchError
from logger.run.description import Event
from logger.text.question import Question, Reading
from logger.text.spans import span_words
from logger.text.timing.summer_time import change_between
from logger.text.timing.written import DAY_S, HOUR_S, moment_words

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

# Counters of sketches: 32-bit ms and us, also signed; 31-bit, 16-bit.
_COUNTERS: Final = (
    (2**32 * 1e-3, "the millisecond counter wrapped at 2^32"),
    (2**32 * 1e-6, "the microsecond counter wrapped at 2^32"),
    (2**31 * 1e-3, "the millisecond counter wrapped at 2^31"),
    (2**31 * 1e-6, "the microsecond counter wrapped at 2^31"),
    (2**16 * 1e-3, "the millisecond counter wrapped at 2^16"),
    (2**16 * 1.0, "the second counter wrapped at 2^16"),
    (DAY_S, "the clock passed midnight"),
)
_TURNS: Final = {DAY_S: "the clock passed midnight", HOUR_S: "the minutes passed 59"}
_WRAP_STEPS: Final = 20.0  # a wrap leaves a step of at most so many usual steps
_CLOSE_STEPS: Final = 2.5  # a wrap right at zero with a longer step than this is a restart
_AS_BEGUN_STEPS: Final = 1.5  # a restart begins as the file did, or a row later
# A time set back at random lands so near zero once in twenty times: our own figure.
_BY_CHANCE: Final = 0.05
_GLITCH_ROWS: Final = 3  # so many rows with an odd time are a glitch, more are a clock set back
GAP_STEPS: Final = 10.0  # a step of more than so many usual steps is a gap


@dataclass(frozen=True)
class Clock:
    """What is known of the time column besides its numbers.

    ``turn_s``: what it begins again after, None for a count; ``absolute``: it has a date; ``local``: summer time may be
    in it; ``twelve``: it may be a 12-hour clock. ``headers`` (n,): a header stands right above the row.
    ``lines`` (n,): line numbers, to name rows; None: not known. ``back``: what the user said of a time that goes back.
    """

    turn_s: float | None = None
    absolute: bool = False
    local: bool = False
    twelve: bool = False
    headers: npt.NDArray[np.bool_] | None = None
    lines: Integers | None = None
    back: str | None = None
    zone: str | None = None

    def line(self, place: int) -> str:
        return f"line {self.lines[place]}" if self.lines is not None else f"row {place + 1}"

    def words(self, time_s: float) -> str:
        if self.absolute:
            return moment_words(time_s)
        if self.turn_s is not None:
            whole = int(time_s)
            return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
        return f"{time_s:.10g} s"


@dataclass
class Straight:
    """Times (n,) with turns undone, boots counted, rejected rows by reason, and what was found."""

    time_s: Floats
    boot: Integers
    rejected: dict[int, str] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)


def straighten(time_s: Floats, usual_s: float, clock: Clock) -> Straight:
    """Times that go on where a counter or clock turned or the meter began again. Raises Question."""
    made = Straight(time_s.copy(), np.zeros(len(time_s), dtype=np.int64))
    for place in np.flatnonzero(np.diff(time_s) < 0).tolist():
        here = place + 1
        if here in made.rejected:
            continue
        before = place
        while before in made.rejected:  # never all: a glitch leaves the row before it
            before -= 1
        if time_s[here] >= time_s[before]:
            continue
        _undo(made, time_s, before, here, usual_s, clock)
    return made


def _undo(
    made: Straight, time_s: Floats, before: int, here: int, usual_s: float, clock: Clock
) -> None:
    """One step back: a wrap, a change of summer time, a glitch or a restart; else a question."""
    before_s, after_s = float(time_s[before]), float(time_s[here])
    turn = _turn(before_s, after_s, usual_s, clock)
    if turn is not None:
        span_s, words = turn
        made.time_s[here:] += span_s
        made.events.append(Event(float(made.time_s[here]), "clock", words))
        return
    headed = clock.headers is not None and bool(clock.headers[before + 1 : here + 1].any())
    odd = {} if headed or clock.back == "restart" else _glitch(time_s, here, usual_s)
    if odd:
        made.rejected.update(odd)
        return
    if clock.back in ("next-day", "next-hour"):
        span_s = DAY_S if clock.back == "next-day" else HOUR_S
        made.time_s[here:] += span_s * float(np.ceil((before_s - after_s) / span_s))
        made.events.append(
            Event(float(made.time_s[here]), "clock", f"{_TURNS[span_s]}, as you said")
        )
        return
    restarted = headed or clock.back == "restart"
    if not restarted and not _begins_anew(time_s, before_s, here, usual_s, clock):
        raise _question(time_s, before, here, clock)
    made.time_s[here:] += float(before_s + usual_s - after_s)
    made.boot[here:] += 1
    why = "the header comes again and " if headed else ""
    told = f"{why}the clock started again from {clock.words(after_s)} after {clock.words(before_s)}"
    made.events.append(
        Event(
            float(made.time_s[here]),
            "boot",
            f"{told}; how long it stood is not known, one usual step ({usual_s:g} s) was put in",
        )
    )


def _begins_anew(time_s: Floats, before_s: float, here: int, usual_s: float, clock: Clock) -> bool:
    """Whether a count plainly starts again at ``here``: near zero, and not just a little further back."""
    near_s = max(10.0, _WRAP_STEPS * usual_s)
    first_s, after_s = float(time_s[0]), float(time_s[here])
    if clock.absolute or after_s > near_s or _is_hole(time_s, here, usual_s):
        return False
    # A time of day may well pass zero: only a count of hours begins there.
    if clock.turn_s is not None and first_s > near_s:
        return False
    as_begun = after_s <= first_s + _AS_BEGUN_STEPS * usual_s
    return as_begun or after_s <= _BY_CHANCE * before_s


def _is_hole(time_s: Floats, here: int, usual_s: float) -> bool:
    """Whether the row's time lies where rows above have left a gap: then it may have stood there."""
    above = time_s[:here]
    after_s = time_s[here]
    if not above[0] < after_s < above.max():
        return False
    return not (np.abs(above - after_s) <= 0.75 * usual_s).any()


def _turn(
    before_s: float, after_s: float, usual_s: float, clock: Clock
) -> tuple[float, str] | None:
    """Span and words of the clock or counter that turned between these two times, if one fits."""
    if clock.turn_s is None and not clock.absolute:
        found = counter_wrap(before_s, after_s, usual_s)
        return None if found is None else (found[0], f"{found[1]}; unwrapped")
    if clock.turn_s is not None:
        step_s = after_s + clock.turn_s - before_s
        most_s = min(_WRAP_STEPS * usual_s, clock.turn_s / 4)
        if 0 < step_s <= (most_s if clock.turn_s != DAY_S / 2 else clock.turn_s):
            return clock.turn_s, f"{_TURNS.get(clock.turn_s, 'the clock passed twelve')}; unwrapped"
        half_s = after_s + DAY_S / 2 - before_s
        if clock.twelve and 0 < half_s <= _WRAP_STEPS * usual_s and before_s // HOUR_S == 12:
            return DAY_S / 2, "a 12-hour clock passed from 12 to 1; unwrapped"
    step_s = after_s + HOUR_S - before_s
    early = 0 <= before_s % DAY_S <= 4.1 * HOUR_S
    changed = change_between(before_s, after_s) if clock.local else None
    if changed is not None and 0 < after_s - changed.shift_s - before_s <= _WRAP_STEPS * usual_s:
        return (
            -changed.shift_s,
            f"the hour came twice, as at the end of summer time in {changed.zone}",
        )
    if (
        not clock.absolute
        and early
        and clock.turn_s == DAY_S
        and 0 < step_s <= _CLOSE_STEPS * usual_s
    ):
        return HOUR_S, "the hour came twice, as at the end of summer time"
    return None


def counter_wrap(before_s: float, after_s: float, usual_s: float) -> tuple[float, str] | None:
    """Span and words of the counter that wrapped between these two times, if one fits."""
    for span_s, words in _COUNTERS:
        step_s = after_s + span_s - before_s
        # The longer the step for the span, the more a restart could pass for a wrap.
        steps_max = min(_WRAP_STEPS, span_s / (4 * usual_s))
        # A clock that starts at zero with rows missing before it: it began again, by chance near a wrap.
        if span_s != DAY_S and 0 <= after_s < usual_s:
            steps_max = min(steps_max, _CLOSE_STEPS)
        if before_s < span_s and 0 < step_s <= steps_max * usual_s:
            return span_s, words
    return None


def _glitch(time_s: Floats, here: int, usual_s: float) -> dict[int, str]:
    """Rows whose odd time explains that ``here`` lies before the row above; empty: none."""
    for count in range(1, _GLITCH_ROWS + 1):
        sound = here - 1 - count
        near_s = GAP_STEPS * (count + 1) * usual_s
        if (
            sound >= 0
            and 0 <= time_s[here] - time_s[sound] <= near_s
            and time_s[sound + 1 : here].min() - time_s[sound] > near_s
        ):
            return dict.fromkeys(range(sound + 1, here), "its time is far ahead of the rows around")
        after = here + count
        if after < len(time_s) and 0 <= time_s[after] - time_s[here - 1] <= near_s:
            return dict.fromkeys(range(here, after), "its time goes back")
    if here + _GLITCH_ROWS >= len(time_s) and time_s[here] > time_s[0]:
        return dict.fromkeys(range(here, len(time_s)), "its time goes back")
    return {}


def _question(time_s: Floats, before: int, here: int, clock: Clock) -> BenchError:
    before_s, after_s = float(time_s[before]), float(time_s[here])
    readings = [
        Reading(
            "the meter or its clock began again there",
            "a new part, after a gap of unknown length",
            ("--time-back", "restart"),
        )
    ]
    if clock.turn_s is not None and before_s - after_s < clock.turn_s:
        word = "next-day" if clock.turn_s == DAY_S else "next-hour"
        ahead = f"{span_words(clock.turn_s - (before_s - after_s))} after the row above"
        readings.append(
            Reading(f"it is the {word.replace('-', ' ')}", ahead, ("--time-back", word))
        )
    if clock.twelve and clock.turn_s == DAY_S and before_s - after_s < DAY_S / 2:
        ahead = f"{span_words(DAY_S / 2 - (before_s - after_s))} after the row above"
        readings.append(Reading("it is a 12-hour clock", ahead, ("--hours", "12")))
    changed = change_between(before_s, after_s) if clock.local else None
    if changed is not None:
        ahead = f"{span_words(after_s - before_s - changed.shift_s)} after the row above"
        readings.append(Reading("summer time ended", ahead, ("--time-zone", changed.zone)))
    readings += [
        Reading("the rows are in the wrong order", "sorted by time", ("--time-back", "sort")),
        Reading("those rows are wrong", "left out", ("--time-back", "drop")),
    ]
    return Question(
        "The time goes back, and what that means cannot be told.",
        f"{clock.line(here)} says {clock.words(after_s)}, {clock.line(before)} {clock.words(before_s)}",
        readings,
    )


def missing_hours(time_s: Floats, usual_s: float, clock: Clock, seen: bool) -> None:
    """Raises Question where a change of summer time may lie in a step forward; ``seen``: one was seen going back."""
    if clock.zone is not None or not (clock.local or clock.turn_s == DAY_S):
        return
    steps = np.diff(time_s)
    long = (steps > GAP_STEPS * usual_s) | ((steps > 1.6 * usual_s) & (steps > 0.5 * HOUR_S))
    for place in np.flatnonzero(long).tolist():
        before_s, after_s = float(time_s[place]), float(time_s[place + 1])
        if clock.absolute:
            change = change_between(before_s, after_s, seen)
            shift_s, zone = (0.0, "") if change is None else (change.shift_s, change.zone)
        else:
            night = before_s % DAY_S <= 4.1 * HOUR_S
            exact = abs(after_s - before_s - HOUR_S - usual_s) <= 1.5 * usual_s
            shift_s, zone = (HOUR_S, "Europe/Berlin") if night and exact else (0.0, "")
        if not zone:
            continue
        gap_s = after_s - before_s
        happened = "An hour is missing: did summer time begin, or is it a gap?"
        if shift_s < 0:
            happened = "There is a gap where summer time ends: does the clock follow that?"
        raise Question(
            happened,
            f"{clock.line(place)} says {clock.words(before_s)}, {clock.line(place + 1)} {clock.words(after_s)}",
            [
                Reading(
                    "the clock follows summer time",
                    f"{span_words(gap_s - shift_s)} lie between them",
                    ("--time-zone", zone),
                ),
                Reading("it does not", f"a gap of {span_words(gap_s)}", ("--time-zone", "UTC")),
            ],
        )


def unfold_12_hours(time_s: Floats) -> Floats:
    """Times with a date of a clock that goes to twelve and says no am or pm: the half of the day from the course."""
    day = np.floor(time_s / DAY_S)
    within = (time_s - day * DAY_S) % (DAY_S / 2)
    new_day = np.diff(day) != 0
    turned = ~new_day & (np.diff(within) < -0.25 * DAY_S)
    best: Floats | None = None
    for first in (0, 1):
        half = np.empty(len(time_s))
        half[0] = first
        edges = np.concatenate(([0], np.flatnonzero(new_day) + 1, [len(time_s)]))
        for start, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            begin = first if start == 0 else 0
            half[start] = begin
            half[start + 1 : end] = begin + np.cumsum(turned[start : end - 1])
        made = day * DAY_S + half * DAY_S / 2 + within
        if half.max() <= 1 and (best is None or _roughness(made) < _roughness(best)):
            best = made
    return time_s if best is None else best


def _roughness(time_s: Floats) -> tuple[int, float]:
    steps = np.diff(time_s)
    return int((steps < 0).sum()), float(steps.max(initial=0.0))
