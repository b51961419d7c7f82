"""Limits of the sensors' data sheets: how far off a chip may be without being broken.

Plain numbers without numpy, so that recording can use them too. Offsets and gains are
greatest errors at 25 °C; ``*_per_c`` what a change of temperature may add.
"""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class SensorLimits:
    """Limits of one sensor kind; voltages at the chip's input, gains as shares (0.01 is 1 %).

    ``offsets``: (full scale of the shunt range in V, greatest offset in V), widest range last.
    ``noise_*_steps``: one standard deviation of a single conversion; sheets do not limit it.
    ``pair_s``: time of one voltage-and-current pair as our sketch sets the chip up.
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
    pair_s: float

    def shunt_offset_v(self, range_ma: float | None, shunt_ohm: float) -> float:
        """Greatest offset in the range that was used; the widest range's where it is not known."""
        if range_ma:
            full_v = 1e-3 * range_ma * shunt_ohm
            for range_v, offset_v in self.offsets:
                if full_v <= 1.01 * range_v:
                    return offset_v
        return self.offsets[-1][1]


# Shunt resistors on sensor boards are commonly marked 1 %, and drift by 75 ppm per degree:
# common practice, no source.
SHUNT_LIMIT: Final = 0.01
SHUNT_PER_C: Final = 75e-6

# Rounding of a mean averages out where noise spreads the conversions: from so many steps of one
# standard deviation, or of the span between least and greatest, on. What is left of a step then is
# below exp(-2 pi^2 s^2) / pi for Gaussian noise of s steps: 0.03 at 0.35.
SPREAD_NOISE_STEPS: Final = 0.35
SPREAD_SPAN_STEPS: Final = 2.5
SPREAD_SHARE: Final = 0.03

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
    pair_s=1064e-6,
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
    pair_s=2200e-6,
)
SENSOR_LIMITS: Final = {limits.kind: limits for limits in (_INA219, _INA226)}


def sensor_limits(kind: str) -> SensorLimits | None:
    """Limits of a kind as the board or the user names it; None if it is not known."""
    return SENSOR_LIMITS.get(kind.strip().upper())
