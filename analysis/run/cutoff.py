"""When did the voltage fall to the cutoff: first touch, and for good."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import (
    COVERAGE,
    NO_LIMITS_NOTE,
    Budget,
    Limits,
    budget,
    combined,
    coverage_factor,
)
from analysis.run.ending.cutoff_watch import CutoffWatch
from analysis.run.trace import Floats, Mask, Rows, Trace, chosen, stretches
from logger.base.errors import BenchError

_FIRST_ROWS = 10
# A fall so many times the usual change from row to row is the load's step: the project's own figure.
_STEP_ROWS = 5.0


@dataclass(frozen=True)
class Crossing:
    """The fall to the cutoff. ``time_s``: interpolated; it lies between the rows at ``before_s`` and ``after_s``.

    ``held_s``: how long the voltage then stayed there. ``finished``: the hold time was
    seen whole; False: the run ended first. ``dips_before``: earlier, shorter falls. ``fell_v``: from the row
    before to the row after.
    """

    time_s: float
    before_s: float
    after_s: float
    held_s: float
    finished: bool
    dips_before: int
    fell_v: float = 0.0


def first_held(
    time_s: Callable[[Rows], Floats],
    voltage_v: Floats,
    cutoff_v: float,
    hold_s: float,
    *,
    end_s: float,
    slack_s: float = 0.0,
) -> Crossing | None:
    """First fall to ``cutoff_v`` or below that lasts ``hold_s``, or until the run ends.

    ``time_s``: instants of rows given by number; ``voltage_v``: shape (n,). Times are interpolated in a straight line between
    rows. A hold needs at least two rows, so that a single bad row is never the end of a
    pack; ``hold_s`` 0 takes the first touch. ``slack_s``: a row's own length, which the hold
    may fall short by where the run ended meanwhile. None if it never happened.
    """
    below = voltage_v <= cutoff_v
    first, past = stretches(below)
    if len(first) == 0:
        return None
    fall_s = _interpolated(time_s, voltage_v, cutoff_v, first)
    last_one = past >= len(voltage_v)
    rise_s = np.where(
        last_one,
        end_s,
        _interpolated(time_s, voltage_v, cutoff_v, np.minimum(past, len(voltage_v) - 1)),
    )
    held_s = rise_s - fall_s
    least_s = np.where(last_one, hold_s - slack_s, hold_s)
    held = (held_s >= least_s) & (past - first >= 2) if hold_s > 0 else held_s >= 0
    chosen = np.flatnonzero(held | last_one)
    if len(chosen) == 0:
        return None
    at = int(chosen[0])
    beside = np.array([max(first[at] - 1, 0), first[at]])
    before_s, after_s = time_s(beside)
    before_v, after_v = voltage_v[beside]
    return Crossing(
        time_s=float(fall_s[at]),
        before_s=float(before_s),
        after_s=float(after_s),
        held_s=float(held_s[at]),
        finished=bool(held[at]),
        dips_before=at,
        fell_v=float(before_v - after_v),
    )


def _interpolated(
    time_s: Callable[[Rows], Floats],
    voltage_v: Floats,
    level_v: float,
    row: Rows,
) -> Floats:
    """Instant between the row before and ``row`` at which a straight line passes ``level_v``."""
    before = np.maximum(row - 1, 0)
    rise_v = voltage_v[row] - voltage_v[before]
    share = np.divide(level_v - voltage_v[before], rise_v, out=np.ones(len(row)), where=rise_v != 0)
    before_s = time_s(before)
    return np.asarray(before_s + np.clip(share, 0, 1) * (time_s(row) - before_s))


@dataclass(frozen=True)
class Fall:
    """The fall of a run's voltage to the cutoff: ``crossing`` held, ``touch`` the very first; None: never.

    ``lower_s``, ``upper_s``: 95 % interval of the held crossing, None where limits are not known.
    ``components``: its budget in s, with the mean slope of both sides of the interval. ``held_s``: instant of the fall
    as a live watch over the same rows has it, None: not held; ``ended_s``: the same where no more rows will come.
    """

    cutoff_v: float | None
    crossing: Crossing | None = None
    touch: Crossing | None = None
    lower_s: float | None = None
    upper_s: float | None = None
    components: Budget = ()
    held_s: float | None = None
    ended_s: float | None = None


def find_fall(trace: Trace, limits: Limits | None, cutoff_v: float | None, hold_s: float) -> Fall:
    """Held crossing and first touch of ``cutoff_v``, contact faults left out.

    The first touch is by any single conversion where the run has them (``pack_min_v``).
    Raises BenchError if the run never stood above the cutoff or has no voltage.
    """
    if cutoff_v is None:
        return Fall(None)
    voltage_v = _checked_voltage(trace, cutoff_v, hold_s)
    watch = _watched(trace, voltage_v, cutoff_v, hold_s)
    usable = ~_beside(trace.no_contact) & ~_pulled_plug(trace, hold_s)
    for begin_s, end_s in watch.dips:
        usable &= (trace.time_s <= begin_s) | (trace.time_s - trace.step_s >= end_s)
    watched = (watch.crossed_s(), watch.crossed_s(ended=True))
    rows = chosen(usable)
    row_v = rows.values(voltage_v)

    def middle_s(places: Rows) -> Floats:
        return trace.middle_s(rows.at(places))

    def held(level_v: float) -> Crossing | None:
        return first_held(
            middle_s,
            row_v,
            level_v,
            hold_s,
            end_s=trace.end_s,
            slack_s=trace.usual_step_s if trace.windowed else 0.0,
        )

    crossing = held(cutoff_v)
    touch = _first_touch(trace, usable, cutoff_v)
    if crossing is None or limits is None:
        return Fall(cutoff_v, crossing, touch, None, None, (), *watched)
    return Fall(
        cutoff_v, crossing, touch, *_interval(trace, limits, cutoff_v, crossing, held), *watched
    )


def _interval(
    trace: Trace,
    limits: Limits,
    cutoff_v: float,
    crossing: Crossing,
    held: Callable[[float], Crossing | None],
) -> tuple[float, float, Budget]:
    """Both ends of the 95 % interval in s on the run's axis, and its budget; ``held``: the fall to another voltage."""
    noise_v = trace.scatter.voltage_alone_v
    components = budget(limits, cutoff_v, per_v=1.0, noise=noise_v)
    half_v = coverage_factor(components) * combined(components)
    early, late = held(cutoff_v + half_v), held(cutoff_v - half_v)
    early_s = crossing.time_s - (trace.begin_s if early is None else early.time_s)
    # A run that stopped at the cutoff does not show what came after: take the time before it;
    # at the end of a discharge the voltage falls faster, so that is the wider side.
    shown = late is not None and late.finished
    late_s = late.time_s - crossing.time_s if late is not None and shown else early_s
    in_gap = crossing.after_s - crossing.before_s > 1.5 * trace.usual_step_s
    if in_gap:
        early_s = max(early_s, crossing.time_s - crossing.before_s)
        late_s = max(late_s, crossing.after_s - crossing.time_s)
    clock = budget(limits, crossing.time_s - trace.begin_s, clocked=True)
    s_per_v = (early_s + late_s) / 2 / half_v if half_v > 0 else 0.0
    slope = tuple(replace(part, standard=part.standard * s_per_v) for part in components)
    # Voltage and clock together have a coverage factor of their own.
    factor = coverage_factor((*slope, *clock))
    wider, clock_s = factor / coverage_factor(components), factor * combined(clock)
    early_s, late_s = (math.hypot(side_s * wider, clock_s) for side_s in (early_s, late_s))
    if crossing.fell_v > max(half_v, _STEP_ROWS * _usual_fall_v(trace)):
        # The load's own step took it under, somewhere within the rows beside it; means lag by up to a row more.
        early_s, late_s = early_s + trace.usual_step_s, late_s + 2 * trace.usual_step_s
    return crossing.time_s - early_s, crossing.time_s + late_s, (*slope, *clock)


