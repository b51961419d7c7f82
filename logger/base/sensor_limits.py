"""Limits of the sensors' data sheets: how far off a chip may be without being broken.

Plain numbers without numpy, so that recording can use them too. Offsets and gains are
greatest errors at 25 °C; ``*_per_c`` what a change of temperature may add.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from logger.base.numbers import digits_text


@dataclass(frozen=True)
class SensorLimits:
    """Limits of one sensor kind; voltages at the chip's input, gains as shares (0.01 is 1 %).

    ``offsets``: (full scale of the shunt range in V, greatest offset in V), widest range last.
    ``noise_*_steps``: one standard deviation of a single conversion; sheets do not limit it.
    ``common_v_per_v``: offset per V on the inputs (common-mode rejection), ``supply_v_per_v``: per V of the
    chip's supply, ``voltage_supply_v_per_v`` the voltage's; the sheet's offsets hold at ``SHEET_COMMON_V`` and ``SHEET_SUPPLY_V``. ``pin_a``, ``pin_ohm``:
    what the chip's pin behind the shunt takes, a current and a resistance to ground. ``short_share``: what a
    burst's short conversions hide (``burst_means_ma2``), ``short_s``: from one of them to the next, ``burst_steps``
    the steps in one of their counts.
    """

    kind: str
    grade: str
    offsets: tuple[tuple[float, float], ...]
    current_gain: float
    current_step_v: float
    current_offset_v_per_c: float
    current_gain_per_c: float
    voltage_gain: float
    voltage_offset_v: float
    voltage_step_v: float
    voltage_gain_per_c: float
    voltage_offset_v_per_c: float
    noise_current_steps: float
    noise_voltage_steps: float
    common_v_per_v: float
    supply_v_per_v: float
    voltage_supply_v_per_v: float
    pin_a: float
    pin_ohm: float
    short_share: float
    short_s: float
    burst_steps: int = 1

    @property
    def voltage_grain_v(self) -> float:
        """What single conversions of the voltage tell apart: the step, or noise of many steps."""
        return self.voltage_step_v * max(1.0, self.noise_voltage_steps / _NOISE_OF_A_STEP_V)

    @property
    def current_grain_v(self) -> float:
        """The same of the shunt."""
        return self.current_step_v * max(1.0, self.noise_current_steps / _NOISE_OF_A_STEP)

    def shunt_offset_v(self, range_ma: float | None, shunt_ohm: float) -> float:
        """Greatest offset in the range that was used; the widest range's where it is not known."""
        if range_ma:
            full_v = 1e-3 * range_ma * shunt_ohm
            for range_v, offset_v in self.offsets:
                if full_v <= 1.01 * range_v:
                    return offset_v
        return self.offsets[-1][1]

    def common_v(self, bus_v: float, zero_v: float | None) -> float:
        """Greatest offset that the inputs' voltage makes; ``zero_v``: at which the zero was taken, None: never."""
        return self.common_v_per_v * abs(bus_v - (SHEET_COMMON_V if zero_v is None else zero_v))

    def supply_v(self, *, zeroed: bool) -> float:
        """Greatest offset that the chip's supply makes."""
        return self.supply_v_per_v * _supply_apart_v(zeroed)

    def voltage_supply_v(self, *, calibrated: bool) -> float:
        """The same of the voltage's conversion."""
        return self.voltage_supply_v_per_v * _supply_apart_v(calibrated)

    def pin_current_ma(self, bus_v: float, zero_v: float | None) -> float:
        """Greatest current into the chip's own pin that no zero took away."""
        if zero_v is not None and is_pack_on(zero_v):
            return 1e3 * abs(bus_v - zero_v) / self.pin_ohm
        return 1e3 * PIN_SPREAD * (self.pin_a + abs(bus_v) / self.pin_ohm)

    def zero_ma(
        self, range_ma: float | None, shunt_ohm: float, bus_v: float, *, drift_c: float = 0.0
    ) -> float:
        """Greatest reading with no load, before any zero was taken: all offsets at once, mA."""
        volts = (
            self.shunt_offset_v(range_ma, shunt_ohm)
            + self.common_v(bus_v, None)
            + self.supply_v(zeroed=False)
            + drift_c * self.current_offset_v_per_c
        )
        pin_ma = self.pin_current_ma(bus_v, None) if is_pack_on(bus_v) else 0.0
        return 1e3 * volts / shunt_ohm + pin_ma

    def voltage_zero_v(self, *, drift_c: float = 0.0) -> float:
        """Greatest offset of the voltage before it was compared: all at once, V."""
        drift_v = drift_c * self.voltage_offset_v_per_c
        return self.voltage_offset_v + self.voltage_supply_v(calibrated=False) + drift_v


