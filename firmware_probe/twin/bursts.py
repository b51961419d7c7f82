"""Bursts of short conversions as the sketch makes them (burst.h): when one is due, what it sums, the line it becomes."""

from dataclasses import dataclass, replace
from functools import cache
from typing import Final

import numpy as np

from firmware_probe.twin.sensor import INA226, CurrentSensor, IntArray

BURST_MIN_US: Final = 100_000
HALF: Final = 4
VALUES: Final = 2 * HALF
PER_LINE: Final = 32
_SHUNT_BITS: Final = {"INA219": 0xF << 3, "INA226": 0x7 << 3}


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
        """Add one burst; shape (VALUES,)."""
        apart = (values[:, None] - values[None, :]) ** 2
        self.within += int(apart[:HALF, :HALF].sum() + apart[HALF:, HALF:].sum()) // 2
        self.between += int(apart[:HALF, HALF:].sum())
        self.bursts += 1


class BurstRecord:
    """Timer and sums of one boot; a line after every ``PER_LINE`` bursts."""

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

    def add(self, values: IntArray, full_counts: int, time_us: int) -> str:
        """Body of the line that is due at ``time_us`` since boot, else nothing; a burst at the end of the range is left out."""
        if int(np.abs(values).max()) < full_counts:
            self.sums.add(values)
        if self.sums.bursts < PER_LINE:
            return ""
        sums, self.sums = self.sums, BurstSums()
        return f"burst,{time_us},{sums.bursts},{sums.within},{sums.between}"


@cache
def short_sensor(sensor: CurrentSensor) -> CurrentSensor:
    """The same chip with the shortest conversions of the shunt: INA219 9 bit, INA226 140 us (both are bits 0)."""
    return replace(
        sensor, configuration_value=sensor.configuration_value & ~_SHUNT_BITS[sensor.kind.name]
    )


def can_burst(sensor: CurrentSensor) -> bool:
    """A sensor that converts faster than it is read has no shorter conversions."""
    return sensor.kind is INA226 or sensor.configuration.shunt_bits == 12
