"""The held fall to the cutoff in rows that are still coming: what ``cutoff.find_fall`` finds in a recorded run."""

import copy
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.run.trace import stretches

Array = NDArray[np.float64]

# As in ``trace``: under this share of the usual voltage the pack is not there.
_DEAD_SHARE: Final = 0.1


def _sound(rows: Array) -> NDArray[np.bool_]:
    """Rows that are alive and not beside a dead one, shape (n,)."""
    alive: NDArray[np.bool_] = rows[3] > 0
    sound = alive.copy()
    sound[1:] &= alive[:-1]
    sound[:-1] &= alive[1:]
    return sound


class CutoffWatch:
    """``add`` rows, ask ``crossed_s``. ``cutoff_v`` None: never. Memory: the stretch that is below now."""

    def __init__(
        self, cutoff_v: float | None, hold_s: float, begin_s: float, windowed: bool
    ) -> None:
        self.cutoff_v = cutoff_v
        self._hold_s = hold_s
        self._windowed = windowed
        self._before: tuple[float, float] | None = None  # middle and voltage of the last row
        self._last_s = begin_s
        self._usual_v = 0.0
        self._fell_s: float | None = None
        self._rows = 0
        self._crossed_s: float | None = None
        self._waiting: Array = np.empty((4, 0))
        self._step_s = 0.0

    def crossed_s(self) -> float | None:
        """Instant on the run's axis of the first fall that was held; None: not so far."""
        if self._crossed_s is not None or not self._waiting.shape[1]:
            return self._crossed_s
        now = copy.copy(self)
        now._take(self._waiting[:, -1:], _sound(self._waiting)[-1:])
        return now._crossed_s

    def add(self, times_s: ArrayLike, volts: ArrayLike) -> None:
        """Append rows (equal lengths, times not falling; end of each window)."""
        if self.cutoff_v is None or self._crossed_s is not None:
            return
        times, voltages = (np.atleast_1d(np.asarray(x, np.float64)) for x in (times_s, volts))
        good = np.isfinite(times) & np.isfinite(voltages)
        times, voltages = times[good], voltages[good]
        if not len(times):
            return
        spans = np.diff(times, prepend=self._last_s)
        self._last_s = float(times[-1])
        if len(spans) > 1:
            spans = np.minimum(spans, np.median(spans))
        middles = times - spans / 2 if self._windowed else times
        usual_v = np.maximum.accumulate(np.maximum(voltages, self._usual_v))
        self._usual_v = float(usual_v[-1])
        alive = voltages >= _DEAD_SHARE * usual_v
        # A row beside a dead one is a mean of both, so the newest waits for the next one.
        rows = np.vstack([middles, times, voltages, alive.astype(np.float64)])
        known = max(self._waiting.shape[1] - 1, 0)
        rows = np.hstack([self._waiting, rows])
        self._step_s = float(np.median(spans))
        self._take(rows[:, known:-1], _sound(rows)[known:-1])
        self._waiting = rows[:, -2:]

    def _take(self, rows: Array, sound: NDArray[np.bool_]) -> None:
        assert self.cutoff_v is not None
        middles, times, volts, _ = rows[:, sound]
        if not len(volts) or self._crossed_s is not None:
            return
        below, step_s = volts <= self.cutoff_v, self._step_s
        if self._fell_s is not None and not below[0]:
            if self._held(self._passes(middles, volts, 0), step_s):
                return
            self._fell_s, self._rows = None, 0
        first, past = stretches(below) if below.any() else (np.empty(0, int), np.empty(0, int))
        for begin, end in zip(first.tolist(), past.tolist(), strict=True):
            if self._fell_s is None:
                self._fell_s, self._rows = self._passes(middles, volts, begin), 0
            self._rows += end - begin
            until_s = float(times[-1]) if end >= len(volts) else self._passes(middles, volts, end)
            if self._held(until_s, step_s):
                return
            if end < len(volts):
                self._fell_s, self._rows = None, 0
        self._before = (float(middles[-1]), float(volts[-1]))

    def _held(self, until_s: float, step_s: float) -> bool:
        assert self._fell_s is not None
        slack_s = 0.0
        long_enough = until_s - self._fell_s >= self._hold_s - slack_s
        if long_enough and (self._rows >= 2 or self._hold_s == 0):
            self._crossed_s = self._fell_s
        return self._crossed_s is not None

    def _passes(self, middles: Array, volts: Array, row: int) -> float:
        """Instant at which a straight line from the row before passes the cutoff."""
        assert self.cutoff_v is not None
        before = (float(middles[row - 1]), float(volts[row - 1])) if row else self._before
        at_s, at_v = float(middles[row]), float(volts[row])
        if before is None or at_v == before[1]:
            return at_s
        share = min(max((self.cutoff_v - before[1]) / (at_v - before[1]), 0.0), 1.0)
        return before[0] + share * (at_s - before[0])
