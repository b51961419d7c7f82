"""INA219, INA226 and INA228 as a board meets them: counts with the errors of a real chip.

``CurrentSensor`` turns true volts and amperes into register counts with gain error,
offset, noise and quantisation. Limits come from TI SBOS448G, TI SBOS547B and (from memory) TI SBOSA20; noise has no
limit in them, so its size is invented and marked so (``sensor_registers``).
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from firmware_probe.twin.sensor_registers import (
    INA219,
    INA226,
    INA228,
    KINDS,
    Configuration,
    SensorKind,
    decode_configuration,
)

__all__ = [
    "INA219",
    "INA226",
    "INA228",
    "KINDS",
    "NO_ERRORS",
    "CurrentSensor",
    "PlantedErrors",
    "SensorKind",
    "draw_errors",
]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class PlantedErrors:
    """What is wrong with this one chip and shunt: the truth that a test may know.

    Measured shunt voltage = true x (1 + ``shunt_gain``) + offset of the gain range;
    bus alike. ``shunt_ohm_error``: the resistor against its marking, relative.
    ``common_uv_per_v``: offset per V that the inputs stand off the sheet's 12 V (common-mode rejection).
    ``clock``: the chip's conversion time against the typical one.
    """

    shunt_gain: float = 0.0
    shunt_offset_uv: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    bus_gain: float = 0.0
    bus_offset_v: float = 0.0
    shunt_ohm_error: float = 0.0
    clock: float = 1.0
    noise: float = 1.0
    common_uv_per_v: float = 0.0


# At which the sheets state the offset (TI SBOS448G 7.5, SBOS547B 6.5).
SHEET_COMMON_V: Final = 12.0
NO_ERRORS: Final = PlantedErrors(noise=0.0)
SHUNT_TOLERANCE: Final = 0.01  # 1 % resistor: common practice on such boards, no source


def draw_errors(kind: SensorKind, rng: np.random.Generator) -> PlantedErrors:
    """Errors of one chip, drawn as normal with the sheet's typical value as standard deviation.

    Draws beyond the sheet's limit are drawn again: such chips are not sold. The shunt's
    tolerance is taken as three standard deviations.
    """

    def within(typ: float, limit: float) -> float:
        while True:
            value = float(rng.normal(0.0, typ))
            if abs(value) <= limit:
                return value

    shape = within(1.0, 3.0)
    offsets = tuple(
        float(np.clip(shape * typ, -limit, limit))
        for typ, limit in zip(kind.shunt_offset_typ_uv, kind.shunt_offset_max_uv, strict=True)
    )
    return PlantedErrors(
        shunt_gain=within(kind.shunt_gain_typ, kind.shunt_gain_max),
        shunt_offset_uv=offsets,
        bus_gain=within(kind.bus_gain_typ, kind.bus_gain_max),
        bus_offset_v=within(kind.bus_offset_typ_v, kind.bus_offset_max_v),
        shunt_ohm_error=within(SHUNT_TOLERANCE / 3.0, SHUNT_TOLERANCE),
        clock=1.0 + within((kind.clock_max - 1.0) / 3.0, kind.clock_max - 1.0),
    )


# Firmware settings: shunt and bus continuous. INA219: 32 V, 320 mV, 12 bit, no averaging in
# the chip. INA226: 1.1 ms each, no averaging. INA228: 540 us each and 50 us for its temperature.
DEFAULT_CONFIGURATION: Final = {"INA219": 0x399F, "INA226": 0x4127, "INA228": 0xF900}
# Manufacturer and die as the identification registers have them; the INA219 has none.
CHIP_IDS: Final = {"INA219": "0000.0000", "INA226": "5449.2260", "INA228": "5449.2281"}


@dataclass(frozen=True)
class CurrentSensor:
    """A sensor with its shunt: turns true volts and amperes into register counts.

    ``shunt_ohm`` is the marking that the firmware reckons with; the true resistance is
    ``shunt_true_ohm``. ``ids``: what its identification registers hold, empty: as the sheet has them.
    """

    kind: SensorKind = INA219
    shunt_ohm: float = 0.1
    address: int = 0x40
    configuration_value: int = -1
    errors: PlantedErrors = NO_ERRORS
    ids: str = ""

    def __post_init__(self) -> None:
        if self.configuration_value < 0:
            object.__setattr__(self, "configuration_value", DEFAULT_CONFIGURATION[self.kind.name])
        if not self.ids:
            object.__setattr__(self, "ids", CHIP_IDS[self.kind.name])
        if not 0.0001 <= self.shunt_ohm <= 1000.0:
            raise ValueError(f"shunt of {self.shunt_ohm} ohm: 0.0001 to 1000 is possible")
        setting = self.configuration
        if not (setting.continuous and setting.converts_shunt and setting.converts_bus):
            raise ValueError("the board needs a sensor that converts shunt and bus continuously")

    @cached_property
    def configuration(self) -> Configuration:
        return decode_configuration(self.kind, self.configuration_value)

    @cached_property
    def is_named(self) -> bool:
        """Whether its identification registers say what it is."""
        manufacturer, die = CHIP_IDS[self.kind.name].split(".")
        return manufacturer != "0000" and self.ids.startswith(f"{manufacturer}.{die[:3]}")

    @cached_property
    def shunt_true_ohm(self) -> float:
        return self.shunt_ohm * (1.0 + self.errors.shunt_ohm_error)

    @cached_property
    def shunt_time_ns(self) -> int:
        """Time of one shunt conversion of this very chip, its clock error included."""
        return round(self.configuration.shunt_time_us * self.errors.clock * 1000)

    @cached_property
    def pair_time_ns(self) -> int:
        return round(self.configuration.pair_time_us * self.errors.clock * 1000)

    @cached_property
    def shunt_full_counts(self) -> int:
        """Greatest count of the gain range; a conversion that reads it is an overflow."""
        range_pv = round(self.kind.shunt_ranges_mv[self.configuration.gain] * 1e9)
        return min(range_pv // self.kind.shunt_lsb_pv, self.kind.shunt_end_counts)

    @cached_property
    def range_ma(self) -> float:
        return self.kind.shunt_ranges_mv[self.configuration.gain] / self.shunt_ohm

    def with_gain(self, gain: int) -> "CurrentSensor":
        """The same chip in another shunt range (INA219 only)."""
        value = (self.configuration_value & ~0x1800) | gain << 11
        return replace(self, configuration_value=value)

    def convert_shunt(
        self,
        current_a: float | FloatArray,
        count: int,
        rng: np.random.Generator,
        common_v: float | FloatArray = SHEET_COMMON_V,
    ) -> IntArray:
        """Shunt register of ``count`` conversions; ``current_a`` (A), ``common_v`` (V) scalar or of shape (count,)."""
        setting = self.configuration
        step_v = self.kind.shunt_lsb_pv * 1e-12
        offset_uv: float | FloatArray = self.errors.shunt_offset_uv[setting.gain]
        if self.errors.common_uv_per_v:
            offset_uv = offset_uv + self.errors.common_uv_per_v * (common_v - SHEET_COMMON_V)
        offset_v = offset_uv * 1e-6
        ideal = (
            current_a * (self.shunt_true_ohm * (1.0 + self.errors.shunt_gain)) + offset_v
        ) / step_v
        # An INA219 of fewer bits leaves the lowest register bits 0 (step sizes: from memory).
        coarse = 1 << (12 - setting.shunt_bits) if setting.shunt_bits < 12 else 1
        full = self.shunt_full_counts
        return _quantise(ideal, self._shunt_noise_lsb, coarse, -full, full, count, rng)

    def convert_bus(
        self, bus_v: float | FloatArray, count: int, rng: np.random.Generator
    ) -> IntArray:
        """Bus counts (already shifted) of ``count`` conversions; ``bus_v`` scalar or (count,), V."""
        setting = self.configuration
        step_v = self.kind.bus_lsb_pv * 1e-12
        ideal = (bus_v * (1.0 + self.errors.bus_gain) + self.errors.bus_offset_v) / step_v
        coarse = 1 << (12 - setting.bus_bits) if setting.bus_bits < 12 else 1
        full = self.kind.bus_full_counts
        if self.kind is INA219 and setting.bus_range_v == 16.0:
            full //= 2
        return _quantise(ideal, self._bus_noise_lsb, coarse, 0, full, count, rng)

    @cached_property
    def _shunt_noise_lsb(self) -> float:
        return self._noise_lsb(self.kind.shunt_noise_lsb, self.configuration.shunt_time_us)

    @cached_property
    def _bus_noise_lsb(self) -> float:
        return self._noise_lsb(self.kind.bus_noise_lsb, self.configuration.bus_time_us)

    def _noise_lsb(self, single_lsb: float, time_us: float) -> float:
        """Noise of one result: falls with the square root of the time it integrates over."""
        return self.errors.noise * single_lsb * math.sqrt(self.kind.noise_conversion_us / time_us)


def _quantise(
    ideal: float | FloatArray,
    noise_lsb: float,
    coarse: int,
    low: int,
    high: int,
    count: int,
    rng: np.random.Generator,
) -> IntArray:
    """Counts of ``count`` noisy conversions, rounded to steps and held within the range."""
    if noise_lsb > 0.0:
        values = rng.standard_normal(count)
        values *= noise_lsb
        values += ideal
    else:
        values = np.full(count, ideal, dtype=np.float64) if np.ndim(ideal) == 0 else np.array(ideal)
    if coarse > 1:
        values /= coarse
    np.rint(values, out=values)
    if coarse > 1:
        values *= coarse
    # The range is left so seldom that looking first is cheaper than clipping always.
    if values.size and (values.min() < low or values.max() > high):
        np.clip(values, low, high, out=values)
    return values.astype(np.int64)
