"""Internal resistance of the pack from the steps that its load makes, against depth of discharge.

Between neighbouring rows the pack's own slow fall is small, so -dV/dI is the resistance at the
time scale of a row (which holds the ohmic part and whatever polarises within a row). Where a run
has the two steps of IEC 61960-3 (0.2 It for 10 s, then 1.0 It for 1 s), R = (U1 - U2)/(I2 - I1)
is given as well (definition second-hand).
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.doubt.load_steps import STEPS_LEAST, load_steps, without_far_off
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import (
    SCATTER,
    Component,
    Limits,
    combined,
    coverage_factor,
    interval,
    resistance_budget,
)
from analysis.run.row_noise import rounding_in_run
from analysis.run.trace import Trace

Array = NDArray[np.float64]

_PARTS: Final = 10
SCATTER_ONLY: Final = "from the steps' scatter alone, as the sensor's limits are not known"
_IT_TOLERANCE: Final = 0.1


@dataclass(frozen=True)
class Resistance:
    """``overall``: the run's middle value. ``depth``, ``ohm``, ``lower_ohm``, ``upper_ohm``: against
    the share of the run's charge, one per part of the run with enough steps. ``two_step``: IEC 61960-3.
    ``steps``: how many load steps were used. ``coverage``: of all intervals; None where the sensor's
    limits are not known and they hold the steps' scatter alone. ``sensor_share``: of the variance of
    ``overall`` that is the sensor's own, the same in every run of one board (0 to 1).
    """

    overall: Quantity
    depth: Array
    ohm: Array
    lower_ohm: Array
    upper_ohm: Array
    two_step: Quantity
    steps: int
    coverage: float | None = None
    sensor_share: float = 0.0


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
    ohms, at = load_steps(volts, current, joined)
    charge = np.cumsum(current * trace.weight_s[good])
    depth_all = charge / charge[-1] if charge[-1] > 0 else np.linspace(0, 1, len(charge))
    two_step = _two_step(trace, capacity_mah, limits)
    if len(ohms) < STEPS_LEAST:
        note = f"the current stepped {len(ohms)} times: too few to tell (a load that never changes shows no resistance)"
        return Resistance(
            Quantity(None, "ohm", note=note), empty, empty, empty, empty, two_step, len(ohms)
        )
    part = np.minimum((depth_all[at] * _PARTS).astype(int), _PARTS - 1)
    near = without_far_off(ohms, part)
    ohms, at, part = ohms[near], at[near], part[near]
    step_ma = np.abs(np.diff(current))[at]
    coarse_v = 0.0
    if limits and not rounding_in_run(trace, limits).spreads_voltage:
        coarse_v = limits.voltage_step_v

    def mean_of(some: NDArray[np.bool_]) -> Quantity:
        rounding_ohm = _rounding_ohm(volts[at][some], step_ma[some], coarse_v)
        return _mean(ohms[some], at[some], rounding_ohm, limits)

    overall = mean_of(np.ones(len(ohms), dtype=bool))
    rows = []
    for number in range(_PARTS):
        mine = part == number
        if mine.sum() >= STEPS_LEAST:
            value = mean_of(mine)
            place = float(np.mean(depth_all[at][mine]))
            rows.append((place, value.value, value.lower, value.upper))
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    note = f"mean over {len(ohms)} load steps; {overall.note}"
    return Resistance(
        replace(overall, note=note),
        *(table[:, 0], table[:, 1], table[:, 2], table[:, 3]),
        two_step,
        len(ohms),
        overall.coverage,
        _sensor_share(overall, limits),
    )


def _mean(
    ohms: Array, at: NDArray[np.intp], rounding_ohm: float, limits: Limits | None
) -> Quantity:
    """Mean with the doubt of its scatter, of rounding, and of the sensor's gains (one place: ``uncertainty``).

    Not the median: rounded voltages make resistances a ladder of few values, and it would pick a rung.
    """
    value, count = float(np.mean(ohms)), len(ohms)
    # Steps up and down again share the row between them, and its error goes the same way in both.
    shared = float(np.mean(np.diff(at) == 1)) if count > 1 else 0.0
    scatter_ohm = float(np.std(ohms, ddof=1)) * math.sqrt((1 + shared) / (count - shared))
    noise_ohm = math.hypot(scatter_ohm, rounding_ohm)
    certain = (noise_ohm / scatter_ohm) ** 4 if scatter_ohm > 0 else math.inf
    dof = (count - 1) / (1 + shared) * certain  # rounding's part is known (GUM G.4.1)
    if limits is not None:
        parts = resistance_budget(limits, value, noise_ohm=noise_ohm, noise_dof=dof)
        return interval(value, "ohm", parts)
    alone = (Component(SCATTER, "A", noise_ohm, dof),)
    half = coverage_factor(alone) * combined(alone)
    return Quantity(value, "ohm", value - half, value + half, None, SCATTER_ONLY)


def _sensor_share(overall: Quantity, limits: Limits | None) -> float:
    if limits is None or overall.value is None or overall.upper is None:
        return 0.0
    sensor = resistance_budget(limits, overall.value)
    half = coverage_factor(sensor) * combined(sensor)
    return float(min(1.0, (half / max(overall.upper - overall.value, 1e-12)) ** 2))


def _rounding_ohm(volts: Array, step_ma: Array, coarse_v: float) -> float:
    """What rounding of the voltage leaves where noise does not spread it over the sensor's steps.

    Two roundings per load step, rectangular; load steps at the same level round alike, so only as
    many are independent as the voltage passed sensor steps.
    """
    if not coarse_v:
        return 0.0
    one_ohm = coarse_v * math.sqrt(2 / 12) / (float(np.median(step_ma)) / 1e3)
    levels = min(len(volts), 1 + float(np.ptp(volts)) / coarse_v)
    return one_ohm / math.sqrt(levels)


def _two_step(trace: Trace, capacity_mah: float | None, limits: Limits | None) -> Quantity:
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
            return _single(drop_v / rise_a, rise_a, trace, limits)
    return Quantity(None, "ohm", note="the run does not have the two steps of IEC 61960-3")


def _single(ohm: float, rise_a: float, trace: Trace, limits: Limits | None) -> Quantity:
    """One resistance from two readings: noise and rounding of both, and the sensor's gains."""
    note = "0.2 It for 10 s, then 1.0 It for 1 s"
    if limits is None:
        return Quantity(ohm, "ohm", note=f"{note}; the sensor's limits are not known")
    noise = trace.scatter
    spread = rounding_in_run(trace, limits).spreads_voltage
    step_v = 0.0 if spread else limits.voltage_step_v
    noise_v = math.hypot(noise.voltage_v, abs(ohm) * noise.current_ma / 1e3, step_v / math.sqrt(12))
    parts = resistance_budget(limits, ohm, noise_ohm=math.sqrt(2) * noise_v / abs(rise_a))
    found = interval(ohm, "ohm", parts)
    return replace(found, note=f"{note}; {found.note}")


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