def _supply_apart_v(compared: bool) -> float:
    """How far the chip's supply may be from where it was compared, or from the sheet's."""
    return SUPPLY_APART_V if compared else USB_MOST_V - SHEET_SUPPLY_V


def is_pack_on(bus_v: float) -> bool:
    """Whether a pack stands on the inputs: pins take their current, and the offset is the pack's own."""
    return bus_v > PACK_ON_V


# Conditions at which the sheets state the offset (SBOS448G 7.5, SBOS547B 6.5: VIN+ = 12 V, VS = 3.3 V).
SHEET_COMMON_V: Final = 12.0
SHEET_SUPPLY_V: Final = 3.3
# A chip on USB (SOURCES.md C9), and the same port later on: the project's own figure.
USB_MOST_V: Final = 5.25
SUPPLY_APART_V: Final = 0.05
# Where no pack is named.
BENCH_V: Final = 5.0
# Under it no pack is on. The sheets give pin currents typically only; so much more is taken as
# greatest: both the project's own figures.
PACK_ON_V: Final = 0.3
PIN_SPREAD: Final = 1.75

# Noise of one conversion in steps at which the step itself is what can be told apart (that of the 16-bit chip).
_NOISE_OF_A_STEP: Final = 1.25
_NOISE_OF_A_STEP_V: Final = 0.6

# Shunt resistors on sensor boards are commonly marked 1 %, and drift by 75 ppm per degree:
# common practice, no source.
SHUNT_LIMIT: Final = 0.01
SHUNT_PER_C: Final = 75e-6

# Rounding of a mean averages out where noise spreads the conversions: of Gaussian noise of s steps there remains less
# than exp(-2 pi^2 s^2) / pi of a step (first term of the staircase's Fourier series); no less than this share is claimed.
SPREAD_SHARE: Final = 0.03
# Least and greatest of rounded values span the noise's own range, give or take most of a step.
_SPAN_SLACK_STEPS: Final = 0.6


def range_of_normal(count: float) -> float:
    """Mean range of so many normal readings, in standard deviations (within 2 % of the tables of d2 from 5 on)."""
    return 2 * NormalDist().inv_cdf(1 - 0.56 / max(count, 2.0))


def rounding_share(noise_steps: float) -> float:
    """Share of a step that rounding may leave in a mean, to either side: half where no noise spreads it."""
    left = math.exp(-2 * (math.pi * max(noise_steps, 0.0)) ** 2) / math.pi
    return 0.5 if noise_steps < _NOISE_LEAST_STEPS else max(left, SPREAD_SHARE)


def rounding_share_by_span(span_steps: float, conversions: float) -> float:
    """The same from the usual span between least and greatest of so many conversions."""
    return rounding_share((span_steps - _SPAN_SLACK_STEPS) / range_of_normal(conversions))


# Below it the formula is no bound: the further terms count.
_NOISE_LEAST_STEPS: Final = 0.12


