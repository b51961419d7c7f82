"""INA219 and INA226 as a board meets them: registers, conversions, errors of a real chip.

Register arithmetic is that of the data sheets TI SBOS448 (INA219) and TI SBOS547
(INA226); ``Registers`` can be checked bit by bit against their worked examples.
``CurrentSensor`` adds what a chip of flesh and blood does: gain error, offset,
noise and quantisation. Limits come from the same sheets; noise has no limit in
them, so its size is invented and marked so.
"""

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

CONFIGURATION: Final = 0x00
SHUNT: Final = 0x01
BUS: Final = 0x02
POWER: Final = 0x03
CURRENT: Final = 0x04
CALIBRATION: Final = 0x05
MASK_ENABLE: Final = 0x06
ALERT_LIMIT: Final = 0x07
MANUFACTURER_ID: Final = 0xFE
DIE_ID: Final = 0xFF

_RESET_BIT: Final = 0x8000


@dataclass(frozen=True)
class SensorKind:
    """What the data sheet fixes for a kind of sensor.

    Limits: ``*_typ`` and ``*_max`` of the sheet; the shunt offset of the INA219
    stands per gain range. ``shunt_noise_lsb`` and ``bus_noise_lsb`` are one standard
    deviation of a single conversion of ``noise_conversion_us``: invented.
    """

    name: str
    shunt_lsb_nv: int
    bus_lsb_uv: int
    bus_shift: int
    bus_full_counts: int
    configuration_reset: int
    current_divisor: int
    power_divisor: int
    calibration_constant: float
    shunt_ranges_mv: tuple[float, ...]
    shunt_offset_typ_uv: tuple[float, ...]
    shunt_offset_max_uv: tuple[float, ...]
    shunt_gain_typ: float
    shunt_gain_max: float
    bus_gain_typ: float
    bus_gain_max: float
    bus_offset_typ_v: float
    bus_offset_max_v: float
    clock_max: float
    noise_conversion_us: float
    shunt_noise_lsb: float
    bus_noise_lsb: float

    @property
    def pack_ratio(self) -> int:
        """Shunt steps in one bus step: pack counts = bus x ratio + shunt, in shunt steps."""
        return self.bus_lsb_uv * 1000 // self.shunt_lsb_nv


# TI SBOS448G 7.5 (A grade) and 8.6. Bus offset of the INA219 is not specified: one
# step is taken as the limit. Conversion time 532 us typical, 586 us maximum.
INA219: Final = SensorKind(
    name="INA219",
    shunt_lsb_nv=10_000,
    bus_lsb_uv=4_000,
    bus_shift=3,
    bus_full_counts=8_000,
    configuration_reset=0x399F,
    current_divisor=4096,
    power_divisor=5_000,
    calibration_constant=0.04096,
    shunt_ranges_mv=(40.0, 80.0, 160.0, 320.0),
    shunt_offset_typ_uv=(10.0, 20.0, 30.0, 40.0),
    shunt_offset_max_uv=(100.0, 125.0, 150.0, 200.0),
    shunt_gain_typ=0.002,
    shunt_gain_max=0.005,
    bus_gain_typ=0.002,
    bus_gain_max=0.005,
    bus_offset_typ_v=0.002,
    bus_offset_max_v=0.004,
    clock_max=586 / 532,
    noise_conversion_us=532.0,
    shunt_noise_lsb=0.8,
    bus_noise_lsb=0.4,
)
# TI SBOS547B 6.5 and 7.6. Conversion time 1.1 ms typical, maximum 1.21 ms.
INA226: Final = SensorKind(
    name="INA226",
    shunt_lsb_nv=2_500,
    bus_lsb_uv=1_250,
    bus_shift=0,
    bus_full_counts=0x7FFF,
    configuration_reset=0x4127,
    current_divisor=2048,
    power_divisor=20_000,
    calibration_constant=0.00512,
    shunt_ranges_mv=(81.92,),
    shunt_offset_typ_uv=(2.5,),
    shunt_offset_max_uv=(10.0,),
    shunt_gain_typ=0.0002,
    shunt_gain_max=0.001,
    bus_gain_typ=0.0002,
    bus_gain_max=0.001,
    bus_offset_typ_v=0.00125,
    bus_offset_max_v=0.0075,
    clock_max=1.1,
    noise_conversion_us=1100.0,
    shunt_noise_lsb=1.0,
    bus_noise_lsb=0.4,
)
KINDS: Final = {kind.name: kind for kind in (INA219, INA226)}

_INA219_BITS_US: Final = (84, 148, 276, 532)
_INA226_TIMES_US: Final = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
_INA226_AVERAGES: Final = (1, 4, 16, 64, 128, 256, 512, 1024)
_MODE_SHUNT: Final = 0b001
_MODE_BUS: Final = 0b010
_MODE_CONTINUOUS: Final = 0b100