def _usual_fall_v(trace: Trace) -> float:
    """Change of the voltage from row to row where the load does not step: the lower quartile."""
    assert trace.voltage_v is not None
    return float(np.quantile(np.abs(np.diff(trace.voltage_v)), 0.25))


def _watched(trace: Trace, voltage_v: Floats, cutoff_v: float, hold_s: float) -> CutoffWatch:
    """The live watch after the run's last row."""
    watch = CutoffWatch(cutoff_v, hold_s, trace.begin_s, trace.windowed)
    current_ma = np.zeros_like(voltage_v) if trace.current_ma is None else np.abs(trace.current_ma)
    watch.add(trace.time_s, voltage_v, current_ma)
    return watch


def _first_touch(trace: Trace, usable: Mask, cutoff_v: float) -> Crossing | None:
    """The very first fall to the cutoff, by single conversions where the run has them."""
    least_v = trace.voltage_min_v
    if least_v is None:
        rows = chosen(usable)
        return first_held(
            lambda places: trace.middle_s(rows.at(places)),
            rows.values(_present(trace.voltage_v)),
            cutoff_v,
            0.0,
            end_s=trace.end_s,
        )
    # One conversion near 0 V amid a healthy window is a loose contact as well.
    sound = chosen(usable & (least_v > trace.dead_below_v))
    return first_held(
        lambda places: trace.time_s[sound.at(places)],
        sound.values(least_v),
        cutoff_v,
        0.0,
        end_s=trace.end_s,
    )


