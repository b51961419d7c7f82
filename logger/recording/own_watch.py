"""What an INA228 counts itself beside the board: sums of both over the same stretches of a run."""

from dataclasses import replace
from typing import Final

from logger.base.sensor_limits import sensor_limits
from logger.board.stream import Hello, Own, Window
from logger.run.description import OwnCounted

_MICRO: Final = 1e-6
_C_PER_MAH: Final = 3.6
_J_PER_MWH: Final = 3.6
# Energy register: 16 x 3.2 x step of the current; die: 7.8125 m degrees (SBOSA20, SOURCES.md C25).
_ENERGY_STEPS: Final = 16 * 3.2
_DIE_STEP_C: Final = 7.8125e-3
_REGISTER: Final = 1 << 40


class OwnWatch:
    """Joins the sensor's ``own`` lines with the board's windows of the same numbers.

    A stretch goes from one line to the next of the same boot and the same clearing of the accumulators, with
    every window between them; what lies between stretches counts on neither side.
    """

    def __init__(self, before: OwnCounted | None) -> None:
        self.counted = before or OwnCounted()
        self._last: tuple[Own, Window] | None = None
        self._window: Window | None = None
        self._drop = self._drop_more = 0.0  # mWh in the shunt since the last line
        self._is_whole = False

    def begin(self) -> None:
        """Another boot, or the link was away: the next line begins a stretch."""
        self._last = self._window = None

    def row(self, window: Window) -> None:
        """A window, before the ``own`` line that may follow it."""
        before, self._window = self._window, window
        if before is None or window.sequence != before.sequence + 1:
            self._is_whole = False
            return
        fields = [float(text) for text in window.passed.split(b",")]
        _, pack_v, _, bus_v, mean_ma, least_ma, most_ma = fields
        hours = (window.time_us - before.time_us) * _MICRO / 3600
        self._drop += (pack_v - bus_v) * mean_ma * hours
        if mean_ma:
            ohm = 1e3 * (pack_v - bus_v) / mean_ma
            self._drop_more += 1e-3 * ohm * (most_ma - mean_ma) * (mean_ma - least_ma) * hours
        self.counted = replace(
            self.counted, peak_ma=max(self.counted.peak_ma, abs(least_ma), abs(most_ma))
        )

    def line(self, own: Own, hello: Hello) -> bool:
        """An ``own`` line; gives whether the sums have grown."""
        sheet, window, last = sensor_limits(hello.sensor), self._window, self._last
        if sheet is None or not hello.shunt_ohm or window is None:
            return False
        if window.sequence != own.sequence:
            self._last = None
            return False
        grown = False
        if last is not None and self._is_whole and last[0].clears == own.clears:
            step_a = sheet.current_step_v / hello.shunt_ohm
            self.counted = self._joined(last, (own, window), step_a)
            grown = True
        self._last = (own, window)
        self._drop = self._drop_more = 0.0
        self._is_whole = True
        return grown

    def _joined(
        self, last: tuple[Own, Window], now: tuple[Own, Window], step_a: float
    ) -> OwnCounted:
        (own_0, window_0), (own, window), sums = last, now, self.counted
        charge = _around(own.charge - own_0.charge)
        energy = (own.energy - own_0.energy) % _REGISTER
        dies_c = [_DIE_STEP_C * each.die for each in (own_0, own)]
        return replace(
            sums,
            seconds=sums.seconds + (window.time_us - window_0.time_us) * _MICRO,
            own_mah=sums.own_mah + charge * step_a / _C_PER_MAH,
            own_mwh=sums.own_mwh + energy * _ENERGY_STEPS * step_a / _J_PER_MWH,
            board_mah=sums.board_mah + (window.charge_umah - window_0.charge_umah) * _MICRO,
            board_mwh=sums.board_mwh + (window.energy_umwh - window_0.energy_umwh) * _MICRO,
            shunt_mwh=sums.shunt_mwh + self._drop,
            shunt_more_mwh=sums.shunt_more_mwh + max(self._drop_more, 0.0),
            stretches=sums.stretches + 1,
            die_least_c=min(dies_c + _known(sums.die_least_c)),
            die_most_c=max(dies_c + _known(sums.die_most_c)),
        )


def _known(value: float | None) -> list[float]:
    return [] if value is None else [value]


def _around(counts: int) -> int:
    """Difference of two readings of a signed register that may have gone round."""
    return (counts + _REGISTER // 2) % _REGISTER - _REGISTER // 2
