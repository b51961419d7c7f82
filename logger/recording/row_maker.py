"""Window lines -> rows of ``samples.csv``: which window can be the next one, and what is missing before it."""

from typing import Final

from firmware_probe.line_format import fixed
from logger.board.stream import Window
from logger.recording.axis import MICRO, RunAxis
from logger.recording.event_log import JOIN_S, EventLog
from logger.recording.stop_rule import StopRule

HELD_S: Final = 0.5
GAP_S: Final = 5.0  # shorter losses while the link is up are counted as noise,
GAP_ROWS: Final = 10  # and so are fewer rows than these
SEQUENCE_SPAN: Final = 2**32
OUT_OF_PLACE: Final = 3  # so many windows that cannot come next: is it another boot?


class RowMaker:
    """Takes windows of one boot after another; ``take`` the rows away.

    ``taking``: windows belong to the run. ``boot``: the boot they come from. ``over``: end reason and text
    once a stop condition was met; later windows are not taken. ``began``: a boot's first row
    was made, and counters stand elsewhere on the run's axes. ``in_doubt``: windows come that cannot.
    """

    def __init__(self, axis: RunAxis, events: EventLog, rule: StopRule, window_us: int) -> None:
        self.taking = False
        self.boot = 0
        self.over: tuple[str, str] | None = None
        self.began = False
        self.in_doubt = False
        self.link_was_lost = False
        self.rows_total = 0
        self.rows_missing = 0
        self.noise_count = 0
        self.last_window: Window | None = None
        self.last: tuple[int, int] | None = None  # sequence and board time, in this boot
        self._axis = axis
        self._events = events
        self._rule = rule
        self._rows: list[bytes] = []
        self._held: tuple[Window, float] | None = None
        self._out_of_place = 0
        self.set_window(window_us)

    def set_window(self, window_us: int) -> None:
        self.window_us = window_us
        self._step_max_us = window_us + window_us // 2
        self._join_s = max(JOIN_S, 2 * GAP_ROWS * window_us / MICRO)

    def begin_boot(self) -> None:
        """The next window is the first of another boot."""
        self.last = None
        self.taking = False
        self._out_of_place = 0

    def take(self) -> bytes:
        """Rows since the last call."""
        rows, self._rows = self._rows, []
        return b"".join(rows)

    def window(self, window: Window, now_s: float) -> None:
        """The next window line that has come."""
        if not self.taking or self.over is not None:
            return
        last = self.last
        if (
            self._held is None
            and last is not None
            and window.sequence == last[0] + 1
            and 0 < window.time_us - last[1] <= self._step_max_us
        ):
            self._accept(window)
        else:
            self._odd(window, now_s)

    def void_line(self) -> None:
        """A line that could not be taken."""
        self.noise_count += 1
        self._events.trouble(self._axis.time_s, lines=1, join_s=self._join_s)

    def release(self, now_s: float = float("inf")) -> None:
        """Take the window that is being held, if it has waited long enough."""
        if self._held is not None and now_s - self._held[1] > HELD_S:
            held, self._held = self._held[0], None
            self._accept_after_loss(held)

    def _accept(self, window: Window) -> None:
        axis = self._axis
        self.last = (window.sequence, window.time_us)
        self.last_window = window
        time_us = axis.time_us = window.time_us + axis.time_zero_us
        charge = axis.charge = window.charge_umah + axis.charge_zero
        energy = axis.energy = window.energy_umwh + axis.energy_zero
        if window.current_max_ma > axis.peak_ma:
            axis.peak_ma = window.current_max_ma
        second, micro = divmod(time_us, MICRO)
        start = (second, micro, window.sequence, self.boot, window.passed)
        if charge >= 0 and energy >= 0:
            end = (*divmod(charge, MICRO), *divmod(energy, MICRO))
            self._rows.append(b"%d.%06d,%d,%d,%b,%d.%06d,%d.%06d\r\n" % (*start, *end))
        else:
            numbers = f"{fixed(charge, 6)},{fixed(energy, 6)}".encode()
            self._rows.append(b"%d.%06d,%d,%d,%b,%b\r\n" % (*start, numbers))
        self.rows_total += 1
        self.over = self._rule.row(time_us, window.pack_v, charge)

    def _odd(self, window: Window, now_s: float) -> None:
        """Not the very next one: the first of a boot, after a loss, or a damaged line with a right CRC.

        A window after a loss is held until the next one agrees with it, so that a
        chance match of the CRC cannot throw the run's time forward for good.
        """
        if self._held is not None:
            held, self._held = self._held[0], None
            if _follows(window, (held.sequence, held.time_us)):
                self._accept_after_loss(held)
            else:
                self.void_line()
            self.window(window, now_s)
        elif self.last is None:
            if self._axis.boot is None:
                self._axis.begin_run(self.boot, window, self.window_us)
            self.began = True
            self._accept(window)
        elif _follows(window, self.last):
            self._held = (window, now_s)
        else:
            self.void_line()
            self._out_of_place += 1
            self.in_doubt = self._out_of_place % 10 == OUT_OF_PLACE

    def _accept_after_loss(self, window: Window) -> None:
        assert self.last is not None
        before_s = self._axis.time_s
        rows = (window.sequence - self.last[0]) % SEQUENCE_SPAN - 1
        span_s = (window.time_us - self.last[1]) / MICRO
        self._out_of_place = 0
        self.rows_missing += rows
        self.noise_count += rows
        link_was_lost, self.link_was_lost = self.link_was_lost, False
        if rows and (span_s < GAP_S or rows < GAP_ROWS) and not link_was_lost:
            self._events.trouble(before_s, rows=rows, join_s=self._join_s)
        elif rows or span_s >= max(GAP_S, 2 * self._step_max_us / MICRO):
            text = f"{span_s:.1f} s without a row ({rows} rows lost); charge and energy go on from the board's counters"
            lost = {"rows": rows, "span_s": span_s, "charge_mah": 0.0}
            self._events.add(before_s, "gap", text, lost)
        self._accept(window)


def _follows(window: Window, last: tuple[int, int]) -> bool:
    """Whether the window can come after ``last`` (sequence, board time) in the same boot."""
    steps = (window.sequence - last[0]) % SEQUENCE_SPAN
    return 0 < steps < SEQUENCE_SPAN // 2 and window.time_us > last[1]
