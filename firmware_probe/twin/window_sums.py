"""Window statistics, running counters and bursts, in whole sensor counts and microseconds.

The same integer arithmetic as in the sketch: counts are summed as they come
from the registers, means are taken once per window, and decimals appear only in
the line. One unit for both voltages: the step of the shunt register, so that
pack = bus x ratio + shunt is a whole number.

Bursts of short conversions are as in the sketch's burst.h: when one is due, what it sums, the line it becomes.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Final

import numpy as np

from firmware_probe.line_format import fixed
from firmware_probe.twin.sensor import INA226, CurrentSensor, IntArray, SensorKind

BURST_MIN_US: Final = 100_000
BURST_HALF: Final = 4
BURST_VALUES: Final = 2 * BURST_HALF
BURSTS_PER_LINE: Final = 32
_SHUNT_BITS: Final = {"INA219": 0xF << 3, "INA226": 0x7 << 3}


def rounded(numerator: int, denominator: int) -> int:
    """Quotient rounded half away from zero; ``denominator`` > 0."""
    half = denominator // 2
    if numerator < 0:
        return -((-numerator + half) // denominator)
    return (numerator + half) // denominator


@dataclass
class WindowSums:
    """Sums of one window: voltage in shunt steps (``pack``) and bus counts, current in shunt counts."""

    conversions: int = 0
    shunt: int = 0
    shunt_min: int = 0
    shunt_max: int = 0
    bus: int = 0
    pack: int = 0
    pack_min: int = 0
    product: int = 0

    def add(self, shunt: IntArray, bus: IntArray, pack: IntArray) -> None:
        """Add conversion pairs, arrays of shape (n,) with n > 0.

        ``pack x shunt`` stays below 2^39 each and n below 2^16: no overflow in 64 bits.
        """
        shunt_min, shunt_max, pack_min = int(shunt.min()), int(shunt.max()), int(pack.min())
        if self.conversions:
            self.shunt_min = min(self.shunt_min, shunt_min)
            self.shunt_max = max(self.shunt_max, shunt_max)
            self.pack_min = min(self.pack_min, pack_min)
        else:
            self.shunt_min, self.shunt_max, self.pack_min = shunt_min, shunt_max, pack_min
        self.conversions += shunt.size
        self.shunt += int(shunt.sum())
        self.bus += int(bus.sum())
        self.pack += int(pack.sum())
        self.product += int(np.dot(pack, shunt))


@dataclass
class Counters:
    """Charge and energy since boot.

    ``charge`` in shunt counts x us, ``energy`` in shunt steps x shunt counts x us, exact but for
    the division of each window's sum by its conversions (below one count x us). The sketch
    keeps the same value as two 64-bit parts: whole steps of the line, and the rest.
    """

    kind: SensorKind
    shunt_tenth_mohm: int
    charge: int = field(default=0, init=False)
    energy: int = field(default=0, init=False)

    def add(self, sums: WindowSums, span_us: int) -> None:
        """Close a window: mean of its conversions times its span."""
        self.charge += sums.shunt * span_us // sums.conversions
        self.energy += sums.product * span_us // sums.conversions

    @property
    def charge_nah(self) -> int:
        """Charge in 1e-6 mAh: counts x us x lsb [nV] x 1e-9 / shunt [1e-4 ohm] / 3600 s."""
        return rounded(self.charge * self.kind.shunt_lsb_nv, self.shunt_tenth_mohm * 360_000)

    @property
    def energy_nwh(self) -> int:
        """Energy in 1e-6 mWh, as charge with one more factor lsb [nV] x 1e-9."""
        step = self.kind.shunt_lsb_nv
        return rounded(self.energy * step * step, self.shunt_tenth_mohm * 360_000 * 10**9)

    def window_body(self, sequence: int, time_us: int, sums: WindowSums) -> str:
        """Body of the ``w`` line of a window that has been added."""
        n, step = sums.conversions, self.kind.shunt_lsb_nv
        # Current in 1e-4 mA of one count: lsb [nV] x 1e-9 / (shunt x 1e-4 ohm) / 1e-7 A.
        ohm = self.shunt_tenth_mohm
        return ",".join(
            (
                f"w,{sequence},{time_us},{n}",
                fixed(rounded(sums.pack * step, 1000 * n), 6),
                fixed(rounded(sums.pack_min * step, 1000), 6),
                fixed(rounded(sums.bus * self.kind.bus_lsb_uv, n), 6),
                fixed(rounded(sums.shunt * step * 100, ohm * n), 4),
                fixed(rounded(sums.shunt_min * step * 100, ohm), 4),
                fixed(rounded(sums.shunt_max * step * 100, ohm), 4),
                fixed(self.charge_nah, 6),
                fixed(self.energy_nwh, 6),
            )
        )


class BurstTimer:
    """When the next burst is due: half to one and a half of the asked time after the last, at no fixed beat."""

    def __init__(self) -> None:
        self.period_us = 0
        self.due_us = 0
        self._state = 0xACE1

    def set(self, period_us: int, now_us: int) -> None:
        self.period_us = period_us
        self.due_us = now_us + period_us

    def began(self, now_us: int) -> None:
        """A burst begins: a 16-bit shift register with taps 16, 14, 13, 11 says when the next one does."""
        state = self._state
        bit = (state ^ state >> 2 ^ state >> 3 ^ state >> 5) & 1
        self._state = state >> 1 | bit << 15
        self.due_us = now_us + self.period_us // 2 + (self.period_us >> 8) * (self._state & 0xFF)


@dataclass
class BurstSums:
    """Squared differences of the pairs within a half and between the halves, in counts squared."""

    bursts: int = 0
    within: int = 0
    between: int = 0

    def add(self, values: IntArray) -> None:
        """Add bursts; shape (bursts, BURST_VALUES)."""
        # Squared differences of all pairs of n values: n times the squares less the square of the sum.
        halves = values.reshape(-1, 2, BURST_HALF)
        sums, squares = halves.sum(axis=2), (halves * halves).sum(axis=2)
        within = int((BURST_HALF * squares - sums * sums).sum())
        both = int((BURST_VALUES * squares.sum(axis=1) - sums.sum(axis=1) ** 2).sum())
        self.within += within
        self.between += both - within
        self.bursts += len(values)


class BurstRecord:
    """Timer and sums of one boot; a line after every ``BURSTS_PER_LINE`` bursts."""

    def __init__(self) -> None:
        self.timer = BurstTimer()
        self.sums = BurstSums()

    def set(self, period_us: int, now_us: int) -> None:
        """The host asks for bursts, or for none."""
        self.timer.set(period_us, now_us)
        self.clear()

    def clear(self) -> None:
        """The counts mean something else from here on."""
        self.sums = BurstSums()

    def add(self, values: IntArray, full_counts: int, times_us: Sequence[int]) -> list[str]:
        """Bodies of the lines that are due; a burst at the end of the range is left out.

        ``values``: shape (bursts, BURST_VALUES); ``times_us``: since boot, when each burst ended.
        """
        inside = np.flatnonzero(np.abs(values).max(axis=1) < full_counts)
        lines = []
        while inside.size:
            part = inside[: BURSTS_PER_LINE - self.sums.bursts]
            self.sums.add(values[part])
            inside = inside[part.size :]
            if self.sums.bursts == BURSTS_PER_LINE:
                sums, self.sums = self.sums, BurstSums()
                time_us = times_us[int(part[-1])]
                lines.append(f"burst,{time_us},{sums.bursts},{sums.within},{sums.between}")
        return lines


@cache
def short_sensor(sensor: CurrentSensor) -> CurrentSensor:
    """The same chip with the shortest conversions of the shunt: INA219 9 bit, INA226 140 us (both are bits 0)."""
    return replace(
        sensor, configuration_value=sensor.configuration_value & ~_SHUNT_BITS[sensor.kind.name]
    )


def can_burst(sensor: CurrentSensor) -> bool:
    """A sensor that converts faster than it is read has no shorter conversions."""
    return sensor.kind is INA226 or sensor.configuration.shunt_bits == 12
