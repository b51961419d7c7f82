"""When did the lifetime end, and by what: the cutoff, the piece going dark, its first restart. One answer for all.

The end is the earliest of: the voltage held at the cutoff; the draw broke off although the pack still
had voltage; the piece restarted. What a person, the load switch or the piece's own programme did is no
end. Where rows alone cannot tell, both readings are given. The same watch serves a recorded run
(``lifetime_of``) and one that grows (``LifetimeWatch``).
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import COVERAGE, Limits, limits_of
from analysis.run.cutoff import Fall
from analysis.run.cutoff_watch import CutoffWatch
from analysis.run.draw_breaks import Break, BreakWatch, Seen
from analysis.run.trace import Trace
from analysis.say.words import count_words, plain_text, span_words
from logger.base.fault_words import load_state
from logger.base.pack import Pack
from logger.run.description import Description, Event

# A break at the end of the rows says nothing yet: whoever ends a run pulls the plug first.
_OPEN_LEAST_S: Final = 60.0
# A microcontroller is back within seconds, a supply with hysteresis when the pack has recovered.
_RESTART_MOST_S: Final = 10.0
# A pack that gives up by itself stands in the lower part of its way from full down to its floor: about the
# last fifth of the charge of alkaline cells, less of the others.
_LOW_SHARE: Final = 0.4
_LOW_OF_FIRST: Final = 0.8  # without a pack, and so without a floor
# Marks are set by hand, a little before or after the deed.
_MARK_S: Final = 90.0
_SWITCH_S: Final = 5.0
_MODE_LEVEL: Final = 0.5
_MODE_APART: Final = 0.01  # of the level: closer draws cannot be told apart
_MODE_LONGER: Final = 3.0
_RHYTHM_LONGER: Final = 10.0
_RHYTHM_TIMES: Final = 3
_RHYTHM_LEAST_S: Final = 600.0
_MOSTLY_OFF: Final = 0.9
_ALIKE_TIMES: Final = 3
_PROTECTED: Final = frozenset({"li-ion", "lifepo4"})
_BY_HAND = re.compile(
    r"\b(off|out|unplug\w*|disconnect\w*|switch\w*|pull\w*|remov\w*|took|taken|stop\w*|end|charg\w*|bed)\b", re.I
)  # fmt: skip
_FOUND_DARK = re.compile(
    r"\b(dark|dead|died|gone|empty|shut\s?down|gave up|black|no light|not lit)\b", re.I
)


_NO_RESTART: Final = "no restart was seen"
_NOT_DIMMED: Final = "the draw did not sink to half"


class End(StrEnum):
    """How a lifetime ended; the words are shown and stand in JSON."""

    CUTOFF = "cutoff"
    DARK = "went dark"
    BACK = "went dark and came back"
    REBOOTS = "restarted"
    PROTECTION = "protection circuit"
    OFF = "switched off"
    RUNNING = "still running"
    UNSURE = "cannot be told"


# By these the piece itself gave up.
GAVE_UP: Final = frozenset({End.CUTOFF, End.DARK, End.BACK, End.REBOOTS, End.PROTECTION})


@dataclass(frozen=True)
class Reading:
    """One way to read a run: how it ended and when, in s from the run's begin (None: it had not ended)."""

    end: End
    time_s: float | None


@dataclass(frozen=True)
class Lifetime:
    """The answer. ``time``: s from the run's begin; no value where the run shows no end: it lasted at least ``seen_s``.

    ``readings``: where it cannot be told, the ways to read it, the earliest end first. ``reboots``: restarts
    seen, ``first_reboot``: the first. ``dimmed``: when the draw had sunk to half, slowly. ``evidence``: in words.
    ``cautions``: what else was seen on the way.
    """

    end: End
    time: Quantity
    seen_s: float
    evidence: str
    readings: tuple[Reading, ...] = ()
    reboots: int = 0
    first_reboot: Quantity = field(default_factory=lambda: Quantity(None, "s", note=_NO_RESTART))
    dimmed: Quantity = field(default_factory=lambda: Quantity(None, "s", note=_NOT_DIMMED))
    cautions: tuple[str, ...] = ()

    @property
    def ended(self) -> bool:
        """Whether the piece gave up for certain."""
        return self.end in GAVE_UP

    @property
    def least_s(self) -> float:
        """It lasted so long at the least, whichever reading is right."""
        known = [item.time_s for item in self.readings if item.time_s is not None]
        if self.time.value is not None:
            known.append(self.time.value)
        return min(known, default=self.seen_s)

    def as_json(self) -> dict[str, Any]:
        return {
            **self.time.as_json(),
            "end": str(self.end),
            "evidence": self.evidence,
            "readings": [{"end": str(r.end), "time_s": r.time_s} for r in self.readings],
            "restarts": self.reboots,
        }


