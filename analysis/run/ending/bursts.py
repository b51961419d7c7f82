"""Bursts of a piece that sleeps in between: do they still come?

A sensor node asleep draws less than a cheap probe resolves; only its bursts show that it lives. Their height and
pace are learnt in the first hour; firmware that sends more rarely as the pack empties changes the pace, and rarer is
not stopped. The thresholds are the project's own.
"""

from collections import deque
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.run.ending.breaks import KEPT, RARER, Pace, Silence
from analysis.run.ending.levels import DARK_SHARE

Array = NDArray[np.float64]

_LEAST: Final = 5
_NOISE_TIMES: Final = 6.0
_STEP_NOISE: Final = 0.7  # of the sensor's step, where so few steps show no spread
_BASE_TIMES: Final = (
    2.0  # above the base: lower flashes are a pattern on a load, not bursts out of sleep
)
_SHARE_MOST: Final = 0.25  # of the rows
_SHARE_MOST_ASLEEP: Final = 0.4  # out of sleep short bursts in coarse rows fill that
_PACE_APART: Final = 5.0  # longest over usual distance
_SILENT_TIMES: Final = 10.0
_SILENT_TIMES_GROWN: Final = (
    6.0  # once the pace has slowed, its steps are known: a next one is no larger
)
_SILENT_LEAST_S: Final = 600.0
_ASLEEP: Final = 0.5  # of the draw between bursts; a locked-out supply takes less
_RECENT: Final = 8  # intervals
# A slower pace stays: an interval followed by one this much shorter was a pause. A programme's equal each other.
_BACK_SHARE: Final = 0.67
_CLOCK: Final = 0.02
_ROWS_MOST: Final = 100_000


class BurstWatch:
    """``take`` rows in order, ask ``silence``. Keeps the first hour's rows until it has passed."""

    def __init__(self) -> None:
        self._times: list[Array] = []
        self._currents: list[Array] = []
        self._rows = 0
        self._learnt = False
        self._over_ma: float | None = None
        self._burst_ma = 0.0
        self._every_s = 0.0
        self._longest_s = 0.0
        self._last_s = 0.0
        self._last_v = 0.0
        self._now_s = 0.0
        self._step_s = 0.0
        self._base_ma = 0.0
        self._asleep_ma = 0.0
        self._learnt_s = 0.0
        self._start_s = 0.0
        self._recent: deque[float] = deque(maxlen=_RECENT)
        self._odd: list[tuple[float, float]] = []
        self._loose: list[tuple[float, float]] = []

    def take(self, times: Array, volts: Array, currents: Array, *, early: bool) -> None:
        """Rows of one minute; ``early``: within the first hour."""
        before_s, self._now_s = self._now_s, float(times[-1])
        if early and not self._learnt:
            if self._rows < _ROWS_MOST:
                self._times.append(times.copy())
                self._currents.append(currents.copy())
                self._rows += len(times)
            self._last_v = float(volts[-1])
            return
        if not self._learnt:
            self._learn()
        if self._over_ma is None:
            return
        over = np.flatnonzero(currents > self._over_ma)
        if len(over):
            self._step_s = max(float(np.median(np.diff(times, prepend=before_s))), 0.0)
            apart = np.diff(times[over], prepend=self._last_s)
            for start_s in times[over[apart > 1.5 * self._step_s]].tolist():
                self._burst(start_s)
            self._last_s = float(times[over[-1]])
            self._last_v = float(volts[over[-1]])

    def _burst(self, start_s: float) -> None:
        """A burst that began then; what the interval before the last one was shows only now."""
        self._recent.append(start_s - self._start_s)
        if len(self._recent) >= 3:
            before_s, middle_s, now_s = list(self._recent)[-3:]
            ended_s = self._start_s
            if middle_s > RARER * self._every_s:
                slack_s = _CLOCK * middle_s + 2 * self._step_s
                if now_s < _BACK_SHARE * middle_s - slack_s and len(self._odd) < KEPT:
                    self._odd.append((ended_s - middle_s, ended_s))
                clocked = min(abs(middle_s - before_s), abs(middle_s - now_s)) <= slack_s
                if not clocked and len(self._loose) < KEPT:
                    self._loose.append((ended_s - middle_s, ended_s))
        self._start_s = start_s

    def _due_s(self) -> float:
        """A burst is missing when none came for so long: several times the longest interval of late."""
        longest_s = max(self._recent)
        if longest_s > RARER * self._longest_s:
            return max(_SILENT_TIMES_GROWN * longest_s, _SILENT_LEAST_S)
        return max(_SILENT_TIMES * longest_s, _SILENT_LEAST_S)

    def pace(self) -> Pace | None:
        """How bursts come; None where there are none."""
        if self._over_ma is None:
            return None
        return Pace(
            self._every_s,
            max(self._recent),
            self._last_s,
            self._base_ma,
            self._asleep_ma,
            self._over_ma,
            self._due_s(),
            self._learnt_s,
            tuple(self._odd),
            tuple(self._loose),
        )

    def silence(self) -> Silence | None:
        """The last burst, where far more time than usual has passed since."""
        if self._over_ma is None or self._now_s - self._last_s <= self._due_s():
            return None
        every_s = float(np.median(self._recent))
        return Silence(every_s, self._last_s, self._burst_ma, self._last_v)

    def _learn(self) -> None:
        self._learnt = True
        if not self._rows:
            return
        times, currents = np.concatenate(self._times), np.concatenate(self._currents)
        self._times, self._currents = [], []
        base = float(np.median(currents))
        noise = 1.4826 * float(np.median(np.abs(currents - base)))
        step = float(np.diff(np.unique(currents)).min(initial=np.inf))
        noise = max(noise, _STEP_NOISE * step if np.isfinite(step) else 0.0)
        over_ma = base + max(_NOISE_TIMES * noise, _BASE_TIMES * abs(base))
        over = currents > over_ma
        starts = np.flatnonzero(over & ~np.concatenate([[False], over[:-1]]))
        burst_ma = float(np.median(currents[over])) if over.any() else 0.0
        most = _SHARE_MOST_ASLEEP if base <= DARK_SHARE * burst_ma else _SHARE_MOST
        if len(starts) < _LEAST or over.mean() > most:
            return
        apart = np.diff(times[starts])
        if float(apart.max()) > _PACE_APART * float(np.median(apart)):
            return
        self._over_ma = over_ma
        self._burst_ma = burst_ma
        self._every_s, self._longest_s = float(np.median(apart)), float(apart.max())
        self._last_s = float(times[np.flatnonzero(over)[-1]])
        self._base_ma, self._asleep_ma = base, base - max(_ASLEEP * abs(base), noise)
        self._learnt_s = float(times[-1])
        self._start_s = float(times[starts[-1]])
        self._recent.extend(apart.tolist())
