"""Where the draw broke off: rows watched as they come, with bounded memory.

Rows are gathered into blocks of a minute from the run's begin, so that rows given one by one and all
at once lead to the same answer. In each, what is drawn is held against what was drawn before:
the thresholds are the project's own, and the reasons stand beside them.
"""

import copy
from collections import deque
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.run.trace import stretches

Array = NDArray[np.float64]
Codes = NDArray[np.int8]

BLOCK_S: Final = 60.0
# The level that a piece had is that of the past hour's brighter minutes: a pattern's dark ones are part of it.
_LEVEL_BLOCKS: Final = 60
_LEVEL_PERCENT: Final = 90.0
_LEARNT_BLOCKS: Final = 3
# A circuit that is off, asleep or locked out takes a few hundredths of what it took; patterns fade to more.
_DARK_SHARE: Final = 0.15
# A restart fills a row only in part: a row counts as fallen when it is under half and a bit of the level
# and clearly under all that the pattern itself did in the past hour.
_DIP_SHARE: Final = 0.6
_DIP_OF_LEAST: Final = 0.8
# A dimmer setting is a new level, not a break; no restart takes longer.
_SETTLED_S: Final = 60.0
# The voltage that the piece still worked at: the least of the past quarter of an hour.
_NEED_BLOCKS: Final = 15
# Modes that the piece has are shown within the first hour: this long together, or as often with one length.
FIRST_HOUR_S: Final = 3600.0
_MODE_S: Final = 300.0
_MODE_TIMES: Final = 3
_MODE_SPREAD: Final = 3.0
# On a nearly empty pack a pause is a mode only if more is drawn than a locked-out converter takes.
_LOCKED_SHARE: Final = 0.02
_PAUSE_LEAST_S: Final = 10.0  # shorter ones may be restarts
# A pack that just failed soon fails again: a piece that came back and ran on for so long, or well
# below the voltage at which it stopped, was not stopped by the pack. A nearly empty pack that rested
# carries on for a while, so more is asked of it.
_QUIET_LEAST_S: Final = 900.0
_QUIET_MOST_S: Final = 3600.0
_QUIET_TIMES: Final = 3.0
# Fewer steps of the sensor than this are too little to see a part of.
_STEPS_LEAST: Final = 50.0
_BACK_SHARE: Final = 0.5
_OUTLIVED_SHARE: Final = 0.005
_OUTLIVED_S: Final = 300.0
# Voltage and current gone together: the pack is not there any more for the sensor.
_VANISHED_SHARE: Final = 0.5
_HALF: Final = 0.5
_HALF_HELD: Final = 10  # minutes
_STEP_SHARE: Final = 0.85  # a fall that a hand or the program made within a minute, not the pack
_KEPT: Final = 256


@dataclass
class Break:
    """A stretch in which next to nothing was drawn. ``after_s``, ``by_s``: it began between these; times on the run's axis.

    ``end_s``: end of its last row, None: it goes on. ``before_v``: the least voltage at which the piece had
    worked shortly before. ``level_ma``: what it drew. ``rows``, ``dark_rows``: in it, and those quite dark.
    """

    after_s: float
    by_s: float
    before_v: float
    level_ma: float
    last_s: float = 0.0
    end_s: float | None = None
    rows: int = 0
    dark_rows: int = 0
    sum_ma: float = 0.0
    sum_v: float = 0.0
    first_ma: float = 0.0
    least_ma: float = (
        np.inf
    )  # rows that are on in part only draw more than the piece does while it is off
    tail: int = 0  # rows after the first, which is mixed
    limps: bool = (
        False  # fell in part, on a nearly empty pack: off and on again quicker than a row shows
    )

    @property
    def lasted_s(self) -> float:
        return (self.last_s if self.end_s is None else self.end_s) - self.after_s

    @property
    def dark_ma(self) -> float:
        return self.sum_ma / self.tail if self.tail else self.first_ma

    @property
    def dark_v(self) -> float:
        return self.sum_v / self.tail if self.tail else self.before_v

    @property
    def vanished(self) -> bool:
        """Whether the voltage went with the current."""
        return self.tail > 0 and self.dark_v < _VANISHED_SHARE * self.before_v

    def take(self, time_s: float, volts: Array, currents_ma: Array, dark: int) -> None:
        """Rows that belong to it, the last of them at ``time_s``."""
        first = 0 if self.rows else 1
        if first:
            self.first_ma = float(currents_ma[0])
        self.rows += len(volts)
        self.dark_rows += dark
        self.tail += len(volts) - first
        self.sum_ma += float(currents_ma[first:].sum())
        self.sum_v += float(volts[first:].sum())
        self.least_ma = min(self.least_ma, float(currents_ma.min()))
        self.last_s = time_s


