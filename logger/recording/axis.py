"""The run's own axes: board time and running counters of one boot after another, joined.

All in whole microseconds and millionths of mAh and mWh, as on the wire, so
that nothing drifts however long a run is.
"""

from dataclasses import dataclass
from typing import Final

from logger.board.stream import Window
from logger.run.description import Counters

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