class LifetimeWatch:
    """The lifetime of a run that is still being recorded: ``add`` its rows, ask ``now``. Memory is bounded."""

    def __init__(
        self,
        pack: Pack | None,
        cutoff_v: float | None,
        hold_s: float,
        begin_s: float = 0.0,
        limits: Limits | None = None,
        windowed: bool = True,
    ) -> None:
        self._pack = pack
        self._begin_s = begin_s
        self._breaks = BreakWatch(begin_s, zero_of(limits), low_of(pack))
        self._cutoff = CutoffWatch(cutoff_v, hold_s, begin_s, windowed)

    def add(self, times_s: ArrayLike, volts: ArrayLike, currents_ma: ArrayLike) -> None:
        """Append rows (equal lengths, times not falling)."""
        self._breaks.add(times_s, volts, currents_ma)
        self._cutoff.add(times_s, volts)

    def now(self, events: Sequence[Event]) -> Lifetime:
        """As of the last row; ``events``: what the run's description tells so far."""
        at_s = self._cutoff.crossed_s()
        when = Quantity(None if at_s is None else at_s - self._begin_s, "s")
        return _lifetime(self._breaks.seen(), when, self._cutoff.cutoff_v, events, self._pack)


def lifetime_of(trace: Trace, fall: Fall, when: Quantity, description: Description) -> Lifetime:
    """The lifetime of a recorded run. ``when``: the cutoff's time as ``cutoff_time`` gives it."""
    watch = BreakWatch(trace.begin_s, zero_of(limits_of(description)), low_of(description.pack))
    if trace.voltage_v is not None and trace.current_ma is not None:
        watch.add(trace.time_s, trace.voltage_v, np.abs(trace.current_ma))
        seen = watch.seen()
    else:
        seen = no_breaks(trace)
    return _lifetime(seen, when, fall.cutoff_v, description.events, description.pack)


def no_breaks(trace: Trace) -> Seen:
    """What is seen of a run without voltage or without current: nothing."""
    return Seen(
        trace.begin_s, trace.end_s, trace.usual_step_s, 0.0, None, (), 0, (), 0, False, None, 0.0, 0, None
    )  # fmt: skip


def low_of(pack: Pack | None) -> float:
    """Voltage below which the pack is nearly empty; infinite where it is not stated."""
    if pack is None:
        return float("inf")
    return pack.floor_v + _LOW_SHARE * (pack.full_v - pack.floor_v)


def zero_of(limits: Limits | None) -> float:
    """What a sensor may read where nothing flows, mA."""
    if limits is None:
        return 0.0
    line_ma = abs(limits.current_line.zero) if limits.current_line else 0.0
    return line_ma + limits.current_offset_ma + limits.current_step_ma


def _lifetime(
    seen: Seen,
    when: Quantity,
    cutoff_v: float | None,
    events: Sequence[Event],
    pack: Pack | None,
) -> Lifetime:
    judged = _Judge(seen, events, pack)
    own = judged.own_end()
    seen_s = seen.last_s - seen.begin_s
    cutoff_s = when.value
    gone = seen.open
    if cutoff_s is not None and gone is not None and gone.vanished:
        # The voltage did not fall to the cutoff: it went with the current.
        cutoff_s = cutoff_s if cutoff_s < gone.after_s - seen.begin_s - seen.step_s else None
    first_s = min((item.time_s for item in own.readings if item.time_s is not None), default=None)
    if cutoff_s is not None and (first_s is None or cutoff_s <= first_s + seen.step_s):
        text = f"the voltage stayed at or below {cutoff_v:g} V"
        own = _Own(End.CUTOFF, (Reading(End.CUTOFF, cutoff_s),), text)
        time = when
    elif own.end is End.UNSURE or own.end is End.RUNNING or first_s is None:
        readings = own.readings
        if cutoff_s is not None:
            readings = (
                *(r for r in readings if r.time_s is not None),
                Reading(End.CUTOFF, cutoff_s),
            )
        own = _Own(own.end, readings, own.evidence, own.at, own.reboots)
        time = Quantity(
            None, "s", lower=first_s if own.end is End.UNSURE else seen_s, note=own.evidence
        )
    else:
        time = judged.when(own.at)
    ended_s = time.value if time.value is not None else seen_s
    half_s = None if seen.half_s is None else seen.half_s - seen.begin_s
    dimmed = Quantity(None, "s", note=_NOT_DIMMED)
    if half_s is not None and half_s < ended_s:
        dimmed = Quantity(half_s, "s", note="slowly, to half of the first hour's")
    reboot = Quantity(None, "s", note=_NO_RESTART)
    if own.reboots and own.at is not None:
        reboot = judged.when(own.at)
    return Lifetime(
        own.end, time, seen_s, own.evidence,
        own.readings if own.end is End.UNSURE else (),
        own.reboots, reboot, dimmed, judged.cautions(),
    )  # fmt: skip


