"""Where the draw broke off: rows watched as they come, with bounded memory.

Rows are gathered into blocks of a minute from the run's begin, so that rows given one by one and all
at once lead to the same answer. In each, what is drawn is held against what was drawn before:
the thresholds are the project's own, and the reasons stand beside them.
"""

import copy
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.run.ending.breaks import KEPT, Array, Break, Group, Seen
from analysis.run.ending.bursts import BurstWatch
from analysis.run.ending.half import HalfWatch
from analysis.run.ending.levels import Codes, Levels, Minute
from analysis.run.ending.modes import mode_of
from analysis.run.trace import blocks, stretches

BLOCK_S: Final = 60.0
FIRST_HOUR_S: Final = 3600.0
# A dimmer setting is a new level, not a break; no restart takes longer.
_SETTLED_S: Final = 60.0
# A fall at once to less than this of the level is more than a dimmer setting: part of the piece, or a fuse, is out.
_SUNK_SHARE: Final = 0.25
# A pack that just failed soon fails again: a piece that came back and ran on for so long, or well
# below the voltage at which it stopped, was not stopped by the pack. A nearly empty pack that rested
# carries on for a while, so more is asked of it.
_QUIET_LEAST_S: Final = 900.0
_QUIET_MOST_S: Final = 3600.0
_QUIET_TIMES: Final = 3.0
_BACK_SHARE: Final = 0.5
_BACK_AT_LEVEL: Final = 0.8
_OUTLIVED_SHARE: Final = 0.005
_OUTLIVED_S: Final = 300.0


