"""The run's own axes: board time and running counters of one boot after another, joined; the computer's clocks beside them.

All in whole microseconds and millionths of mAh and mWh, as on the wire, so
that nothing drifts however long a run is.
"""

from dataclasses import dataclass
from typing import Any, Final

from logger.base.clock import Anchors, Moment, pause_since
from logger.base.durations import clock_text
from logger.board.stream import Window
from logger.run.description import TAKEN_UP, Counters, Description

MICRO: Final = 1_000_000
# A ceramic resonator on a cheap board is good to half a percent (common practice, no source).
DRIFT: Final = 0.005
UNKNOWN_BOOT: Final = -1
CLOCK_SLACK_S: Final = 2.0  # lines wait in buffers, and a greeting takes its time


@dataclass(frozen=True)
class Unknown:
    """What lies between the last row of one boot and the start of the next: length and charge bounds.

    Both None: the length cannot be told, so there is no bound. ``assumed_ma``: the current
    that the bound assumes not to have been exceeded.
    """

    length_s: float | None
    charge_upper_mah: float | None
    assumed_ma: float


class HostTie:
    """Run time told from the computer's steady clock, while the board is away.

    A line is never early, only late, by as much as it waited in buffers; so the
    tie follows the least delay seen, relaxed by the drift of the board's clock.
    ``factor``: board seconds per host second (1 for a real board, 0: cannot be told).
    """

    def __init__(self, factor: float = 1.0) -> None:
        self.factor = factor
        self._offset_s: float | None = None
        self._last_run_s = 0.0

    def note(self, run_s: float, steady_s: float) -> None:
        """A line that ended at ``run_s`` has arrived at ``steady_s``."""
        if self.factor <= 0:
            return
        offset_s = steady_s - run_s / self.factor
        if self._offset_s is not None:
            relaxed_s = max(run_s - self._last_run_s, 0.0) / self.factor * DRIFT
            offset_s = min(offset_s, self._offset_s + relaxed_s)
        self._offset_s = offset_s
        self._last_run_s = run_s

    def run_s(self, steady_s: float) -> float | None:
        """Run time now; None if it cannot be told."""
        if self._offset_s is None:
            return None
        return (steady_s - self._offset_s) * self.factor


class HostTime:
    """Anchors for the analysis, run time while the board is away, and how long a pause was. ``boot``, ``keeps_time``: as ``logger.base.clock`` tells them."""

    def __init__(self, description: Description, boot: str, keeps_time: bool) -> None:
        self._base = description
        self._boot = boot
        self._keeps_time = keeps_time
        self._anchors = Anchors(description.clock)
        self._tie = HostTie()
        self._zero_s = 0.0
        self._bridge: tuple[float, float, float] | None = None
        self._waits = False  # for the first row after a pause of unknown length

    def take_up(self, axis_s: float, now: Moment) -> str:
        """A run goes on whose last row ended at ``axis_s``: how long nobody recorded, in words.

        Where no clock tells that, the run's time goes on without the pause.
        """
        base = self._base
        self._zero_s = now.steady_s - axis_s
        if not base.clock:
            return TAKEN_UP
        time_s, host_s, utc = base.clock[-1]
        before_s = None if base.host_zero_s is None else base.host_zero_s + host_s
        pause = pause_since(
            utc, before_s, base.host_boot, now, now_boot=self._boot, keeps_time=self._keeps_time
        )
        if pause.seconds is None:
            # Anchors of two clocks that nothing ties together would bend the board's rate.
            self._anchors, self._waits = Anchors(), True
            return f"{TAKEN_UP} after an unknown time: {pause.words}"
        self._zero_s = now.steady_s - (host_s + pause.seconds)
        self._bridge = (time_s, pause.seconds, now.steady_s)
        self._tie.note(time_s + pause.seconds, now.steady_s)
        return f"{TAKEN_UP} after {clock_text(pause.seconds)} ({pause.words})"

    def row(self, run_s: float, now: Moment) -> None:
        """A row that ended at ``run_s`` has come."""
        self._tie.note(run_s, now.steady_s)
        if self._waits or not self._zero_s:
            self._waits = False
            self._zero_s = now.steady_s - run_s

    def told_s(self, now: Moment) -> float | None:
        """Run time by the computer's clock; None if it cannot be told."""
        return self._tie.run_s(now.steady_s)

    def set_factor(self, factor: float | None) -> None:
        """A simulated board's time may run faster than ours, or not be comparable at all."""
        if factor is None or factor == self._tie.factor:
            return
        self._tie = HostTie(factor)
        if self._bridge is not None:
            time_s, paused_s, steady_s = self._bridge
            self._tie.note(time_s + paused_s * factor, steady_s)

    def anchor(self, run_s: float, now: Moment, *, force: bool = False) -> bool:
        """Note a pair of run time and computer time; True if it is one to keep."""
        return not self._waits and self._anchors.add(
            run_s, now.steady_s - self._zero_s, now, force=force
        )

    def described(self) -> dict[str, Any]:
        """Fields of the run's description."""
        return {
            "clock": self._anchors.all(),
            "host_boot": self._boot,
            "host_zero_s": self._zero_s or None,
        }