@dataclass
class _Group:
    """Breaks one after another; ``count`` of them, the first ``_KEPT`` in full."""

    breaks: list[Break] = field(default_factory=list)
    count: int = 0
    below_s: float = 0.0  # how long the piece ran below the voltage at which it first broke off

    def add(self, found: Break) -> None:
        self.count += 1
        if len(self.breaks) < _KEPT:
            self.breaks.append(found)


@dataclass(frozen=True)
class Seen:
    """All that was seen up to the last row.

    ``open``: a break that goes on. ``late``: breaks since the last time the piece ran on for long, ``late_count``
    of them. ``outlived``: earlier ones; ``outlived_v``: the piece later ran at a lower voltage than at the first of them.
    ``mode_ma``: a draw next to nothing that belongs to the piece, None: it has no such mode; ``mode_most_s``:
    the longest such stretch of the first hour, ``mode_times`` how many. ``half_s``: when the draw had sunk to half, slowly.
    """

    begin_s: float
    last_s: float
    step_s: float
    first_v: float
    open: Break | None
    late: tuple[Break, ...]
    late_count: int
    outlived: tuple[Break, ...]
    outlived_count: int
    outlived_v: bool
    mode_ma: float | None
    mode_most_s: float
    mode_times: int
    half_s: float | None


