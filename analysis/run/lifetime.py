"""When did the lifetime end, and by what: the cutoff, the piece going dark, its first restart. One answer for all.

The end is the earliest of: the voltage held at the cutoff; the draw broke off although the pack still
had voltage; the piece restarted. What a person, the load switch or the piece's own programme did is no
end. Where rows alone cannot tell, both readings are given. The same watch serves a recorded run
(``lifetime_of``) and one that grows (``LifetimeWatch``); ``ending`` holds its parts.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from analysis.doubt.beyond import after_unknown, unknown_from_s
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import Limits, limits_of
from analysis.run.cutoff import Fall
from analysis.run.ending.break_watch import BreakWatch
from analysis.run.ending.breaks import Seen
from analysis.run.ending.cutoff_watch import CutoffWatch
from analysis.run.ending.ends import (
    GAVE_UP,
    NO_RESTART,
    NOT_DIMMED,
    End,
    Lifetime,
    Reading,
)
from analysis.run.ending.explained import Known, low_of
from analysis.run.ending.judge import Judge, Own
from analysis.run.trace import Trace
from logger.base.pack import Pack
from logger.run.description import Description, Event
from logger.run.edited.part import TRIMMED

__all__ = [
    "GAVE_UP",
    "End",
    "Lifetime",
    "LifetimeWatch",
    "Reading",
    "ended_by_the_fall",
    "lifetime_of",
]


class LifetimeWatch:
    """The lifetime of a run that is still being recorded: ``add`` its rows, ask ``now``. Memory is bounded.

    ``modes_ma``: draws of the piece's modes where its budget is known, mA.
    """

    def __init__(
        self,
        pack: Pack | None,
        cutoff_v: float | None,
        hold_s: float,
        begin_s: float = 0.0,
        limits: Limits | None = None,
        windowed: bool = True,
        modes_ma: Sequence[float] = (),
    ) -> None:
        self._pack = pack
        self._begin_s = begin_s
        self._modes_ma = tuple(modes_ma)
        self._breaks = _break_watch(begin_s, limits, pack)
        self._cutoff = CutoffWatch(cutoff_v, hold_s, begin_s, windowed)

    def add(self, times_s: ArrayLike, volts: ArrayLike, currents_ma: ArrayLike) -> None:
        """Append rows (equal lengths, times not falling)."""
        self._breaks.add(times_s, volts, currents_ma)
        self._cutoff.add(times_s, volts, currents_ma)

    def now(self, events: Sequence[Event], *, ended: bool = False) -> Lifetime:
        """As of the last row; ``events``: what the run's description tells so far; ``ended``: the fall ended the rows."""
        at_s = self._cutoff.crossed_s(ended=ended)
        when = Quantity(None if at_s is None else at_s - self._begin_s, "s")
        seen = self._breaks.seen()
        known = Known(seen, events, self._pack, self._modes_ma)
        found = _lifetime(seen, known, when, self._cutoff.cutoff_v)
        return _after_unknown(found, self._begin_s, events)


def lifetime_of(
    trace: Trace,
    fall: Fall,
    when: Quantity,
    description: Description,
    modes_ma: Sequence[float] = (),
) -> Lifetime:
    """The lifetime of a recorded run: what ``LifetimeWatch`` says after its last row.

    ``when``: the cutoff's time with its interval, as ``cutoff_time`` gives it. ``modes_ma``: as above.
    """
    pack = description.pack
    seen = _breaks_in(trace, limits_of(description), pack)
    known = Known(seen, description.events, pack, (*description.modes_ma, *modes_ma))
    if trace.current_ma is not None:
        at_s = fall.ended_s if ended_by_the_fall(description) else fall.held_s
        when = _as_watched(when, None if at_s is None else at_s - trace.begin_s, seen.step_s)
    found = _lifetime(seen, known, when, fall.cutoff_v)
    if description.lost:
        found = _with_marks_lost(found)
    return _after_unknown(found, trace.begin_s, description.events)


def _with_marks_lost(life: Lifetime) -> Lifetime:
    """What only the rows tell of a break may have been a hand's: a mark, a pack's voltages and modes would say so."""
    if life.end not in GAVE_UP or life.end is End.CUTOFF:
        return life
    other = End.OFF if life.end in (End.DARK, End.PROTECTION) else End.RUNNING
    evidence = f"{life.evidence}; whether somebody did that is lost with the description"
    return replace(
        life,
        end=End.UNSURE,
        time=Quantity(None, "s", lower=life.time.value, note=evidence),
        evidence=evidence,
        readings=(Reading(life.end, life.time.value), Reading(other, None)),
    )


