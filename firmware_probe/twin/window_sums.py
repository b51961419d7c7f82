"""Window statistics and running counters, in whole sensor counts and microseconds.

The same integer arithmetic as in the sketch: counts are summed as they come
from the registers, means are taken once per window, and decimals appear only in
the line. One unit for both voltages: the step of the shunt register, so that
pack = bus x ratio + shunt is a whole number.

Bursts of short conversions are as in the sketch's burst.h: when one is due, what it sums, the line it becomes.
``OwnCounters`` are those inside an INA228 (TI SBOSA20, from memory): its CURRENT register is kept equal to the
shunt register, and time is that of its own oscillator.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Final

import numpy as np

from firmware_probe.line_format import fixed
from firmware_probe.twin.sensor import INA219, INA228, CurrentSensor, IntArray, SensorKind

BURST_MIN_US: Final = 100_000
BURST_HALF: Final = 4
BURST_VALUES: Final = 2 * BURST_HALF
BURSTS_PER_LINE: Final = 32
# Bits of the shunt's conversion time, and their value in a burst.
_BURST_BITS: Final = {
    "INA219": (0xF << 3, 0),
    "INA226": (0x7 << 3, 0),
    "INA228": (0x7 << 6, 1 << 6),
}


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

        ``pack x shunt`` stays below 2^47 each and n below 2^16: no overflow in 64 bits.
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
    _charge_before_nah: int = field(default=0, init=False)
    _energy_before_nwh: int = field(default=0, init=False)

    def change(self, kind: SensorKind) -> None:
        """Another kind of sensor from here on: whole steps so far are kept, what is below one is dropped."""
        self._charge_before_nah += self.charge * self.kind.shunt_lsb_pv // self._charge_divisor
        self._energy_before_nwh += self.energy * self.kind.shunt_lsb_pv**2 // self._energy_divisor
        self.kind, self.charge, self.energy = kind, 0, 0

    @property
    def _charge_divisor(self) -> int:
        """Of counts x us x pV in 1e-6 mAh: 3.6e-6 C by the shunt in 1e-4 ohm."""
        return self.shunt_tenth_mohm * 360_000_000

    @property
    def _energy_divisor(self) -> int:
        return self.shunt_tenth_mohm * 360_000 * 10**15

    def add(self, sums: WindowSums, span_us: int) -> None:
        """Close a window: mean of its conversions times its span."""
        self.charge += sums.shunt * span_us // sums.conversions
        self.energy += sums.product * span_us // sums.conversions

    @property
    def charge_nah(self) -> int:
        """Charge in 1e-6 mAh: counts x us x lsb [pV] x 1e-12 / shunt [1e-4 ohm] / 3600 s."""
        now = rounded(self.charge * self.kind.shunt_lsb_pv, self._charge_divisor)
        return self._charge_before_nah + now

    @property
    def energy_nwh(self) -> int:
        """Energy in 1e-6 mWh, as charge with one more factor lsb [pV] x 1e-12."""
        now = rounded(self.energy * self.kind.shunt_lsb_pv**2, self._energy_divisor)
        return self._energy_before_nwh + now

    def window_body(self, sequence: int, time_us: int, sums: WindowSums) -> str:
        """Body of the ``w`` line of a window that has been added."""
        n, step = sums.conversions, self.kind.shunt_lsb_pv
        # Current in 1e-4 mA of one count: lsb [pV] x 1e-12 / (shunt x 1e-4 ohm) / 1e-7 A.
        ohm = 10 * self.shunt_tenth_mohm
        return ",".join(
            (
                f"w,{sequence},{time_us},{n}",
                fixed(rounded(sums.pack * step, 1_000_000 * n), 6),
                fixed(rounded(sums.pack_min * step, 1_000_000), 6),
                fixed(rounded(sums.bus * self.kind.bus_lsb_pv, 1_000_000 * n), 6),
                fixed(rounded(sums.shunt * step, ohm * n), 4),
                fixed(rounded(sums.shunt_min * step, ohm), 4),
                fixed(rounded(sums.shunt_max * step, ohm), 4),
                fixed(self.charge_nah, 6),
                fixed(self.energy_nwh, 6),
            )
        )


SHUNT_CAL: Final = 4096
# 3.2 x 16 x 2^20 x 10^6 over the bus step, and counts of power below one of energy.
_ENERGY_SHIFT: Final = 18
_MICRO: Final = 1_000_000
_CHARGE_BITS: Final = 40
DIE_STEP_C: Final = 7.8125e-3


def shunt_calibration(current_lsb_a: float, shunt_ohm: float) -> int:
    """SHUNT_CAL of 163.84 mV: 13107.2e6 x step of the current x shunt, cut to whole numbers.

    Raises ValueError if its 15 bits cannot hold it.
    """
    value = int(13107.2e6 * current_lsb_a * shunt_ohm + 1e-9)
    if not 0 < value < 1 << 15:
        raise ValueError(f"SHUNT_CAL of {value} does not fit its 15 bits")
    return value


def current_counts(shunt_counts: int, calibration: int) -> int:
    """CURRENT register of a shunt register's value."""
    return int(shunt_counts * SHUNT_CAL / calibration)


