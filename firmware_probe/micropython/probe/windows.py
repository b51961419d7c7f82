"""Windows one after another: where each ends, its charge and energy, and what waits for its line."""

from .cutoff import MASK
from .totals import Total
from .units import Units
from .window import CONVERSIONS_MAX, ClosedWindow, Window

_HALF = 0x20000000
WINDOW_US = 100000


class Windows:
    """Ticks wrap after 2^30 us; board time does not."""

    def __init__(self, now: int) -> None:
        self.window = Window()
        self.closed = ClosedWindow()
        self.running = False  # the host wants window lines
        self.next_us = WINDOW_US
        self.line_due = False  # the line of `closed` is not out yet
        self.work_due = 0  # 2: charge and energy are to be added, 1: energy
        self._whole = False  # it ran when this window began
        self._sequence = 0
        self._end = now
        self._began_us = 0
        self._last = now
        self._time_us = 0
        self._totals_due = False
        self._charge = Total()
        self._energy = Total()
        self._shunt_sum = self._power_sum = self._conversions = self._span_us = 0
        self._ratio = 1
        self.begin(now)

    def now_us(self, now: int) -> int:
        """Board time in 64 bits; to be asked at least once in the ticks' 17 minutes."""
        self._time_us += (now - self._last) & MASK
        self._last = now
        return self._time_us

    def use_units(self, units: Units) -> None:
        """A sensor of the other kind counts in other steps: the window so far is void."""
        self.finish_work()
        self._charge.set_divisor(units.charge_divisor)
        self._energy.set_divisor(units.energy_divisor)
        self._ratio = units.pack_ratio
        self.window.use(units.wide)

    def stop(self) -> None:
        self.running = self._whole = False

    def over(self, now: int) -> bool:
        window = self.window
        return (
            (now - self._end) & MASK < _HALF or window.full or window.conversions == CONVERSIONS_MAX
        )

    def end(self, now: int) -> None:
        if self.window.conversions:
            self._close(now)
        # Else the time of the one that ended belongs to the next.
        self.begin(now)

    def begin(self, now: int) -> None:
        """The grid of window ends goes on; after a long stall it starts anew from here."""
        self._whole = self.running
        # As a difference: a sum beyond 30 bits would be, and stay, a long integer.
        back_us = MASK - self.next_us + 1
        self._end = (self._end - back_us) & MASK
        if (now - self._end) & MASK < _HALF:
            self._end = (now - back_us) & MASK

    def _close(self, now: int) -> None:
        self.finish_work()
        window = self.window
        window.fold()
        time_us = self.now_us(now)
        self._span_us = time_us - self._began_us
        self._shunt_sum = window.shunt_sum
        self._power_sum = window.bus_shunt_sum * self._ratio + window.shunt_square_sum
        self._conversions = window.conversions
        self.work_due = 2
        if self._whole:
            self._keep(time_us)
        self._began_us = time_us
        window.clear()

    # While an older line is still on its way out, this one's is lost, which the next sequence number
    # tells; its charge is not.
    def _keep(self, time_us: int) -> None:
        sequence = self._sequence
        self._sequence = (sequence + 1) & 0xFFFFFFFF
        if self.line_due:
            return
        self.line_due = self._totals_due = True
        window, closed = self.window, self.closed
        closed.sequence, closed.time_us = sequence, time_us
        closed.conversions = window.conversions
        closed.bus_sum = window.bus_sum * self._ratio
        closed.pack_sum = closed.bus_sum + window.shunt_sum
        closed.pack_min = window.pack_min
        closed.shunt_sum = window.shunt_sum
        closed.shunt_min, closed.shunt_max = window.shunt_min, window.shunt_max

    def work(self) -> None:
        """First the window's charge, then its energy, one a call."""
        self.work_due -= 1
        if self.work_due == 1:
            self._charge.add(self._shunt_sum, self._conversions, self._span_us)
            return
        self._energy.add(self._power_sum, self._conversions, self._span_us)
        if self._totals_due:
            self._totals_due = False
            self.closed.charge_steps = self._charge.rounded_steps()
            self.closed.energy_steps = self._energy.rounded_steps()

    def finish_work(self) -> None:
        while self.work_due:
            self.work()