def _breaks_in(trace: Trace, limits: Limits | None, pack: Pack | None) -> Seen:
    """Breaks among these rows: looked for once, for the cutoff does not matter to them, and several may be asked for."""
    key = ("breaks", limits.zero_ma if limits else 0.0, pack)
    if key not in trace.looked_for:
        found = Seen(trace.begin_s, trace.end_s, trace.usual_step_s)
        if trace.voltage_v is not None and trace.current_ma is not None:
            watch = _break_watch(trace.begin_s, limits, pack)
            watch.add(trace.time_s, trace.voltage_v, np.abs(trace.current_ma))
            found = watch.ended()
        trace.looked_for[key] = found
    seen: Seen = trace.looked_for[key]
    return seen


def _after_unknown(life: Lifetime, begin_s: float, events: Sequence[Event]) -> Lifetime:
    """Times behind a pause of unknown length are lower bounds."""
    from_s = unknown_from_s(events)
    if begin_s + life.seen_s <= from_s:
        return life

    def bound(time: Quantity) -> Quantity:
        at_s = None if time.value is None else begin_s + time.value
        return after_unknown(time, at_s, from_s)

    time = bound(life.time)
    if life.end is End.UNSURE and any((r.time_s or 0.0) + begin_s > from_s for r in life.readings):
        time = replace(time, at_least=True)
    return replace(
        life, time=time, first_reboot=bound(life.first_reboot), dimmed=bound(life.dimmed)
    )


def ended_by_the_fall(description: Description) -> bool:
    """Whether the rows end because the cutoff was reached: a recorder's own hold may be a row longer than theirs.

    Other meters stop at the first reading below the cutoff.
    """
    if description.end_reason == TRIMMED:
        return False
    return description.end_reason == "cutoff" or description.source == "import"


def _as_watched(when: Quantity, at_s: float | None, step_s: float) -> Quantity:
    """The cutoff's time with its interval where it is the same fall that the watch found, else the watch's own."""
    if at_s is not None and when.value is not None and abs(when.value - at_s) <= 2 * step_s:
        return when
    return Quantity(at_s, "s", note="no interval: the rows around it do not give one")


def _break_watch(begin_s: float, limits: Limits | None, pack: Pack | None) -> BreakWatch:
    floor_v = 0.0 if pack is None else pack.floor_v
    return BreakWatch(begin_s, limits.zero_ma if limits else 0.0, low_of(pack), floor_v)


def _lifetime(seen: Seen, known: Known, when: Quantity, cutoff_v: float | None) -> Lifetime:
    """The earliest of the cutoff and of what the piece did by itself."""
    judge = Judge(seen, known)
    own = judge.own_end()
    cautions = judge.cautions(own)
    seen_s = seen.last_s - seen.begin_s
    cutoff_s = when.value
    gone = seen.open
    if cutoff_s is not None and gone is not None and gone.vanished:
        # The voltage did not fall to the cutoff: it went with the current.
        cutoff_s = cutoff_s if cutoff_s < gone.after_s - seen.begin_s - seen.step_s else None
    first_s = min((item.time_s for item in own.readings if item.time_s is not None), default=None)
    if cutoff_s is not None and (first_s is None or cutoff_s <= first_s + seen.step_s):
        text = f"the voltage stayed at or below {cutoff_v:g} V"
        own = Own(End.CUTOFF, (Reading(End.CUTOFF, cutoff_s),), text)
        time = when
    elif own.at is None or own.end in (End.UNSURE, End.RUNNING):
        readings = own.readings
        if cutoff_s is not None:
            ended = (item for item in readings if item.time_s is not None)
            readings = (*ended, Reading(End.CUTOFF, cutoff_s))
        own = Own(own.end, readings, own.evidence, own.at, own.reboots)
        lower_s = first_s if own.end is End.UNSURE else seen_s
        time = Quantity(None, "s", lower=lower_s, note=own.evidence)
    else:
        time = judge.when(own.at)
    ended_s = time.value if time.value is not None else seen_s
    half_s = None if seen.half_s is None else seen.half_s - seen.begin_s
    if seen.pace is not None and seen.pace.rarer:
        half_s = None  # bursts as high as ever, only fewer: that is no dimming
    dimmed = Quantity(None, "s", note=NOT_DIMMED)
    if half_s is not None and half_s < ended_s:
        dimmed = Quantity(half_s, "s", note="slowly, to half of the first hour's")
    reboot = Quantity(None, "s", note=NO_RESTART)
    if own.reboots and own.at is not None:
        reboot = judge.when(own.at)
    readings = own.readings if own.end is End.UNSURE else ()
    by_pack = own.at is None or known.is_low(own.at)
    return Lifetime(
        own.end,
        time,
        seen_s,
        own.evidence,
        readings,
        own.reboots,
        reboot,
        dimmed,
        cautions,
        by_pack,
    )
