"""The computer's clocks beside the board's: anchors for the analysis, run time while the board is away, and how long a pause was."""

from typing import Any, Final

from logger.base.clock import Anchors, Moment, pause_since
from logger.base.durations import clock_text
from logger.recording.axis import HostTie
from logger.run.description import Description

TAKEN_UP: Final = "recording was taken up again"


class HostTime:
    """Ties the run's time to the computer's. ``boot``, ``keeps_time``: as ``logger.base.clock`` tells them."""

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