@dataclass(frozen=True)
class Configuration:
    """Decoded configuration register.

    ``*_time_us`` is the typical time of one whole result, averaging included;
    ``*_averages`` how many conversions the chip averages for it; ``*_bits``
    its resolution; ``gain`` the index of the shunt range.
    """

    gain: int
    bus_range_v: float
    shunt_time_us: float
    bus_time_us: float
    shunt_averages: int
    bus_averages: int
    shunt_bits: int
    bus_bits: int
    mode: int

    @property
    def continuous(self) -> bool:
        return bool(self.mode & _MODE_CONTINUOUS) and self.mode != _MODE_CONTINUOUS

    @property
    def converts_shunt(self) -> bool:
        return bool(self.mode & _MODE_SHUNT)

    @property
    def converts_bus(self) -> bool:
        return bool(self.mode & _MODE_BUS)

    @property
    def pair_time_us(self) -> float:
        """Typical time of one voltage-and-current pair: the chip converts one after the other."""
        shunt_us = self.shunt_time_us if self.converts_shunt else 0.0
        return shunt_us + (self.bus_time_us if self.converts_bus else 0.0)


def _ina219_adc(code: int) -> tuple[int, int, float]:
    """(bits, averages, time in us) of a 4-bit ADC field, TI SBOS448G Table 5."""
    if code & 0b1000:
        averages = 1 << (code & 0b0111)
        # 1.06, 2.13 ... 68.10 ms of the table are n x 532 us.
        return 12, averages, 532.0 * averages
    bits = code & 0b0011
    return 9 + bits, 1, float(_INA219_BITS_US[bits])


def decode_configuration(kind: SensorKind, value: int) -> Configuration:
    """Configuration of a register value (TI SBOS448G 8.6.2.1, TI SBOS547B 7.6.1)."""
    if kind.name == "INA219":
        bus_bits, bus_averages, bus_us = _ina219_adc(value >> 7 & 0xF)
        shunt_bits, shunt_averages, shunt_us = _ina219_adc(value >> 3 & 0xF)
        return Configuration(
            gain=value >> 11 & 0x3,
            bus_range_v=32.0 if value & 0x2000 else 16.0,
            shunt_time_us=shunt_us,
            bus_time_us=bus_us,
            shunt_averages=shunt_averages,
            bus_averages=bus_averages,
            shunt_bits=shunt_bits,
            bus_bits=bus_bits,
            mode=value & 0x7,
        )
    averages = _INA226_AVERAGES[value >> 9 & 0x7]
    return Configuration(
        gain=0,
        bus_range_v=40.96,
        shunt_time_us=float(_INA226_TIMES_US[value >> 3 & 0x7] * averages),
        bus_time_us=float(_INA226_TIMES_US[value >> 6 & 0x7] * averages),
        shunt_averages=averages,
        bus_averages=averages,
        shunt_bits=16,
        bus_bits=16,
        mode=value & 0x7,
    )


def calibration_register(kind: SensorKind, current_lsb_a: float, shunt_ohm: float) -> int:
    """Calibration value: trunc(0.04096 / (LSB R)) for the INA219, 0.00512 for the INA226.

    A quotient that misses a whole number only by floating point is taken as
    that number (TI SBOS448G eq. 1 with 1 mA and 2 mOhm is 20480, not 20480.000000000004).
    Raises ValueError if the register cannot hold it.
    """
    exact = kind.calibration_constant / (current_lsb_a * shunt_ohm)
    near = round(exact)
    value = near if math.isclose(exact, near, rel_tol=1e-12) else math.trunc(exact)
    if not 0 < value <= (0xFFFE if kind is INA219 else 0x7FFF):
        raise ValueError(
            f"calibration {value} does not fit the register: current step of {current_lsb_a} A is out of range"
        )
    return value & 0xFFFE if kind is INA219 else value


def _signed(value: int) -> int:
    return value - 0x10000 if value & 0x8000 else value