class BreakWatch:
    """Breaks of a run that may still grow: ``add`` its rows, ask ``seen``. ``begin_s``: where the first row's window began.

    ``zero_ma``: what the sensor may read where nothing flows; ``low_v``: below it the pack is nearly empty,
    ``floor_v``: its cells' floor.
    """

    def __init__(
        self,
        begin_s: float = 0.0,
        zero_ma: float = 0.0,
        low_v: float = np.inf,
        floor_v: float = 0.0,
    ) -> None:
        self._begin_s = begin_s
        self._low_v = low_v
        self._floor_v = floor_v
        self._pending: Array = np.empty((3, 0))
        self._last_s = begin_s
        self._step_s = 0.0
        self._levels = Levels(zero_ma)
        self._half = HalfWatch()
        self._bursts = BurstWatch()
        self._open: Break | None = None
        self._sunk: Break | None = None
        self._stepped: Break | None = None
        self._late = Group()
        self._outlived = Group()
        self._outlived_need_v = 0.0
        self._outlived_v = False
        self._on_from_s = begin_s
        self._early: list[Break] = []
        self._first_v: list[float] = []
        # What it drew before it fell in part, while it may come back to it.
        self._before_limp: tuple[float, tuple[Minute, ...]] | None = None
        self._tail: Array = np.empty(0)  # the last minute's draw, for what went before a break

    def add(self, times_s: ArrayLike, volts: ArrayLike, currents_ma: ArrayLike) -> None:
        """Append rows (equal lengths, times not falling, end of each window); rows that lack a number are left out."""
        columns = [np.atleast_1d(np.asarray(x, np.float64)) for x in (times_s, volts, currents_ma)]
        for part in blocks(len(columns[0])):
            self._add_block(np.vstack([column[part] for column in columns]))

    def _add_block(self, rows: Array) -> None:
        good = np.isfinite(rows).all(axis=0)
        if not good.all():
            rows = rows[:, good]
        if not rows.shape[1]:
            return
        rows = np.hstack([self._pending, rows])
        block = np.floor((rows[0] - self._begin_s) / BLOCK_S * (1 - 1e-12))
        starts = np.flatnonzero(np.diff(block, prepend=-1.0))
        for first, past in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
            self._block(rows[:, first:past])
        self._pending = rows[:, starts[-1] :].copy()

    def seen(self) -> Seen:
        """As of the last row, the block that is not full yet included."""
        return copy.deepcopy(self).ended()

    def ended(self) -> Seen:
        """As ``seen``, where no more rows will come: nothing of the watch need be kept."""
        if self._pending.shape[1]:
            self._block(self._pending)
            self._pending = self._pending[:, :0]
        return self._seen()

    def _seen(self) -> Seen:
        mode = mode_of(
            self._early,
            self._outlived.breaks,
            self._late.breaks,
            self._begin_s,
            self._step_s,
            self._low_v,
            self._floor_v,
        )
        return Seen(
            begin_s=self._begin_s,
            last_s=self._last_s,
            step_s=self._step_s,
            first_v=max(self._first_v, default=0.0),
            open=self._open,
            late=tuple(self._late.breaks),
            late_count=self._late.count,
            outlived=tuple(self._outlived.breaks),
            outlived_count=self._outlived.count,
            outlived_v=self._outlived_v,
            mode=mode,
            sunk=self._sunk,
            stepped=self._stepped,
            pace=self._bursts.pace(),
            silence=self._bursts.silence(),
            half_s=self._half.at_s,
        )

    def _block(self, rows: Array) -> None:
        times, volts, currents = rows
        if len(times) > 1:
            self._step_s = float(np.median(np.diff(times)))
        elif self._last_s > self._begin_s:
            self._step_s = float(times[0] - self._last_s)
        self._back_from_limp(currents)
        low = self._low_v < np.inf and float(volts.min()) < self._low_v
        codes = self._levels.codes(currents, low=low)
        fallen = codes > 0
        # A row beside a break is a mean of both sides of it.
        sound = ~fallen
        sound[1:] &= ~fallen[:-1]
        sound[:-1] &= ~fallen[1:]
        self._breaks(rows, codes, sound)
        self._last_s = float(times[-1])
        self._tail = currents
        self._settle(rows)
        early = times[-1] <= self._begin_s + FIRST_HOUR_S
        self._bursts.take(times, volts, currents, early=early)
        if sound.any():
            self._learn(times, volts[sound], currents[sound], early=early)
        self._outlive(rows, fallen)

    def _breaks(self, rows: Array, codes: Codes, sound: NDArray[np.bool_]) -> None:
        """Breaks that begin, go on or end in this block."""
        times, volts, currents = rows
        fallen = codes > 0
        first, past = stretches(fallen) if fallen.any() else (np.empty(0, int), np.empty(0, int))
        if self._open is not None and codes[0] == 0:
            self._close()
        for begin, end in zip(first.tolist(), past.tolist(), strict=True):
            if self._open is None:
                after_s = self._last_s if begin == 0 else float(times[begin - 1])
                need_v = self._levels.need_v(volts[:begin][sound[:begin]], volts[begin])
                surge = self._levels.surge(np.concatenate([self._tail, currents[:begin]]))
                level_ma = self._levels.level_ma()
                self._open = Break(after_s, float(times[begin]), need_v, level_ma, surge)
            part = slice(begin, end)
            dark = int((codes[part] == 2).sum())
            self._open.take(float(times[end - 1]), volts[part], currents[part], dark)
            if end < len(times):
                self._close()

    def _close(self) -> None:
        found = self._open
        assert found is not None
        self._open = None
        if not found.dark_rows and found.lasted_s > _SETTLED_S:
            if not found.before_v < self._low_v:
                return
            found.limps = True
        found.end_s = found.last_s
        self._on_from_s = found.last_s
        if found.after_s < self._begin_s + FIRST_HOUR_S and len(self._early) < KEPT:
            self._early.append(found)
        if not self._late.count:
            self._late.below_s = 0.0
        self._late.add(found)

    def _settle(self, rows: Array) -> None:
        """A lower level that stays is a new level."""
        found = self._open
        if found is None or found.dark_rows or found.lasted_s <= _SETTLED_S:
            return
        self._open = None
        before = self._levels.last_ma()
        if found.before_v < self._low_v:
            found.limps, found.end_s = True, found.last_s
            self._on_from_s = found.last_s
            self._late.add(found)
            self._before_limp = (found.level_ma, self._levels.kept())
            after = rows[2, rows[0] > found.by_s]
            found.steady = self._levels.as_even(after)
            if self._stepped is None and found.steady:
                self._stepped = found
        inside = rows[:, rows[0] > found.after_s]
        level = self._levels.begin_anew(inside[1], inside[2])
        self._half.step(level if before is None else before, level)
        if level < _SUNK_SHARE * found.level_ma and not found.limps:
            self._sunk = found

    def _back_from_limp(self, currents: Array) -> None:
        if self._before_limp is None or self._open is not None:
            return
        level_ma, minutes = self._before_limp
        now_ma = float(np.median(currents))
        if self._stepped is not None and now_ma >= _BACK_AT_LEVEL * self._stepped.level_ma:
            self._stepped = None
        if now_ma >= _BACK_AT_LEVEL * level_ma:
            self._levels.restore(minutes)
            self._before_limp = None

    def _learn(self, times: Array, volts: Array, currents: Array, *, early: bool) -> None:
        level = self._levels.learn(volts, currents, early=early)
        if early:
            self._first_v.append(float(np.median(volts)))
        if self._sunk is not None and level >= _BACK_SHARE * self._sunk.level_ma:
            self._sunk = None
        self._half.take(float(times[0]), float(currents.mean()), early=early)

    def _outlive(self, rows: Array, fallen: NDArray[np.bool_]) -> None:
        """Forget breaks after which the piece ran on as a piece with a failing pack cannot."""
        times, volts, currents = rows
        on = ~fallen
        spans = np.diff(times, prepend=times[0] - self._step_s)
        if self._outlived.count and not self._outlived_v:
            below = on & (volts < (1 - _OUTLIVED_SHARE) * self._outlived_need_v)
            self._outlived.below_s += float(np.minimum(spans, BLOCK_S)[below].sum())
            self._outlived_v = self._outlived.below_s >= _OUTLIVED_S
        if not self._late.count:
            return
        need_v = min(item.before_v for item in self._late.breaks)
        # Running on means drawing what it drew, not a part of it.
        usual_ma = _BACK_SHARE * self._late.breaks[0].level_ma
        if on.any() and float(np.median(currents[on])) < usual_ma:
            self._on_from_s = self._last_s
        on &= currents >= usual_ma
        since = on & (times > self._late.breaks[0].last_s)
        below = since & (volts < (1 - _OUTLIVED_SHARE) * need_v)
        self._late.below_s += float(np.minimum(spans, BLOCK_S)[below].sum())
        if self._open is not None:
            return
        lasted_s = self._late.breaks[-1].lasted_s
        quiet_s = min(max(_QUIET_LEAST_S, _QUIET_TIMES * lasted_s), _QUIET_MOST_S)
        if need_v < self._low_v:
            quiet_s = _QUIET_MOST_S
        by_voltage = self._late.below_s >= _OUTLIVED_S
        if not by_voltage and self._last_s - self._on_from_s < quiet_s:
            return
        if not self._outlived.count:
            self._outlived_need_v = need_v
        self._outlived_v |= by_voltage
        for item in self._late.breaks:
            self._outlived.add(item)
        self._outlived.count += self._late.count - len(self._late.breaks)
        self._late = Group()
