"""Internal resistance of the pack from the steps that its load makes, against depth of discharge.

Between neighbouring rows the pack's own slow fall is small, so -dV/dI is the resistance at the
time scale of a row (which holds the ohmic part and whatever polarises within a row). Where a run
has the two steps of IEC 61960-3 (0.2 It for 10 s, then 1.0 It for 1 s), R = (U1 - U2)/(I2 - I1)
is given as well (definition second-hand).
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.quantity import Quantity
from analysis.trace import Trace
from analysis.uncertainty import Limits

Array = NDArray[np.float64]

COVERAGE: Final = 0.95
_STEPS_LEAST: Final = 4
_PARTS: Final = 10
# A step counts when it is this share of the run's greatest current.
_STEP_SHARE: Final = 0.05
_STEP_LEAST_MA: Final = 2.0
_MEDIAN_FACTOR: Final = 1.2533  # standard error of a median over that of a mean: sqrt(pi/2)
_IT_TOLERANCE: Final = 0.1


@dataclass(frozen=True)
class Resistance:
    """``overall``: the run's middle value. ``depth``, ``ohm``, ``lower_ohm``, ``upper_ohm``: against
    the share of the run's charge, one per part of the run with enough steps. ``two_step``: IEC 61960-3.
    ``steps``: how many load steps were used.
    """

    overall: Quantity
    depth: Array
    ohm: Array
    lower_ohm: Array
    upper_ohm: Array
    two_step: Quantity
    steps: int


def internal_resistance(
    trace: Trace, limits: Limits | None, capacity_mah: float | None = None
) -> Resistance:
    """Resistance from load steps of a run with voltage and current; never raises.

    ``capacity_mah``: stated capacity, for the two-step definition (It = capacity / 1 h).
    """
    empty = np.empty(0)
    if trace.voltage_v is None or trace.current_ma is None:
        none = Quantity(None, "ohm", note="voltage or current was not recorded")
        return Resistance(none, empty, empty, empty, empty, none, 0)
    good = ~trace.dead
    volts, current = trace.voltage_v[good], trace.current_ma[good]
    joined = ~(trace.gap | trace.restarted)[good][1:]
    ohms, at = _steps(volts, current, joined)
    charge = np.cumsum(current * trace.weight_s[good])
    depth_all = charge / charge[-1] if charge[-1] > 0 else np.linspace(0, 1, len(charge))
    two_step = _two_step(trace, capacity_mah)
    if len(ohms) < _STEPS_LEAST:
        note = f"the current stepped {len(ohms)} times: too few to tell (a load that never changes shows no resistance)"
        return Resistance(
            Quantity(None, "ohm", note=note), empty, empty, empty, empty, two_step, len(ohms)
        )
    # gain errors of sensor and shunt are the same for all steps (rectangular limits, GUM 4.3.7)
    gain = (
        math.hypot(limits.voltage_gain, limits.current_gain, limits.shunt_gain) / math.sqrt(3)
        if limits
        else 0.0
    )
    overall = _median(ohms, gain)
    part = np.minimum((depth_all[at] * _PARTS).astype(int), _PARTS - 1)
    rows = []
    for number in range(_PARTS):
        mine = ohms[part == number]
        if len(mine) >= _STEPS_LEAST:
            value = _median(mine, gain)
            rows.append(
                (
                    float(np.mean(depth_all[at][part == number])),
                    value.value,
                    value.lower,
                    value.upper,
                )
            )
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    note = f"median of {len(ohms)} load steps"
    if limits is None:
        note += "; from their scatter alone, the sensor's limits are not known"
    overall = Quantity(overall.value, "ohm", overall.lower, overall.upper, COVERAGE, note)
    return Resistance(
        overall, table[:, 0], table[:, 1], table[:, 2], table[:, 3], two_step, len(ohms)
    )


def _steps(
    volts: Array, current: Array, joined: NDArray[np.bool_]
) -> tuple[Array, NDArray[np.intp]]:
    """Resistance of each clear step (ohm) and the row before it."""
    rise_ma, fall_v = np.diff(current), -np.diff(volts)
    least_ma = max(_STEP_SHARE * float(np.max(np.abs(current))), _STEP_LEAST_MA)
    noise_ma = 1.4826 * float(np.median(np.abs(rise_ma)))
    typical = float(np.median(np.abs(current)))
    if noise_ma < 0.02 * typical:  # steady but for its steps: they must stand clear of the noise
        least_ma = max(least_ma, 6 * noise_ma)
    clear = (np.abs(rise_ma) >= least_ma) & joined
    # the slow fall between rows, taken from rows without a step
    quiet = ~clear & joined
    drift_v = float(np.median(fall_v[quiet])) if quiet.sum() > 10 else 0.0
    at = np.flatnonzero(clear)
    return (fall_v[at] - drift_v) / rise_ma[at] * 1e3, at


def _median(ohms: Array, gain: float) -> Quantity:
    value = float(np.median(ohms))
    scatter = 1.4826 * float(np.median(np.abs(ohms - value)))
    standard = math.hypot(_MEDIAN_FACTOR * scatter / math.sqrt(len(ohms)), gain * abs(value))
    return Quantity(value, "ohm", value - 1.96 * standard, value + 1.96 * standard, COVERAGE)


def _two_step(trace: Trace, capacity_mah: float | None) -> Quantity:
    """(U1 - U2)/(I2 - I1) at the end of 10 s at 0.2 It and of 1 s at 1.0 It (IEC 61960-3, second-hand)."""
    if not capacity_mah or trace.voltage_v is None or trace.current_ma is None:
        return Quantity(
            None, "ohm", note="needs a stated capacity and the two steps of IEC 61960-3"
        )
    rate = trace.current_ma / capacity_mah
    low = np.abs(rate - 0.2) <= _IT_TOLERANCE * 0.2
    high = np.abs(rate - 1.0) <= _IT_TOLERANCE
    for row in np.flatnonzero(low[:-1] & high[1:]):
        begin = row
        while begin > 0 and low[begin - 1]:
            begin -= 1
        end = row + 1
        first_s = trace.time_s[row] - trace.step_s[row + 1]
        while end + 1 < len(high) and high[end + 1] and trace.time_s[end] - first_s < 2.0:
            end += 1
        long_enough = trace.time_s[row] - trace.time_s[begin] + trace.step_s[begin] >= 10 - 0.01
        pulse = int(np.searchsorted(trace.time_s, trace.time_s[row] + 1.0 - 1e-6))
        if long_enough and pulse < len(high) and high[pulse]:
            drop_v = float(trace.voltage_v[row] - trace.voltage_v[pulse])
            rise_a = float(trace.current_ma[pulse] - trace.current_ma[row]) / 1e3
            return Quantity(drop_v / rise_a, "ohm", note="0.2 It for 10 s, then 1.0 It for 1 s")
    return Quantity(None, "ohm", note="the run does not have the two steps of IEC 61960-3")


def between_curves(
    charge: float,
    light: tuple[Array, Array, float],
    heavy: tuple[Array, Array, float],
) -> float:
    """Resistance (ohm) from two runs at different constant draws, after the same charge.

    ``light``, ``heavy``: charge (the unit of ``charge``), volts, current (A). (V1 - V2)/(I2 - I1).
    """
    volts = [float(np.interp(charge, charges, volt)) for charges, volt, _ in (light, heavy)]
    return (volts[0] - volts[1]) / (heavy[2] - light[2])