def _present(column: Floats | None) -> Floats:
    assert column is not None
    return column


def cutoff_time(trace: Trace, fall: Fall) -> Quantity:
    """Time from the run's begin to the held crossing."""
    if fall.crossing is None:
        return Quantity(None, "s", note=_no_crossing_note(fall))
    value = fall.crossing.time_s - trace.begin_s
    if fall.lower_s is None or fall.upper_s is None:
        return Quantity(value, "s", note=NO_LIMITS_NOTE)
    return Quantity(
        value,
        "s",
        max(0.0, fall.lower_s - trace.begin_s),
        fall.upper_s - trace.begin_s,
        COVERAGE,
        "from the voltage reading's doubt, the slope at the cutoff and the clock",
    )


def first_touch_time(trace: Trace, fall: Fall) -> Quantity:
    """Time from the run's begin to the first touch, which a dip or a pulse may have made."""
    if fall.touch is None:
        return Quantity(None, "s", note=_no_crossing_note(fall))
    return Quantity(
        fall.touch.time_s - trace.begin_s,
        "s",
        note="the very first touch; no interval, as one dip decides it",
    )


def _no_crossing_note(fall: Fall) -> str:
    return (
        "no cutoff was given"
        if fall.cutoff_v is None
        else f"the voltage did not fall to {fall.cutoff_v:g} V in this run"
    )


def _checked_voltage(trace: Trace, cutoff_v: float, hold_s: float) -> Floats:
    if not (math.isfinite(cutoff_v) and cutoff_v > 0 and math.isfinite(hold_s) and hold_s >= 0):
        raise BenchError(
            "The cutoff must be above 0 V and the hold 0 s or more.",
            evidence=f"cutoff {cutoff_v:g} V, hold {hold_s:g} s",
            next_step="give a cutoff such as 3.0 and a hold such as 10.",
        )
    if trace.voltage_v is None:
        raise BenchError(
            "The run has no voltage, so there is no cutoff to look for.",
            evidence="columns pack_v and bus_v are missing or empty",
            next_step="leave the cutoff out to get charge and draw alone.",
        )
    first_rows = trace.alive.at(np.arange(min(_FIRST_ROWS, trace.alive.count)))
    first_v = float(trace.voltage_v[first_rows].max()) if len(first_rows) else 0.0
    if cutoff_v >= first_v:
        raise BenchError(
            f"The cutoff of {cutoff_v:g} V is not below the first voltage of the run.",
            evidence=f"the run began at {first_v:.3f} V",
            next_step="give the voltage at which the circuit gives up, for the whole pack in series.",
        )
    return trace.voltage_v


def _pulled_plug(trace: Trace, hold_s: float) -> Mask:
    """A dead end of the run that is shorter than the hold: the plug was pulled, the pack not empty."""
    tail = trace.dead & ~trace.no_contact
    lasted_s = float(trace.step_s[tail].sum())
    return tail & (lasted_s < max(hold_s, 2 * trace.usual_step_s))


def _beside(mask: Mask) -> Mask:
    """The mask, and the rows next to it: a row in which the contact failed is a mean of both."""
    wide = mask.copy()
    wide[1:] |= mask[:-1]
    wide[:-1] |= mask[1:]
    return wide