_INA219: Final = SensorLimits(
    kind="INA219",
    grade="the wider ones of its two grades",
    # TI SBOS448G 7.5, grade A's limits: a cheap board does not say its grade.
    offsets=((0.04, 100e-6), (0.08, 125e-6), (0.16, 150e-6), (0.32, 200e-6)),
    current_gain=0.005,
    current_step_v=10e-6,
    # Drifts: TI SBOS448, from memory (0.1 uV and 10 ppm per degree).
    current_offset_v_per_c=0.1e-6,
    current_gain_per_c=10e-6,
    voltage_gain=0.005,
    # Not specified by the sheet: one step is taken.
    voltage_offset_v=4e-3,
    voltage_step_v=4e-3,
    voltage_gain_per_c=10e-6,
    voltage_offset_v_per_c=0.0,
    # No source: what a quiet bench shows, rounded up.
    noise_current_steps=1.0,
    noise_voltage_steps=0.6,
    # Rejection 100 dB at least; supply 10 uV/V, typical only, doubled; pins, typical (SOURCES.md F2).
    common_v_per_v=1e-5,
    supply_v_per_v=20e-6,
    voltage_supply_v_per_v=0.0,
    pin_a=20e-6,
    pin_ohm=320e3,
    short_share=0.19,
    short_s=133e-6,
)
_INA226: Final = SensorLimits(
    kind="INA226",
    grade="its greatest ones",
    # TI SBOS547B; its one range is 81.92 mV.
    offsets=((0.08192, 10e-6),),
    current_gain=0.001,
    current_step_v=2.5e-6,
    # Drifts: TI SBOS547, greatest values, from memory.
    current_offset_v_per_c=0.1e-6,
    current_gain_per_c=50e-6,
    voltage_gain=0.001,
    voltage_offset_v=7.5e-3,
    voltage_step_v=1.25e-3,
    voltage_gain_per_c=50e-6,
    voltage_offset_v_per_c=40e-6,
    noise_current_steps=1.25,
    noise_voltage_steps=0.6,
    # Rejection 126 dB at least; supply 2.5 uV/V, typical only, doubled; pins, typical (SOURCES.md F3).
    common_v_per_v=10 ** (-126 / 20),
    supply_v_per_v=5e-6,
    # 0.5 mV/V, typical only (from memory of the same table), doubled.
    voltage_supply_v_per_v=1e-3,
    pin_a=10e-6,
    pin_ohm=830e3,
    short_share=0.31,
    short_s=147e-6,
)
_INA228: Final = SensorLimits(
    kind="INA228",
    grade="its greatest ones",
    # TI SBOSA20, electrical characteristics, all from memory (SOURCES.md C25); the range that the sketch uses.
    offsets=((0.16384, 1e-6),),
    current_gain=0.0005,
    current_step_v=312.5e-9,
    current_offset_v_per_c=10e-9,
    current_gain_per_c=20e-6,
    voltage_gain=0.0005,
    voltage_offset_v=2.5e-3,
    voltage_step_v=195.3125e-6,
    voltage_gain_per_c=20e-6,
    voltage_offset_v_per_c=20e-6,
    # 20 bits, of which a conversion of 540 us tells some 15: about 3 uV and 1 mV.
    noise_current_steps=12.0,
    noise_voltage_steps=6.0,
    common_v_per_v=10 ** (-154 / 20),
    supply_v_per_v=0.5e-6,
    voltage_supply_v_per_v=0.5e-3,
    # Greatest current of a pin; VBUS, which boards tie to VIN-, typically.
    pin_a=2.5e-9,
    pin_ohm=1e6,
    short_share=0.18,
    short_s=141e-6,
    burst_steps=16,
)
SENSOR_LIMITS: Final = {limits.kind: limits for limits in (_INA219, _INA226, _INA228)}


def sensor_limits(kind: str) -> SensorLimits | None:
    """Limits of a kind as the board or the user names it; None if it is not known."""
    return SENSOR_LIMITS.get(kind.strip().upper())


# A burst: eight short conversions in the time of a pair, four for each of its halves.
_WITHIN_PAIRS: Final = 12
_BETWEEN_PAIRS: Final = 16
_OF_ALL: Final = 0.75
# Short conversions that stand for one of the sketch's own.
SHORT_IN_ONE: Final = 4


def burst_means_ma2(
    sheet: SensorLimits, bursts: int, within: int, between: int, count_ma2: float
) -> tuple[float, float]:
    """Half the mean squared difference of moments in one conversion, and of one and the next, in mA^2.

    ``within``, ``between``: the board's sums over the pairs of short values, in counts^2. Of the sixteen pairs of
    moments in a half four are a value with itself, which differ by nothing: three quarters of the pairs' mean.

    A short conversion of length s hides k s / 3 where the difference grows by k with the lag (edges further apart
    than s), and values d apart show k (5/4 d - s / 4) within a half: 28 over 145 us for the INA219 (s 84, d 133 us),
    47 over 149 us for the INA226 (140, 147 us), 28 over 155 us for the INA228 (84, 141 us). So much is added to both.
    """
    half = count_ma2 / 2 / bursts
    shown = _OF_ALL * half * within / _WITHIN_PAIRS
    hidden = sheet.short_share * shown
    return shown + hidden, half * between / _BETWEEN_PAIRS + hidden


# Values that sensor boards' shunts come in: common practice, no source.
_SHUNTS_OHM: Final = (0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)


def smaller_shunt_words(shunt_ohm: float | None, range_ma: float | None) -> str:
    """``0.05 Ω would do up to 6.4 A``: the next smaller usual shunt and what it sees; empty where not known."""
    if not shunt_ohm or not range_ma:
        return ""
    smaller = [ohm for ohm in _SHUNTS_OHM if ohm <= 0.6 * shunt_ohm]
    if not smaller:
        return ""
    return f"{smaller[0]:g} Ω would do up to {digits_text(1e-3 * range_ma * shunt_ohm / smaller[0], 2)} A"


def beyond_words(shunt_ohm: float | None, range_ma: float | None) -> str:
    """What is said at once, live and later: ``beyond what this probe can see: 3.2 A; use a smaller shunt (...)``."""
    limit = f": {digits_text(1e-3 * range_ma, 2)} A" if range_ma else ""
    would_do = smaller_shunt_words(shunt_ohm, range_ma)
    return f"beyond what this probe can see{limit}; use a smaller shunt{f' ({would_do})' if would_do else ''}"
