"""The board's windows one after another: where each ends, what it has summed, the line it becomes."""

import numpy as np

from firmware_probe.twin.sensor import IntArray, SensorKind
from firmware_probe.twin.window_sums import Counters, WindowSums


class WindowGrid:
    """Windows since boot, in microseconds of the board's clock; lines only while it ``is_running``."""

    def __init__(self, window_us: int, now_us: int, counters: Counters) -> None:
        self.window_us = self.next_window_us = window_us
        self.end_us = now_us + window_us
        self.is_running = False
        self.started_us = now_us
        self.overflows = 0
        self._counters = counters
        self._sums = WindowSums()
        self._sequence = 0
        self.last_sequence: int | None = None
        self._start_us = now_us
        self._is_cut_short = False

    @property
    def is_empty(self) -> bool:
        """No conversion yet in the present window."""
        return self._sums.conversions == 0

    def start(self, now_us: int) -> None:
        """Send lines from the next whole window on."""
        if not self.is_running:
            self.is_running = True
            self.started_us = now_us
            self._is_cut_short = now_us > self._start_us

    def stop(self) -> None:
        self.is_running = False

    def add(self, shunt: IntArray, bus: IntArray, pack: IntArray, full_counts: int) -> None:
        """Add conversion pairs, shape (n,); those at the end of the range are lost, never a number."""
        if int(shunt.max()) >= full_counts or int(shunt.min()) <= -full_counts:
            inside = np.abs(shunt) < full_counts
            self.overflows += int(shunt.size - np.count_nonzero(inside))
            shunt, bus, pack = shunt[inside], bus[inside], pack[inside]
        if shunt.size:
            self._sums.add(shunt, bus, pack)

    def change_sensor(self, kind: SensorKind) -> None:
        """Another kind counts in other steps: what the window has so far is void, its time stays with it."""
        self._sums = WindowSums()
        self._counters.change(kind)

    def close(self, now_us: int, time_us: int) -> str:
        """Count the window in; body of its line at ``time_us`` since boot, empty if none is to be sent."""
        self._counters.add(self._sums, now_us - self._start_us)
        body = ""
        if self.is_running and not self._is_cut_short:
            body = self._counters.window_body(self._sequence, time_us, self._sums)
            self.last_sequence = self._sequence
            self._sequence = (self._sequence + 1) & 0xFFFFFFFF
        self._is_cut_short = False
        self._start_us = now_us
        self._sums = WindowSums()
        return body

    def go_on(self, now_us: int) -> None:
        """The nominal grid goes on; after a long stall it starts anew from here."""
        self.window_us = self.next_window_us
        self.end_us += self.window_us
        if self.end_us <= now_us:
            self.end_us = now_us + self.window_us
