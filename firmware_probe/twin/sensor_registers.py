"""INA219, INA226, INA228: what the data sheets fix, and registers and arithmetic of the first two.

TI SBOS448 (INA219), TI SBOS547 (INA226), TI SBOSA20 (INA228; from memory); ``Registers`` can be checked
bit by bit against their worked examples. The INA228's own counters are in ``window_sums``.
"""

import math
from dataclasses import dataclass, field
from typing import Final

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
    shunt_lsb_pv: int
    bus_lsb_pv: int
    bus_shift: int
    bus_full_counts: int
    shunt_end_counts: int
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
        return self.bus_lsb_pv // self.shunt_lsb_pv


# TI SBOS448G 7.5 (A grade) and 8.6. Bus offset of the INA219 is not specified: one
# step is taken as the limit. Conversion time 532 us typical, 586 us maximum.
INA219: Final = SensorKind(
    name="INA219",
    shunt_lsb_pv=10_000_000,
    bus_lsb_pv=4_000_000_000,
    bus_shift=3,
    bus_full_counts=8_000,
    shunt_end_counts=0x7FFF,
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
    shunt_lsb_pv=2_500_000,
    bus_lsb_pv=1_250_000_000,
    bus_shift=0,
    bus_full_counts=0x7FFF,
    shunt_end_counts=0x7FFF,
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
# TI SBOSA20, electrical characteristics, from memory (SOURCES.md C25): 20 bits, 163.84 mV, 85 V; oscillator within
# 1 %. A result of 540 us scatters by some 3 uV and 1 mV: invented after the sheet's table of resolutions.
INA228: Final = SensorKind(
    name="INA228",
    shunt_lsb_pv=312_500,
    bus_lsb_pv=195_312_500,
    bus_shift=4,
    bus_full_counts=435_200,
    shunt_end_counts=0x7FFFF,
    configuration_reset=0xFB68,
    current_divisor=4096,
    power_divisor=1,
    calibration_constant=0.0,
    shunt_ranges_mv=(163.84,),
    shunt_offset_typ_uv=(0.3,),
    shunt_offset_max_uv=(1.0,),
    shunt_gain_typ=0.0001,
    shunt_gain_max=0.0005,
    bus_gain_typ=0.0001,
    bus_gain_max=0.0005,
    bus_offset_typ_v=0.001,
    bus_offset_max_v=0.0025,
    clock_max=1.01,
    noise_conversion_us=540.0,
    shunt_noise_lsb=10.0,
    bus_noise_lsb=5.0,
)
KINDS: Final = {kind.name: kind for kind in (INA219, INA226, INA228)}

_INA219_BITS_US: Final = (84, 148, 276, 532)
_INA226_TIMES_US: Final = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
_INA226_AVERAGES: Final = (1, 4, 16, 64, 128, 256, 512, 1024)
_INA228_TIMES_US: Final = (50, 84, 150, 280, 540, 1052, 2074, 4120)
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
    die_time_us: float = 0.0

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
        bus_us = self.bus_time_us if self.converts_bus else 0.0
        return shunt_us + bus_us + self.die_time_us


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
    if kind.name == "INA228":
        return _decode_ina228(value)
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


def _decode_ina228(value: int) -> Configuration:
    """Its ADC_CONFIG register (SBOSA20, from memory): mode, times of bus, shunt, temperature, averaging."""
    averages = _INA226_AVERAGES[value & 0x7]
    mode, mode_bits = value >> 12, value >> 12 & 0x7
    bus_us, shunt_us, die_us = (_INA228_TIMES_US[value >> at & 0x7] for at in (9, 6, 3))
    return Configuration(
        gain=0,
        bus_range_v=85.0,
        shunt_time_us=float(shunt_us * averages),
        bus_time_us=float(bus_us * averages),
        shunt_averages=averages,
        bus_averages=averages,
        shunt_bits=20,
        bus_bits=20,
        # Bits as the other kinds have them: shunt 1, bus 2, without end 4.
        mode=(mode_bits >> 1 & 1) | (mode_bits & 1) << 1 | (mode >> 3) << 2,
        die_time_us=float(die_us * averages) if mode_bits & 4 else 0.0,
    )


def calibration_register(kind: SensorKind, current_lsb_a: float, shunt_ohm: float) -> int:
    """Calibration value: trunc(0.04096 / (LSB R)) for the INA219, 0.00512 for the INA226.

    A quotient that misses a whole number only by floating point is taken as
    that number (TI SBOS448G eq. 1 with 1 mA and 2 mOhm is 20480, not 20480.000000000004).
    Raises ValueError if the register cannot hold it. INA228: ``window_sums.shunt_calibration``.
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
