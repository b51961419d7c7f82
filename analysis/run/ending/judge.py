"""Breaks of the draw held against what people and programme did: did the piece give up, when, and is that sure?"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import COVERAGE
from analysis.run.ending.break_watch import FIRST_HOUR_S
from analysis.run.ending.breaks import Break, Seen
from analysis.run.ending.cycles import Rhythm, gone_on, own_cycles
from analysis.run.ending.ends import End, Reading
from analysis.run.ending.explained import BY_HAND, FOUND_DARK, Known
from analysis.run.ending.modes import LOCKED_SHARE
from analysis.run.ending.words import (
    fell_words,
    ma_words,
    recovered_words,
    surge_words,
    times_words,
)
from analysis.say.words import plain_text, span_words

# A break at the end of the rows says nothing yet: whoever ends a run pulls the plug first.
_OPEN_LEAST_S: Final = 60.0
# A microcontroller is back within seconds, a supply with hysteresis when the pack has recovered.
_RESTART_MOST_S: Final = 10.0
_SOON_S: Final = 300.0
_MODE_LONGER: Final = 3.0
_RHYTHM_LONGER: Final = 10.0
_RHYTHM_TIMES: Final = 3
_RHYTHM_LEAST_S: Final = 600.0
_MOSTLY_OFF: Final = 0.9
_ALIKE_TIMES: Final = 3
_RHYTHM_SURE: Final = 8
# Contacts break for seconds: several losses longer than that, with the pack's voltage there, are a hand's or the piece's.
_LONG_S: Final = 20.0
_LONG_TIMES: Final = 3
# A fuse or an overload protection trips when more is drawn than ever before.
_SURGE: Final = 1.2


@dataclass(frozen=True)
class Own:
    """How the piece itself ended, and ``at`` which break."""

    end: End
    readings: tuple[Reading, ...]
    evidence: str
    at: Break | None = None
    reboots: int = 0


class Judge:
    """The breaks seen, and what explains them."""

    def __init__(self, seen: Seen, known: Known) -> None:
        self._seen = seen
        self._known = known

    @property
    def _quick_s(self) -> float:
        """Breaks up to this long are a microcontroller's restarts."""
        return max(_RESTART_MOST_S, 1.5 * self._seen.step_s)

    def _dark_and_unexplained(self, breaks: Sequence[Break]) -> list[Break]:
        """Those whose rows were dark, with the voltage there, and that nobody made."""
        return [
            item
            for item in breaks
            if not item.vanished and item.dark_rows and not self._known.explains(item)
        ]

    def when(self, found: Break) -> Quantity:
        """When a break began: somewhere in its first row, or in the gap before it."""
        begin_s = self._seen.begin_s
        early_s, late_s = found.after_s - begin_s, found.by_s - begin_s
        return Quantity((early_s + late_s) / 2, "s", early_s, late_s, COVERAGE, "from the row, or the gap, in which the draw broke off")  # fmt: skip

    def own_end(self) -> Own:
        """How the rows, apart from the cutoff, end."""
        seen, gone = self._seen, self._seen.open
        restarted = self._restarted_before()
        if restarted is not None:
            return restarted
        late = [item for item in seen.late if not self._known.explains(item)]
        hidden = seen.late_count - len(seen.late)
        if gone is not None and gone.lasted_s < max(_OPEN_LEAST_S, 3 * seen.step_s):
            late += [] if not late or self._known.explains(gone) else [gone]
            gone = None
        if gone is not None and self._known.between_bursts(gone):
            gone = None
        if late:
            return self._came_back(late, hidden, gone)
        return self._stayed_off(gone) if gone is not None else self._passed()

    def cautions(self, own: Own) -> tuple[str, ...]:
        """Breaks that were no end."""
        seen = self._seen
        passed = [
            item
            for item in seen.closed()
            if not self._known.explains(item) and (own.at is None or item.last_s <= own.at.after_s)
        ]
        if not passed:
            return ()
        longest_s = max(item.lasted_s for item in passed)
        first_s = passed[0].after_s - seen.begin_s
        count = len(passed) + seen.outlived_hidden
        return (
            f"The draw broke off {times_words(count)} and came back to what it was (first after {span_words(first_s)}, longest "
            f"{span_words(longest_s)}), and the piece ran on: a bad contact, or it was switched off in between.",
        )

    def _running(self) -> Own:
        text = "the piece still drew what it used to when the rows ended"
        pace = self._seen.pace
        if pace is not None and pace.rarer:
            text = (
                f"bursts still come, more rarely: up to {span_words(pace.longest_s)} apart, at first every "
                f"{span_words(pace.every_s)}"
            )
        return Own(End.RUNNING, (Reading(End.RUNNING, None),), text)

    def _unsure(self, found: Break, ends: Sequence[End], evidence: str, reboots: int = 0) -> Own:
        at_s = self.when(found).value
        readings = tuple(
            Reading(end, None if end in (End.RUNNING, End.OFF) else at_s) for end in ends
        )
        return Own(End.UNSURE, readings, evidence, found, reboots)

    def _sure(self, found: Break, end: End, evidence: str, reboots: int = 0) -> Own:
        return Own(end, (Reading(end, self.when(found).value),), evidence, found, reboots)

    def _passed(self) -> Own:
        """Where nothing at the end of the rows tells of an end: what was seen on the way."""
        return (
            self._cycles()
            or self._rare_restarts()
            or self._silent()
            or self._sunk()
            or self._running()
        )

    def _came_back(self, late: Sequence[Break], hidden: int, gone: Break | None) -> Own:
        """Breaks from which the piece came back, but not for long so far."""
        seen, known, first = self._seen, self._known, late[0]
        count = len(late) + hidden
        if gone is not None and known.explains(gone):
            gone = None
        if first is seen.stepped:
            return self._stepped(first, gone)
        limps = [item for item in late if item.limps]
        if limps and len(limps) == count:
            return self._limped(limps, gone)
        lasted = [item.lasted_s for item in late if not item.limps]
        typical_s = float(np.median(lasted))
        quick = typical_s <= self._quick_s
        if all(item.vanished for item in late):
            if not (known.protected and known.is_low(first)):
                return self._stayed_off(gone) if gone is not None else self._passed()
            text = f"{fell_words(first)}; the voltage at the sensor went with it and came back {times_words(count)}, as when a pack's protection circuit switches"
            return self._sure(first, End.PROTECTION, text)
        if gone is not None and count == 1 and first.lasted_s < gone.after_s - first.last_s:
            soon = known.is_low(first) and gone.after_s - first.last_s < _SOON_S
            # One short break long before is no row of restarts.
            return self._stayed_off(gone, *((first, count) if soon else ()))
        off_s = sum(lasted) + (gone.lasted_s if gone is not None else 0.0)
        if gone is not None and off_s > _MOSTLY_OFF * (seen.last_s - first.after_s):
            return self._stayed_off(gone, first, count)
        reboots = count if quick else 0
        if quick:
            first, reboots = self._with_earlier(first, count, typical_s)
        count = max(count, reboots)
        text = f"{fell_words(first)} and came back {times_words(count)}, each time after about {span_words(typical_s)}"
        alike = quick and sum(item.dark_rows > 0 for item in late) >= _ALIKE_TIMES
        if not known.is_low(first) and not alike and not limps:
            return self._stayed_off(gone) if gone is not None else self._passed()
        end = End.REBOOTS if quick else End.BACK
        if count < 2:
            text = f"{fell_words(first)} for {span_words(typical_s)} and came back: a restart or a bad contact"
            return self._unsure(first, (end, End.RUNNING), text, reboots)
        if not known.is_low(first):
            cycling = self._cycles()
            if cycling is not None and cycling.end is not End.UNSURE:
                return cycling
            text += ", at a voltage at which a pack is far from empty: a bad contact does the same"
            return self._unsure(first, (end, End.RUNNING), text, reboots)
        return self._sure(first, end, text, reboots)

    def _with_earlier(self, first: Break, count: int, typical_s: float) -> tuple[Break, int]:
        """The first of all restarts of this length, also of those after which the piece ran on for long."""
        seen, known = self._seen, self._known
        earlier = [item for item in seen.outlived if not known.explains(item)]
        alike = [
            not item.vanished
            and known.is_low(item)
            and item.lasted_s <= 2 * typical_s + seen.step_s
            for item in earlier
        ]
        if not earlier or not all(alike):
            return first, count
        return earlier[0], count + len(earlier) + seen.outlived_hidden

    def _stepped(self, step: Break, gone: Break | None) -> Own:
        """The draw fell at once to a part, evenly, and has not come back: a lower mode, or most of the piece is dark."""
        text = (
            f"{fell_words(step)} at once and stayed at a part of it, evenly: dimmed, by a mode for a low pack, by a hand, or "
            "because part of it failed"
        )
        if gone is None:
            return self._unsure(step, (End.DARK, End.REBOOTS, End.RUNNING), text)
        if gone.dark_ma < LOCKED_SHARE * step.level_ma:
            return self._stayed_off(gone)
        text += f"; later {fell_words(gone)}"
        found = self._unsure(step, (End.REBOOTS, End.RUNNING), text)
        dark = Reading(End.DARK, self.when(gone).value)
        return replace(found, readings=(found.readings[0], dark, found.readings[1]))

    def _restarted_before(self) -> Own | None:
        """Many short breaks of one length in a steady rhythm on a nearly empty pack: restarts, whatever came later."""
        seen, known = self._seen, self._known
        breaks = self._dark_and_unexplained(seen.outlived)
        own, _ = own_cycles(breaks, seen.step_s)
        if len(own) < _RHYTHM_SURE or not known.is_low(own[0]):
            return None
        lasted_s = float(np.median([item.lasted_s for item in own]))
        if lasted_s > self._quick_s:
            return None
        count = len(own) + seen.outlived_hidden + seen.late_count
        text = (
            f"{fell_words(own[0])} and came back {times_words(count)}, at first after about "
            f"{span_words(lasted_s)} each, as a microcontroller that restarts"
        )
        return self._sure(own[0], End.REBOOTS, text, count)

    def _limped(self, limps: Sequence[Break], gone: Break | None) -> Own:
        """The draw fell to a part of what it was on a nearly empty pack, once or again and again."""
        first, count = limps[0], len(limps)
        text = f"{fell_words(first)}, a part of what it was, on a nearly empty pack"
        if gone is not None or count > 1:
            again = (
                ", and again after it had come back" if gone is None else ", and later to nothing"
            )
            return self._sure(first, End.REBOOTS, f"{text}{again}: it kept restarting", count)
        return self._unsure(
            first,
            (End.REBOOTS, End.RUNNING),
            f"{text}: it keeps restarting quicker than the rows show, or somebody turned it down",
            count,
        )

    def _stayed_off(self, gone: Break, first: Break | None = None, after: int = 0) -> Own:
        """The draw is gone up to the last row. ``first``: the first of ``after`` breaks from which it came back."""
        known = self._known
        cycling = self._cycles()
        if cycling is not None and cycling.end is not End.UNSURE:
            return cycling  # whatever came then, it had given up before
        mark = known.mark_at(gone)
        if known.by_switch(gone):
            return self._sure(gone, End.OFF, "the load switch was opened")
        if mark is not None and BY_HAND.search(mark.text) and not FOUND_DARK.search(mark.text):
            text = f"switched off by hand (mark “{plain_text(mark.text)}”)"
            return self._sure(gone, End.OFF, text)
        if known.is_mode(gone):
            return self._in_mode(gone)
        lasted = span_words(self._seen.last_s - gone.after_s)
        off = f"{fell_words(gone)} and stayed there for the last {lasted}; {recovered_words(gone)}"
        if after:
            off += f"; before, it came back {times_words(after)}"
        if known.found_dark(gone):
            return self._sure(gone, End.DARK, f"{off}; a mark says so")
        if mark is not None:
            off += f"; a mark was set then (“{plain_text(mark.text)}”)"
            return self._unsure(gone, (End.DARK, End.OFF), off)
        if gone.vanished:
            if known.protected and known.is_low(gone):
                off += ", as when a pack's protection circuit switches off"
                return self._sure(first or gone, End.PROTECTION, off)
            off += ": a wire came loose, the pack was taken off, or a fuse blew"
            return self._unsure(gone, (End.DARK, End.OFF), off)
        if known.is_low(gone):
            if first is None and self._may_be_a_first_mode(gone):
                off += "; in its first hour that may be a mode that it has"
                return self._unsure(gone, (End.DARK, End.RUNNING), off)
            return self._sure(first or gone, End.DARK, f"{off}; no mark and no load switch")
        return self._off_on_a_good_pack(gone, off)

    def _may_be_a_first_mode(self, gone: Break) -> bool:
        """In the first hour, and not yet an hour long: more than a locked-out converter takes."""
        early = gone.after_s < self._seen.begin_s + FIRST_HOUR_S and gone.lasted_s < FIRST_HOUR_S
        return early and gone.dark_ma > LOCKED_SHARE * gone.level_ma

    def _off_on_a_good_pack(self, gone: Break, off: str) -> Own:
        """Nothing is drawn any more from a pack that is far from empty."""
        if gone.surge >= _SURGE:
            return self._sure(gone, End.DARK, f"{off}; {surge_words(gone)}")
        off += ", at a voltage at which a pack is far from empty; no mark says whether somebody switched it off"
        return self._unsure(gone, (End.DARK, End.OFF), off)

    def _in_mode(self, gone: Break) -> Own:
        """Next to no draw, as the piece had it before, or as its budget knows."""
        mode = self._seen.mode
        lasted_s = gone.lasted_s
        text = f"{fell_words(gone)}, as it did before; this time for {span_words(lasted_s)} up to the last row"
        times, most_s = (mode.times, mode.most_s) if mode is not None else (0, 0.0)
        low = self._known.is_low(gone)
        known_ma = self._known.known_mode_ma(gone)
        if known_ma is not None:
            text = f"{fell_words(gone)}, as in the mode of {ma_words(known_ma)} that the budget knows, for {span_words(lasted_s)} up to the last row"
        elif mode is not None:
            text += f" (such pauses lasted up to {span_words(most_s)} in the first hour)"
        rhythm_s = max(_RHYTHM_LEAST_S, _RHYTHM_LONGER * most_s)
        rhythm = known_ma is None and times >= _RHYTHM_TIMES and lasted_s > rhythm_s
        longer = lasted_s > max(_RHYTHM_LEAST_S, _MODE_LONGER * most_s)
        if rhythm and low:
            return self._sure(gone, End.DARK, text)
        if rhythm or (longer and low):
            return self._unsure(gone, (End.DARK, End.RUNNING), text)
        return self._running()

    def _cycles(self) -> Own | None:
        """The piece switched itself off and on again and again, at whatever voltage; or somebody did."""
        seen = self._seen
        breaks = self._dark_and_unexplained(seen.closed())
        hidden = seen.outlived_count + seen.late_count - len(seen.closed())
        own, rhythm = own_cycles(breaks, seen.step_s)
        if own:
            lasted_s = float(np.median([item.lasted_s for item in own]))
            quick = lasted_s <= self._quick_s
            end = End.REBOOTS if quick else End.BACK
            count = len(own) + hidden
            text = (
                f"{fell_words(own[0])} and came back {times_words(count)}, each time after about {span_words(lasted_s)}, "
                "with the pack's voltage there all along"
            )
            reboots = count if quick else 0
            if rhythm is Rhythm.PHYSICAL and not quick:
                text += ": it switches itself off and on (heat, a fuse, its supply)"
                return self._sure(own[0], end, text)
            why = "a bad contact" if quick else "its own programme"
            return self._unsure(own[0], (end, End.RUNNING), f"{text}: by itself, or {why}", reboots)
        long = [item for item in breaks if item.lasted_s >= max(_LONG_S, 2 * seen.step_s)]
        if len(long) < _LONG_TIMES or not gone_on(long, seen.last_s):
            return None
        longest_s = max(item.lasted_s for item in long)
        text = (
            f"{fell_words(long[0])} and came back {times_words(len(long) + hidden)}, after up to {span_words(longest_s)}, with the "
            "pack's voltage there all along: a hand, or the piece itself"
        )
        return self._unsure(long[0], (End.BACK, End.RUNNING), text)

    def _rare_restarts(self) -> Own | None:
        """Breaks of one length, seldom: the piece ran on in between, and yet it restarted each time."""
        seen, known = self._seen, self._known
        most_s = max(_RESTART_MOST_S, 2 * seen.step_s)
        short = [
            item
            for item in seen.outlived
            if not known.explains(item)
            and not item.vanished
            and item.lasted_s <= most_s
            and (item.dark_rows or known.is_low(item))
        ]
        if len(short) < _ALIKE_TIMES or len(short) < 0.8 * len(seen.outlived):
            return None
        lasted = [item.lasted_s for item in short]
        typical_s = float(np.median(lasted))
        if max(lasted) > 2 * typical_s + seen.step_s:
            return None
        count = len(short) + seen.outlived_hidden
        text = f"{fell_words(short[0])} {times_words(count)}, each time for about {span_words(typical_s)}"
        if seen.outlived_v or not known.is_low(short[0]):
            text += ": restarts or a bad contact"
            return self._unsure(short[0], (End.REBOOTS, End.RUNNING), text, count)
        text += ", as a microcontroller that restarts"
        return self._sure(short[0], End.REBOOTS, text, count)

    def _silent(self) -> Own | None:
        """A piece that sleeps between bursts, and whose bursts stopped."""
        seen, silence = self._seen, self._seen.silence
        if silence is None or seen.open is not None:
            return None
        last_s = silence.last_s
        found = Break(
            last_s, last_s + silence.every_s, silence.before_v, silence.burst_ma, last_s=seen.last_s
        )
        if self._known.explains(found):
            return None
        text = (
            f"bursts of {ma_words(silence.burst_ma)} came every {span_words(silence.every_s)} and stopped; none for the last "
            f"{span_words(seen.last_s - last_s)}"
        )
        if self._known.is_low(found) or self._known.found_dark(found):
            return self._sure(found, End.DARK, text)
        return self._unsure(found, (End.DARK, End.OFF), f"{text}: it died, or was switched off")

    def _sunk(self) -> Own | None:
        """The draw fell at once to a small part, which stayed."""
        sunk = self._seen.sunk
        if sunk is None or self._known.mark_at(sunk) is not None or self._known.by_switch(sunk):
            return None
        if self._known.known_mode_ma(sunk) is not None:
            return None
        text = f"{fell_words(sunk)} at once and stayed there"
        if sunk.surge >= _SURGE:
            return self._sure(sunk, End.DARK, f"{text}; {surge_words(sunk)}")
        text += ": most of the piece is dark, or somebody turned it down"
        return self._unsure(sunk, (End.DARK, End.RUNNING), text)
