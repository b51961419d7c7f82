"""The held fall to the cutoff in rows that may still be coming: one answer for a recorded run and a live one.

A voltage that fell at once, stayed down and came back to where it was at the same load was a bad contact's:
that fall is taken back and left out. A pack does not do that.
"""

import copy
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.run.trace import DEAD_VOLTAGE_SHARE, blocks, stretches

Array = NDArray[np.float64]

# At rest no cell stands at a third of what it had when full, but terminals behind a circuit that has cut off do
# (leakage, a remnant): that is no fall of the pack.
_CUT_OFF_SHARE: Final = 0.35
_CUT_OFF_LOAD: Final = 0.05  # of the most that was drawn
# A contact's dip: so deep (of the voltage), most of it at once, back within that time and near the level of before.
_DIP_LEAST: Final = 0.04
_AT_ONCE: Final = 0.5
_BACK_WITHIN_S: Final = 1500.0
_BACK_SHARE: Final = 0.35
_LOAD_APART: Final = 1.15
_LOAD_APART_MA: Final = 0.5
_LEVEL_S: Final = 60.0
_AFTER_S: Final = 30.0
_AFTER_ROWS: Final = 3
_FIRST_ROWS: Final = 2
# Columns of the rows kept.
_MIDDLE, _TIME, _VOLT, _AMP, _ALIVE = range(5)


def _sound(rows: Array) -> NDArray[np.bool_]:
    """Rows that are alive and not beside a dead one, shape (n,)."""
    alive: NDArray[np.bool_] = rows[_ALIVE] > 0
    sound = alive.copy()
    sound[1:] &= alive[:-1]
    sound[:-1] &= alive[1:]
    return sound


@dataclass
class _Below:
    """A stretch at or below the cutoff; ``level_v``, ``level_ma``: usual in the minute before it."""

    fell_s: float
    level_v: float
    level_ma: float
    first_v: float
    rows: int = 0
    sum_v: float = 0.0
    sum_ma: float = 0.0
    held: bool = False
    rose_s: float | None = None

    def came_back(self, after: Array) -> bool:
        """Whether a contact made it; ``after``: the rows since it rose, as kept."""
        if not self.rows or not np.isfinite([self.level_v, self.level_ma]).all():
            return False
        depth_v = self.level_v - self.sum_v / self.rows
        inside_ma = self.sum_ma / self.rows
        after_v, after_ma = np.median(after[_VOLT]), np.median(after[_AMP])
        least_ma = self.level_ma / _LOAD_APART - _LOAD_APART_MA
        most_ma = self.level_ma * _LOAD_APART + _LOAD_APART_MA
        return bool(
            depth_v >= _DIP_LEAST * self.level_v
            and self.first_v <= self.level_v - _AT_ONCE * depth_v
            and abs(after_v - self.level_v) <= _BACK_SHARE * depth_v
            and inside_ma <= most_ma
            and least_ma <= after_ma <= most_ma
        )