class RunAxis:
    """Where the zero of the present boot stands on the run's axes, and the last row on them."""

    def __init__(self, counters: Counters | None = None) -> None:
        self.boot: int | None = None
        self.time_zero_us = 0
        self.charge_zero = 0
        self.energy_zero = 0
        self.time_us = 0
        self.charge = 0
        self.energy = 0
        self.peak_ma = 0.0
        if counters is not None:
            self.boot = counters.boot
            self.time_zero_us = round(counters.time_zero_s * MICRO)
            self.charge_zero = round(counters.charge_zero_mah * MICRO)
            self.energy_zero = round(counters.energy_zero_mwh * MICRO)

    def begin_run(self, boot: int, first: Window, window_us: int) -> None:
        """Put the run's zero at the beginning of the first window, so that its own charge counts."""
        self.boot = boot
        current_ma = first.current_ma
        charge = round(current_ma * window_us / 3600)
        energy = round(current_ma * first.pack_v * window_us / 3600)
        self.time_zero_us = window_us - first.time_us
        self.charge_zero = charge - first.charge_umah
        self.energy_zero = energy - first.energy_umwh

    def begin_boot(self, boot: int, board_time_us: int, run_now_s: float | None) -> Unknown:
        """The board has started again and its clock stands at ``board_time_us``.

        Time goes on by the computer's clock; charge and energy go on from the last
        row, which is the least they can be. What the pack gave in between nobody
        measured: at most the greatest current of the run for all that time.
        """
        before, self.boot = self.boot, boot
        self.charge_zero = self.charge
        self.energy_zero = self.energy
        if run_now_s is not None and before != UNKNOWN_BOOT:
            # It has been on for longer than the computer says has passed since the last row: that clock is wrong.
            passed_us = round(run_now_s * MICRO) - self.time_us
            if board_time_us > passed_us + CLOCK_SLACK_S * MICRO + DRIFT * board_time_us:
                run_now_s = None
        if run_now_s is None:
            self.time_zero_us = self.time_us
            return Unknown(None, None, self.peak_ma)
        self.time_zero_us = max(round(run_now_s * MICRO) - board_time_us, self.time_us)
        length_s = (self.time_zero_us - self.time_us) / MICRO
        slack_s = length_s * DRIFT + 0.25  # buffers and the loop's own pause
        return Unknown(length_s, (length_s + slack_s) / 3600 * self.peak_ma, self.peak_ma)

    @property
    def time_s(self) -> float:
        return self.time_us / MICRO

    def counters(self) -> Counters | None:
        if self.boot is None:
            return None
        return Counters(
            self.boot,
            self.time_zero_us / MICRO,
            self.charge_zero / MICRO,
            self.energy_zero / MICRO,
        )