@dataclass
class Registers:
    """The chip's registers; ``latch`` is the end of one conversion pair.

    Raises KeyError on a register that this kind does not have: the INA219 has no
    identification registers.
    """

    kind: SensorKind
    _values: dict[int, int] = field(init=False)
    _ready: bool = field(default=False, init=False)
    _overflow: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Power-on values of all registers."""
        self._values = dict.fromkeys((SHUNT, BUS, POWER, CURRENT, CALIBRATION), 0)
        self._values[CONFIGURATION] = self.kind.configuration_reset
        if self.kind is INA226:
            self._values |= {
                MASK_ENABLE: 0,
                ALERT_LIMIT: 0,
                MANUFACTURER_ID: 0x5449,
                DIE_ID: 0x2260,
            }
        self._ready = self._overflow = False

    @property
    def configuration(self) -> Configuration:
        return decode_configuration(self.kind, self._values[CONFIGURATION])

    def write(self, register: int, value: int) -> None:
        """I2C write of 16 bits; measured and identification registers ignore it."""
        self._values[register]
        if register == CONFIGURATION:
            if value & _RESET_BIT:
                self.reset()
                return
            self._ready = False
            self._values[register] = value & 0xFFFF
        elif register == CALIBRATION:
            # Bit 0 of the INA219's calibration is void, bit 15 of the INA226's.
            self._values[register] = value & (0xFFFE if self.kind is INA219 else 0x7FFF)
        elif register in (MASK_ENABLE, ALERT_LIMIT):
            self._values[register] = value & 0xFFFF

    def read(self, register: int) -> int:
        """I2C read of 16 bits, with the flags that reading clears."""
        value = self._values[register]
        if self.kind is INA219:
            if register == BUS:
                value |= self._ready << 1 | int(self._overflow)
            elif register == POWER:
                self._ready = False
        elif register == MASK_ENABLE:
            value = (value & ~0x000C) | self._ready << 3 | self._overflow << 2
            self._ready = False
        return value

    def latch(self, shunt_counts: int, bus_counts: int) -> None:
        """Store one conversion pair and compute current and power from it.

        current = shunt x calibration / 4096 (INA226: 2048), power = |current| x bus / 5000
        (20000), both truncated: TI SBOS448G eq. 4-5, TI SBOS547B eq. 3-4.
        """
        setting = self.configuration
        if setting.converts_shunt:
            self._values[SHUNT] = shunt_counts & 0xFFFF
        if setting.converts_bus:
            self._values[BUS] = bus_counts << self.kind.bus_shift
        shunt = _signed(self._values[SHUNT])
        bus = self._values[BUS] >> self.kind.bus_shift
        product = shunt * self._values[CALIBRATION]
        current = int(math.copysign(abs(product) // self.kind.current_divisor, product))
        power = abs(current) * bus // self.kind.power_divisor
        self._overflow = not -0x8000 <= current <= 0x7FFF or power > 0xFFFF
        self._values[CURRENT] = current & 0xFFFF
        self._values[POWER] = power & 0xFFFF
        self._ready = True


@dataclass(frozen=True)
class PlantedErrors:
    """What is wrong with this one chip and shunt: the truth that a test may know.

    Measured shunt voltage = true x (1 + ``shunt_gain``) + offset of the gain range;
    bus alike. ``shunt_ohm_error``: the resistor against its marking, relative.
    ``clock``: the chip's conversion time against the typical one.
    """

    shunt_gain: float = 0.0
    shunt_offset_uv: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    bus_gain: float = 0.0
    bus_offset_v: float = 0.0
    shunt_ohm_error: float = 0.0
    clock: float = 1.0
    noise: float = 1.0


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
# the chip. INA226: 1.1 ms each, no averaging.
DEFAULT_CONFIGURATION: Final = {"INA219": 0x399F, "INA226": 0x4127}


@dataclass(frozen=True)
class CurrentSensor:
    """A sensor with its shunt: turns true volts and amperes into register counts.

    ``shunt_ohm`` is the marking that the firmware reckons with; the true resistance is
    ``shunt_true_ohm``.
    """

    kind: SensorKind = INA219
    shunt_ohm: float = 0.1
    address: int = 0x40
    configuration_value: int = -1
    errors: PlantedErrors = NO_ERRORS

    def __post_init__(self) -> None:
        if self.configuration_value < 0:
            object.__setattr__(self, "configuration_value", DEFAULT_CONFIGURATION[self.kind.name])
        if not 0.0001 <= self.shunt_ohm <= 1000.0:
            raise ValueError(f"shunt of {self.shunt_ohm} ohm: 0.0001 to 1000 is possible")
        setting = self.configuration
        if not (setting.continuous and setting.converts_shunt and setting.converts_bus):
            raise ValueError("the board needs a sensor that converts shunt and bus continuously")

    @cached_property
    def configuration(self) -> Configuration:
        return decode_configuration(self.kind, self.configuration_value)

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
        range_nv = round(self.kind.shunt_ranges_mv[self.configuration.gain] * 1e6)
        return min(range_nv // self.kind.shunt_lsb_nv, 0x7FFF)

    @cached_property
    def range_ma(self) -> float:
        return self.kind.shunt_ranges_mv[self.configuration.gain] / self.shunt_ohm

    def with_gain(self, gain: int) -> "CurrentSensor":
        """The same chip in another shunt range (INA219 only)."""
        value = (self.configuration_value & ~0x1800) | gain << 11
        return replace(self, configuration_value=value)

    def convert_shunt(
        self, current_a: float | FloatArray, count: int, rng: np.random.Generator
    ) -> IntArray:
        """Shunt register of ``count`` conversions; ``current_a`` scalar or of shape (count,), A."""
        setting = self.configuration
        step_v = self.kind.shunt_lsb_nv * 1e-9
        offset_v = self.errors.shunt_offset_uv[setting.gain] * 1e-6
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
        step_v = self.kind.bus_lsb_uv * 1e-6
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