class CutoffWatch:
    """``add`` rows, ask ``crossed_s``. ``cutoff_v`` None: never. Memory: a minute's rows.

    ``dips``: begin and end, on the run's axis, of falls that were held but were a contact's.
    """

    def __init__(
        self, cutoff_v: float | None, hold_s: float, begin_s: float, windowed: bool
    ) -> None:
        self.cutoff_v = cutoff_v
        self.dips: list[tuple[float, float]] = []
        self._hold_s = hold_s
        self._windowed = windowed
        self._last_s = begin_s
        self._usual_v = 0.0
        self._most_ma = 0.0
        self._waiting: Array = np.empty((5, 0))
        self._recent: Array = np.empty((5, 0))  # the last minute above the cutoff
        self._after: Array = np.empty((5, 0))  # since the rise from a held fall
        self._last: Array = np.empty((5, 0))  # the last row taken
        self._below: _Below | None = None
        self._over = False

    def crossed_s(self, *, ended: bool = False) -> float | None:
        """Instant on the run's axis of the first fall that was held; None: not so far.

        ``ended``: it was the fall that ended the rows, so it counts up to the last one without its whole hold.
        """
        now = self
        if not self._over and self._waiting.shape[1]:
            now = copy.deepcopy(self)
            now._take(self._waiting[:, -1:][:, _sound(self._waiting)[-1:]])
        found = now._below
        if found is None:
            return None
        least = _FIRST_ROWS if self._windowed and self._hold_s > 0 else 1
        open_end = ended and found.rose_s is None and found.rows >= least
        return found.fell_s if found.held or open_end else None

    def add(self, times_s: ArrayLike, volts: ArrayLike, currents_ma: ArrayLike) -> None:
        """Append rows (equal lengths, times not falling; end of each window)."""
        if self.cutoff_v is None or self._over:
            return
        columns = (times_s, volts, currents_ma)
        times, voltages, currents = (np.atleast_1d(np.asarray(x, np.float64)) for x in columns)
        good = np.isfinite(times) & np.isfinite(voltages)
        if not good.all():
            times, voltages, currents = times[good], voltages[good], currents[good]
        if not len(times):
            return
        spans = np.diff(times, prepend=self._last_s)
        self._last_s = float(times[-1])
        if len(spans) > 1:
            np.minimum(spans, np.median(spans), out=spans)
        for part in blocks(len(times)):
            self._add_block(times[part], spans[part], voltages[part], currents[part])

    def _add_block(self, times: Array, spans: Array, voltages: Array, currents: Array) -> None:
        middles = times - spans / 2 if self._windowed else times
        usual_v = np.maximum.accumulate(np.maximum(voltages, self._usual_v))
        self._usual_v = float(usual_v[-1])
        most_ma = np.fmax.accumulate(np.fmax(currents, self._most_ma))
        self._most_ma = float(most_ma[-1])
        unloaded = currents < _CUT_OFF_LOAD * most_ma
        gone = np.where(unloaded, _CUT_OFF_SHARE, DEAD_VOLTAGE_SHARE) * usual_v
        alive = (voltages >= gone).astype(np.float64)
        # A row beside a dead one is a mean of both, so the newest waits for the next one.
        known = max(self._waiting.shape[1] - 1, 0)
        rows = np.hstack([self._waiting, np.vstack([middles, times, voltages, currents, alive])])
        sound = _sound(rows)[known:-1]
        ready = rows[:, known:-1]
        self._take(ready if sound.all() else ready[:, sound])
        self._waiting = rows[:, -2:].copy()

    def _take(self, rows: Array) -> None:
        """Sound rows in order, in stretches on one side of the cutoff."""
        assert self.cutoff_v is not None
        if not rows.shape[1] or self._over:
            return
        below = rows[_VOLT] <= self.cutoff_v
        if self._below is None and not below.any():
            self._keep(rows)
            return
        first, past = stretches(below) if below.any() else (np.empty(0, int), np.empty(0, int))
        at = 0
        for begin, end in zip([*first.tolist(), rows.shape[1]], [*past.tolist(), 0], strict=True):
            if begin > at:
                self._above(rows[:, at:begin])
            if end and not self._over:
                self._fallen(rows[:, begin:end])
                at = end
            if self._over:
                return
        self._last = rows[:, -1:].copy()

    def _keep(self, rows: Array) -> None:
        """Rows above the cutoff, of which the last minute is the level of before a fall."""
        # Times do not fall: what is younger than a minute is the end of it.
        from_s = rows[_TIME, -1] - _LEVEL_S
        old = int(np.searchsorted(self._recent[_TIME], from_s, side="right"))
        new = int(np.searchsorted(rows[_TIME], from_s, side="right"))
        self._recent = np.hstack([self._recent[:, old:], rows[:, new:]])
        self._last = rows[:, -1:].copy()

    def _fallen(self, rows: Array) -> None:
        found = self._below
        if found is None:
            level_v, level_ma = np.inf, np.inf
            if self._recent.shape[1]:
                level_v, level_ma = np.median(self._recent[[_VOLT, _AMP]], axis=1)
            fell_s = self._passes(rows[:, 0])
            found = self._below = _Below(fell_s, float(level_v), float(level_ma), np.inf)
        left = max(_FIRST_ROWS - found.rows, 0)
        found.first_v = min([found.first_v, *rows[_VOLT, :left].tolist()])
        found.rows += rows.shape[1]
        found.sum_v += float(rows[_VOLT].sum())
        found.sum_ma += float(rows[_AMP].sum())
        found.rose_s = None
        self._after = self._after[:, :0]
        self._hold(float(rows[_TIME, -1]))
        self._last = rows[:, -1:].copy()
        # Without a hold the first touch is what was asked for.
        late = rows[_TIME, -1] > found.fell_s + _BACK_WITHIN_S or self._hold_s == 0
        self._over = late and found.held

    def _above(self, rows: Array) -> None:
        found = self._below
        if found is not None and found.rose_s is None:
            found.rose_s = self._passes(rows[:, 0])
            self._hold(found.rose_s)
            if not found.held:
                self._below = None
        found = self._below
        if found is None:
            self._keep(rows)
            return
        assert found.rose_s is not None
        self._after = np.hstack([self._after, rows])
        times = self._after[_TIME]
        enough = (times - times[0] >= _AFTER_S) & (np.arange(len(times)) >= _AFTER_ROWS - 1)
        if found.rose_s > found.fell_s + _BACK_WITHIN_S:
            self._over = True
        elif enough.any():
            count = int(np.argmax(enough)) + 1
            if not found.came_back(self._after[:, :count]):
                self._over = True
                return
            self.dips.append((found.fell_s, found.rose_s))
            rest, self._after = self._after, self._after[:, :0]
            self._below = None
            self._keep(rest)
        self._last = rows[:, -1:].copy()

    def _hold(self, until_s: float) -> None:
        found = self._below
        assert found is not None
        long_enough = until_s - found.fell_s >= self._hold_s
        found.held |= long_enough and (found.rows >= _FIRST_ROWS or self._hold_s == 0)

    def _passes(self, row: Array) -> float:
        """Instant at which a straight line from the row before passes the cutoff."""
        assert self.cutoff_v is not None
        at_s, at_v = float(row[_MIDDLE]), float(row[_VOLT])
        if not self._last.shape[1] or at_v == float(self._last[_VOLT, 0]):
            return at_s
        before_s, before_v = float(self._last[_MIDDLE, 0]), float(self._last[_VOLT, 0])
        share = min(max((self.cutoff_v - before_v) / (at_v - before_v), 0.0), 1.0)
        return before_s + share * (at_s - before_s)
