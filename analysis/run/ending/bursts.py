"""Bursts of a piece that sleeps in between: do they still come?

A sensor node asleep draws less than a cheap probe resolves; only its bursts show that it lives. Their height and
pace are learnt in the first hour. The thresholds are the project's own.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.run.ending.breaks import Silence

Array = NDArray[np.float64]

_LEAST: Final = 5
_NOISE_TIMES: Final = 6.0
_STEP_NOISE: Final = 0.7  # of the sensor's step, where so few steps show no spread
_BASE_TIMES: Final = (
    2.0  # above the base: lower flashes are a pattern on a load, not bursts out of sleep
)
_SHARE_MOST: Final = 0.25  # of the rows
_PACE_APART: Final = 5.0  # longest over usual distance
_SILENT_TIMES: Final = 10.0
_SILENT_LEAST_S: Final = 600.0
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

    def take(self, times: Array, volts: Array, currents: Array, *, early: bool) -> None:
        """Rows of one minute; ``early``: within the first hour."""
        self._now_s = float(times[-1])
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
            self._last_s = float(times[over[-1]])
            self._last_v = float(volts[over[-1]])

    def silence(self) -> Silence | None:
        """The last burst, where far more time than usual has passed since."""
        quiet_s = self._now_s - self._last_s
        if self._over_ma is None or quiet_s <= max(
            _SILENT_TIMES * self._longest_s, _SILENT_LEAST_S
        ):
            return None
        return Silence(self._every_s, self._last_s, self._burst_ma, self._last_v)

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
        if len(starts) < _LEAST or over.mean() > _SHARE_MOST:
            return
        apart = np.diff(times[starts])
        if float(apart.max()) > _PACE_APART * float(np.median(apart)):
            return
        self._over_ma = over_ma
        self._burst_ma = float(np.median(currents[over]))
        self._every_s, self._longest_s = float(np.median(apart)), float(apart.max())
        self._last_s = float(times[np.flatnonzero(over)[-1]])