@dataclass
class OwnCounters:
    """Accumulators, cleared ``clears`` times since boot. ``pair_us``: of one pair by the chip's own oscillator.

    ``charge``: register 0Ah, ``energy``: 09h, as whole counts; both go round at 40 bits.
    """

    pair_us: int
    clears: int = 1
    _charge_us: int = field(default=0, init=False)
    _energy_us: int = field(default=0, init=False)

    def add(self, current: IntArray, bus: IntArray) -> None:
        """Pairs of CURRENT and VBUS counts, shape (n,)."""
        self._charge_us += int(current.sum()) * self.pair_us
        self._energy_us += int(np.dot(np.abs(current), bus)) * self.pair_us

    @property
    def charge(self) -> int:
        """Signed, in current counts x s."""
        half = 1 << _CHARGE_BITS - 1
        return (self._charge_us // _MICRO + half) % (2 * half) - half

    @property
    def energy(self) -> int:
        """In 16 x 3.2 x current step (J)."""
        return (self._energy_us // _MICRO >> _ENERGY_SHIFT) % (1 << _CHARGE_BITS)

    def body(self, sequence: int, die_c: float) -> str:
        """Body of the ``own`` line after the window ``sequence``."""
        die = round(die_c / DIE_STEP_C)
        return f"own,{sequence},{self.clears},{self.charge},{self.energy},{die}"


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

    def add(self, values: IntArray, sensor: CurrentSensor, times_us: Sequence[int]) -> list[str]:
        """Bodies of the lines that are due; a burst at the end of the range is left out.

        ``values``: shape (bursts, BURST_VALUES); ``times_us``: since boot, when each burst ended.
        """
        inside = np.flatnonzero(np.abs(values).max(axis=1) < sensor.shunt_full_counts)
        lines = []
        while inside.size:
            part = inside[: BURSTS_PER_LINE - self.sums.bursts]
            self.sums.add(burst_counts(values[part], sensor.kind))
            inside = inside[part.size :]
            if self.sums.bursts == BURSTS_PER_LINE:
                sums, self.sums = self.sums, BurstSums()
                time_us = times_us[int(part[-1])]
                lines.append(f"burst,{time_us},{sums.bursts},{sums.within},{sums.between}")
        return lines


@cache
def short_sensor(sensor: CurrentSensor) -> CurrentSensor:
    """The same chip with short conversions of the shunt: INA219 9 bit and INA228 84 us, INA226 140 us."""
    mask, value = _BURST_BITS[sensor.kind.name]
    return replace(sensor, configuration_value=sensor.configuration_value & ~mask | value)


def burst_counts(values: IntArray, kind: SensorKind) -> IntArray:
    """Shunt counts as a burst sums them: of the INA228 the upper 16 bits, rounded."""
    return values + 8 >> 4 if kind is INA228 else values


def can_burst(sensor: CurrentSensor) -> bool:
    """A sensor that converts faster than it is read has no shorter conversions."""
    return sensor.kind is not INA219 or sensor.configuration.shunt_bits == 12