@dataclass(frozen=True)
class _Own:
    """How the piece itself ended, and ``at`` which break."""

    end: End
    readings: tuple[Reading, ...]
    evidence: str
    at: Break | None = None
    reboots: int = 0


class _Judge:
    """Breaks of the draw held against what people and programme did."""

    def __init__(self, seen: Seen, events: Sequence[Event], pack: Pack | None) -> None:
        self._seen = seen
        self._pack = pack
        self._marks = [event for event in events if event.kind == "mark"]
        self._loads = [event for event in events if event.kind == "load"]

    def when(self, found: Break | None) -> Quantity:
        """When a break began: somewhere in its first row, or in the gap before it."""
        assert found is not None
        begin_s = self._seen.begin_s
        early_s, late_s = found.after_s - begin_s, found.by_s - begin_s
        return Quantity((early_s + late_s) / 2, "s", early_s, late_s, COVERAGE, "from the row, or the gap, in which the draw broke off")  # fmt: skip

    def own_end(self) -> _Own:
        """How the rows, apart from the cutoff, end."""
        seen, gone = self._seen, self._seen.open
        late = [item for item in seen.late if not self._explained(item)]
        hidden = seen.late_count - len(seen.late)
        if gone is not None and gone.lasted_s < max(_OPEN_LEAST_S, 3 * seen.step_s):
            late += [] if not late or self._explained(gone) else [gone]
            gone = None
        if late:
            return self._came_back(late, hidden, gone)
        if gone is not None:
            return self._stayed_off(gone)
        return self._rare_restarts() or self._running()

    def cautions(self) -> tuple[str, ...]:
        """Breaks that were no end."""
        seen = self._seen
        own = self.own_end().at
        passed = [
            item
            for item in (*seen.outlived, *seen.late)
            if not self._explained(item) and (own is None or item.last_s <= own.after_s)
        ]
        if not passed:
            return ()
        longest_s = max(item.lasted_s for item in passed)
        first_s = passed[0].after_s - seen.begin_s
        count = len(passed) + seen.outlived_count - len(seen.outlived)
        return (
            f"The draw broke off {_times(count)} and came back to what it was (first after {span_words(first_s)}, longest "
            f"{span_words(longest_s)}), and the piece ran on: a bad contact, or it was switched off in between.",
        )

    def _running(self) -> _Own:
        text = "the piece still drew what it used to when the rows ended"
        return _Own(End.RUNNING, (Reading(End.RUNNING, None),), text)

    def _unsure(self, found: Break, ends: Sequence[End], evidence: str, reboots: int = 0) -> _Own:
        at_s = self.when(found).value
        readings = tuple(
            Reading(end, None if end in (End.RUNNING, End.OFF) else at_s) for end in ends
        )
        return _Own(End.UNSURE, readings, evidence, found, reboots)

    def _sure(self, found: Break, end: End, evidence: str, reboots: int = 0) -> _Own:
        return _Own(end, (Reading(end, self.when(found).value),), evidence, found, reboots)

    def _came_back(self, late: Sequence[Break], hidden: int, gone: Break | None) -> _Own:
        """Breaks from which the piece came back, but not for long so far."""
        seen, first = self._seen, late[0]
        count = len(late) + hidden
        if gone is not None and self._explained(gone):
            gone = None
        limps = [item for item in late if item.limps]
        if limps and len(limps) == count:
            return self._limped(limps, gone)
        lasted = [item.lasted_s for item in late if not item.limps]
        typical_s = float(np.median(lasted))
        quick = typical_s <= max(_RESTART_MOST_S, 1.5 * seen.step_s)
        fell = _fell_words(first)
        if all(item.vanished for item in late):
            if not (self._protected and self._is_low(first)):
                return self._stayed_off(gone) if gone is not None else self._running()
            text = f"{fell}; the voltage at the sensor went with it and came back {_times(count)}, as when a pack's protection circuit switches"
            return self._sure(first, End.PROTECTION, text)
        if gone is not None and count == 1 and first.lasted_s < gone.after_s - first.last_s:
            return self._stayed_off(gone)  # one short break before is no row of restarts
        off_s = sum(lasted) + (gone.lasted_s if gone is not None else 0.0)
        if gone is not None and off_s > _MOSTLY_OFF * (seen.last_s - first.after_s):
            return self._stayed_off(gone, first, count)
        end = End.REBOOTS if quick else End.BACK
        reboots = count if quick else 0
        if quick:
            first, reboots = self._with_earlier(first, count, typical_s)
            fell, count = _fell_words(first), reboots
        text = (
            f"{fell} and came back {_times(count)}, each time after about {span_words(typical_s)}"
        )
        alike = quick and sum(item.dark_rows > 0 for item in late) >= _ALIKE_TIMES
        if not self._is_low(first) and not alike and not limps:
            return self._running()
        if count < 2:
            text = f"{fell} for {span_words(typical_s)} and came back: a restart or a bad contact"
            return self._unsure(first, (end, End.RUNNING), text, reboots)
        if not self._is_low(first):
            text += ", at a voltage at which a pack is far from empty: a bad contact does the same"
            return self._unsure(first, (end, End.RUNNING), text, reboots)
        return self._sure(first, end, text, reboots)

    def _with_earlier(self, first: Break, count: int, typical_s: float) -> tuple[Break, int]:
        """The first of all restarts of this length, also of those after which the piece ran on for long."""
        seen = self._seen
        earlier = [item for item in seen.outlived if not self._explained(item)]
        alike = [
            not item.vanished
            and self._is_low(item)
            and item.lasted_s <= 2 * typical_s + seen.step_s
            for item in earlier
        ]
        if not earlier or not all(alike):
            return first, count
        return earlier[0], count + len(earlier) + seen.outlived_count - len(seen.outlived)

    def _limped(self, limps: Sequence[Break], gone: Break | None) -> _Own:
        """The draw fell to a part of what it was on a nearly empty pack, once or again and again."""
        first, count = limps[0], len(limps)
        text = f"{_fell_words(first)}, a part of what it was, on a nearly empty pack"
        if gone is not None:
            return self._sure(
                first, End.REBOOTS, f"{text}, and later to nothing: it kept restarting", count
            )
        if count > 1:
            return self._sure(
                first,
                End.REBOOTS,
                f"{text}, and again after it had come back: it kept restarting",
                count,
            )
        return self._unsure(
            first,
            (End.REBOOTS, End.RUNNING),
            f"{text}: it keeps restarting quicker than the rows show, or somebody turned it down",
            count,
        )

    def _stayed_off(self, gone: Break, first: Break | None = None, after: int = 0) -> _Own:
        """The draw is gone up to the last row. ``first``: the first of ``after`` breaks from which it came back."""
        fell, lasted = _fell_words(gone), span_words(self._seen.last_s - gone.after_s)
        back = _recovered_words(gone)
        if self._by_switch(gone):
            return self._sure(gone, End.OFF, "the load switch was opened")
        mark = self._mark_at(gone)
        if mark is not None and _BY_HAND.search(mark.text) and not _FOUND_DARK.search(mark.text):
            return self._sure(
                gone, End.OFF, f"switched off by hand (mark “{plain_text(mark.text)}”)"
            )
        if self._is_mode(gone):
            return self._in_mode(gone, fell)
        off = f"{fell} and stayed there for the last {lasted}; {back}"
        if after:
            off += f"; before, it came back {_times(after)}"
        if any(
            _FOUND_DARK.search(item.text)
            for item in self._marks
            if item.time_s >= gone.after_s - _MARK_S
        ):
            return self._sure(gone, End.DARK, f"{off}; a mark says so")
        if mark is not None:
            return self._unsure(
                gone, (End.DARK, End.OFF), f"{off}; a mark was set then (“{plain_text(mark.text)}”)"
            )
        if gone.vanished:
            if self._protected and self._is_low(gone):
                return self._sure(
                    gone, End.PROTECTION, f"{off}, as when a pack's protection circuit switches off"
                )
            return self._unsure(
                gone,
                (End.DARK, End.OFF),
                f"{off}: a wire came loose, the pack was taken off, or a fuse blew",
            )
        if self._is_low(gone):
            return self._sure(first or gone, End.DARK, f"{off}; no mark and no load switch")
        return self._unsure(
            gone,
            (End.DARK, End.OFF),
            f"{off}, at a voltage at which a pack is far from empty; no mark says whether somebody switched it off",
        )

    def _in_mode(self, gone: Break, fell: str) -> _Own:
        """Next to no draw, as the piece had it before."""
        seen = self._seen
        lasted_s = gone.lasted_s
        usual = f"such pauses lasted up to {span_words(seen.mode_most_s)} in the first hour"
        text = f"{fell}, as it did before; this time for {span_words(lasted_s)} up to the last row ({usual})"
        rhythm = seen.mode_times >= _RHYTHM_TIMES and lasted_s > max(
            _RHYTHM_LEAST_S, _RHYTHM_LONGER * seen.mode_most_s
        )
        longer = lasted_s > max(_RHYTHM_LEAST_S, _MODE_LONGER * seen.mode_most_s)
        if rhythm and self._is_low(gone):
            return self._sure(gone, End.DARK, text)
        if rhythm or (longer and self._is_low(gone)):
            return self._unsure(gone, (End.DARK, End.RUNNING), text)
        return self._running()

    def _rare_restarts(self) -> _Own | None:
        """Breaks of one length, seldom: the piece ran on in between, and yet it restarted each time."""
        seen = self._seen
        most_s = max(_RESTART_MOST_S, 2 * seen.step_s)
        short = [
            item
            for item in seen.outlived
            if not self._explained(item)
            and not item.vanished
            and item.lasted_s <= most_s
            and (item.dark_rows or self._is_low(item))
        ]
        if len(short) < _ALIKE_TIMES or len(short) < 0.8 * len(seen.outlived):
            return None
        lasted = [item.lasted_s for item in short]
        typical_s = float(np.median(lasted))
        if max(lasted) > 2 * typical_s + seen.step_s:
            return None
        count = len(short) + seen.outlived_count - len(seen.outlived)
        text = (
            f"{_fell_words(short[0])} {_times(count)}, each time for about {span_words(typical_s)}"
        )
        if seen.outlived_v or not self._is_low(short[0]):
            return self._unsure(
                short[0], (End.REBOOTS, End.RUNNING), f"{text}: restarts or a bad contact", count
            )
        return self._sure(
            short[0], End.REBOOTS, f"{text}, as a microcontroller that restarts", count
        )

    def _explained(self, found: Break) -> bool:
        mark = self._mark_at(found)
        by_hand = mark is not None and _BY_HAND.search(mark.text) is not None
        return self._by_switch(found) or by_hand or self._is_mode(found)

    def _is_mode(self, found: Break) -> bool:
        """As little was drawn in a mode that the first hour showed."""
        mode_ma = self._seen.mode_ma
        return (
            mode_ma is not None
            and not found.vanished
            and found.dark_rows > 0
            and (found.dark_ma >= _MODE_LEVEL * mode_ma - _MODE_APART * found.level_ma)
        )

    def _by_switch(self, found: Break) -> bool:
        """Whether the load switch was open when the draw broke off."""
        slack_s = _SWITCH_S + 2 * self._seen.step_s
        return load_state(e.text for e in self._loads if e.time_s <= found.by_s + slack_s) == "0"

    def _mark_at(self, found: Break) -> Event | None:
        near = [
            m for m in self._marks if found.after_s - _MARK_S <= m.time_s <= found.by_s + _MARK_S
        ]
        return min(near, key=lambda mark: abs(mark.time_s - found.after_s), default=None)

    @property
    def _protected(self) -> bool:
        return self._pack is not None and self._pack.chemistry in _PROTECTED

    def _is_low(self, found: Break) -> bool:
        """Whether the pack stood where packs give up."""
        if self._pack is None:
            return found.before_v < _LOW_OF_FIRST * self._seen.first_v
        return found.before_v < low_of(self._pack)


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count_words(count, 'time')}"


def _fell_words(found: Break) -> str:
    return f"the draw fell from {_ma(found.level_ma)} to {_ma(max(found.dark_ma, 0.0))} at {found.before_v:.2f} V"


def _recovered_words(found: Break) -> str:
    if found.vanished:
        return f"the voltage vanished with it, to {found.dark_v:.2f} V"
    if found.dark_v > found.before_v:
        return f"the pack recovered to {found.dark_v:.2f} V"
    return f"the pack stood at {found.dark_v:.2f} V"


def _ma(current_ma: float) -> str:
    return f"{current_ma:.0f} mA" if current_ma >= 10 else f"{current_ma:.2g} mA"