class BreakWatch:
    """Breaks of a run that may still grow: ``add`` its rows, ask ``seen``. ``begin_s``: where the first row's window began.

    ``zero_ma``: what the sensor may read where nothing flows; ``low_v``: below it the pack is nearly empty.
    """

    def __init__(self, begin_s: float = 0.0, zero_ma: float = 0.0, low_v: float = np.inf) -> None:
        self._begin_s = begin_s
        self._zero_ma = zero_ma
        self._low_v = low_v
        self._least_step_ma = np.inf
        self._pending: Array = np.empty((3, 0))
        self._last_s = begin_s
        self._levels: deque[tuple[float, float, float]] = deque(maxlen=_LEVEL_BLOCKS)
        self._open: Break | None = None
        self._late = _Group()
        self._outlived = _Group()
        self._outlived_need_v = 0.0
        self._outlived_v = False
        self._on_from_s = begin_s
        self._early: list[Break] = []
        self._first_v: list[float] = []
        self._first_ma: list[float] = []
        self._half_scale = 1.0
        self._half_run = 0
        self._half_from_s = 0.0
        self._half_s: float | None = None
        self._step_s = 0.0

    def add(self, times_s: ArrayLike, volts: ArrayLike, currents_ma: ArrayLike) -> None:
        """Append rows (equal lengths, times not falling, end of each window); rows that lack a number are left out."""
        rows = np.vstack([np.asarray(x, np.float64) for x in (times_s, volts, currents_ma)])
        rows = rows[:, np.isfinite(rows).all(axis=0)]
        if not rows.shape[1]:
            return
        rows = np.hstack([self._pending, rows])
        block = np.floor((rows[0] - self._begin_s) / BLOCK_S * (1 - 1e-12))
        starts = np.flatnonzero(np.diff(block, prepend=-1.0))
        for first, past in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
            self._block(rows[:, first:past])
        self._pending = rows[:, starts[-1] :]

    def seen(self) -> Seen:
        """As of the last row, the block that is not full yet included."""
        now = copy.deepcopy(self)
        if now._pending.shape[1]:
            now._block(now._pending)
        return now._seen()

    def _seen(self) -> Seen:
        mode = self._mode()
        return Seen(
            self._begin_s,
            self._last_s,
            self._step_s,
            max(self._first_v, default=0.0),
            self._open,
            tuple(self._late.breaks),
            self._late.count,
            tuple(self._outlived.breaks),
            self._outlived.count,
            self._outlived_v,
            float(np.median([item.dark_ma for item in mode])) if mode else None,
            max((item.lasted_s for item in mode), default=0.0),
            len(mode),
            self._half_s,
        )

    def _mode(self) -> list[Break]:
        """The first hour's breaks, or later ones of one length, where they are a mode of the piece."""
        early = [
            item
            for item in self._early
            if not item.vanished
            and item.dark_rows
            and (item.before_v >= self._low_v or item.least_ma > _LOCKED_SHARE * item.level_ma)
        ]
        later = [item for item in self._outlived.breaks if not item.vanished and item.dark_rows]
        return self._regular(early) or self._regular(early + later, only_alike=True)

    @staticmethod
    def _regular(known: list[Break], *, only_alike: bool = False) -> list[Break]:
        lasted = [item.lasted_s for item in known]
        if not known:
            return []
        regular = len(known) >= _MODE_TIMES and max(lasted) <= _MODE_SPREAD * float(
            np.median(lasted)
        )
        long_enough = sum(lasted) >= _MODE_S and not only_alike
        alike = regular and min(lasted) > _PAUSE_LEAST_S
        return known if alike or long_enough else []

    def _block(self, rows: Array) -> None:
        times, volts, currents = rows
        if len(times) > 1:
            self._step_s = float(np.median(np.diff(times)))
        elif self._last_s > self._begin_s:
            self._step_s = float(times[0] - self._last_s)
        codes = self._codes(currents)
        fallen = codes > 0
        # A row beside a break is a mean of both sides of it.
        sound = ~fallen
        sound[1:] &= ~fallen[:-1]
        sound[:-1] &= ~fallen[1:]
        first, past = stretches(fallen) if fallen.any() else (np.empty(0, int), np.empty(0, int))
        if self._open is not None and codes[0] == 0:
            self._close()
        for begin, end in zip(first.tolist(), past.tolist(), strict=True):
            if self._open is None:
                after_s = self._last_s if begin == 0 else float(times[begin - 1])
                need_v = self._need_v(volts[:begin][sound[:begin]], volts[begin])
                self._open = Break(after_s, float(times[begin]), need_v, self._level_ma())
            part = slice(begin, end)
            self._open.take(
                float(times[end - 1]), volts[part], currents[part], int((codes[part] == 2).sum())
            )
            if end < len(times):
                self._close()
        self._last_s = float(times[-1])
        self._settle(rows)
        if sound.any():
            self._learn(times, volts[sound], currents[sound])
        self._outlive(rows, fallen)

    def _level_ma(self) -> float:
        return float(np.percentile([level for level, _, _ in self._levels], _LEVEL_PERCENT))

    def _codes(self, currents: Array) -> Codes:
        """0 as it was, 1 fallen, 2 dark, shape (n,)."""
        codes = np.zeros(len(currents), np.int8)
        if len(self._levels) < _LEARNT_BLOCKS:
            return codes
        level = self._level_ma()
        if level <= 2 * self._zero_ma or level <= _STEPS_LEAST * self._resolution_ma():
            return codes  # too little for the sensor: nothing can be seen to break off
        least = min(least for _, least, _ in self._levels)
        dark_ma = max(_DARK_SHARE * level, self._zero_ma)
        codes[currents < max(min(_DIP_SHARE * level, _DIP_OF_LEAST * least), dark_ma)] = 1
        codes[currents < dark_ma] = 2
        return codes

    def _resolution_ma(self) -> float:
        """The sensor's step, by the least difference between readings; 0 where all were alike."""
        return self._least_step_ma if np.isfinite(self._least_step_ma) else 0.0

    def _need_v(self, volts: Array, now_v: float) -> float:
        """Least voltage at which it worked of late; ``volts``: this block's rows so far, ``now_v``: as it broke off."""
        recent = [least for _, _, least in list(self._levels)[-_NEED_BLOCKS:]]
        return min(recent + volts.tolist(), default=now_v)

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
        if found.after_s < self._begin_s + FIRST_HOUR_S and len(self._early) < _KEPT:
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
        if found.before_v < self._low_v:
            found.limps, found.end_s = True, found.last_s
            self._on_from_s = found.last_s
            self._late.add(found)
        inside = rows[:, rows[0] > found.after_s]
        level = float(np.median(inside[2]))
        before = self._levels[-1][0] if self._levels else level
        if before > 0 and level < _STEP_SHARE * before:
            self._half_scale *= level / before
        # The pattern goes on, its darkest moments perhaps not within these rows.
        share = min((least / usual for usual, least, _ in self._levels if usual > 0), default=1.0)
        self._levels.clear()
        item = (level, min(float(inside[2].min()), share * level), float(inside[1].min()))
        self._levels.extend([item] * _LEARNT_BLOCKS)

    def _learn(self, times: Array, volts: Array, currents: Array) -> None:
        level = float(np.median(currents))
        if times[-1] <= self._begin_s + FIRST_HOUR_S:
            apart = np.diff(np.unique(currents))
            self._least_step_ma = min(self._least_step_ma, float(apart.min(initial=np.inf)))
        self._levels.append((level, float(currents.min()), float(volts.min())))
        mean = float(currents.mean())
        if times[-1] <= self._begin_s + FIRST_HOUR_S:
            self._first_ma.append(mean)
            self._first_v.append(float(np.median(volts)))
        if self._half_s is not None or not self._first_ma:
            return
        if mean >= _HALF * self._half_scale * float(np.median(self._first_ma)):
            self._half_run = 0
            return
        if not self._half_run:
            self._half_from_s = float(times[0])
        self._half_run += 1
        if self._half_run >= _HALF_HELD and times[-1] > self._begin_s + FIRST_HOUR_S:
            self._half_s = self._half_from_s

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
        self._late = _Group()
