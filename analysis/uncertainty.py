"""How far off can a number be: standard uncertainties from the sensor's limits, after the GUM.

The one place where results get their intervals. Method: JCGM 100:2008 (GUM). Limits of a
data sheet are taken as rectangular, standard uncertainty = limit / sqrt(3) (4.3.7);
components are independent of each other and added in squares (5.1.2); the coverage factor
is Student's t at the effective degrees of freedom (G.4). Gain, offset and rounding of one
sensor are the same in every row of a run: they do not average out. Pack voltage is bus voltage
plus the drop over the shunt; the drop's own error (at most a few mV) is left out beside the bus's.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from scipy.special import stdtrit

from analysis.quantity import Quantity
from logger.description import Description, Sensor

COVERAGE: Final = 0.95
NO_LIMITS_NOTE: Final = (
    "The run does not name a sensor whose limits are known, so no interval can be given."
)

# Shunt resistors on sensor boards are commonly marked 1 %: common practice, no source.
_SHUNT_LIMIT: Final = 0.01
# Ceramic resonators of small boards, with their drift over temperature and age: from memory.
_RESONATOR_LIMIT: Final = 0.005
# A computer's quartz clock (from memory), and how late an anchor may have been taken.
_HOST_CLOCK_LIMIT: Final = 0.0001
_ANCHOR_LATE_S: Final = 0.2
_ANCHOR_SPAN_LEAST_S: Final = 60.0


@dataclass(frozen=True)
class _Sheet:
    """Limits of one sensor kind. ``offsets``: full scale of the shunt range (V) to greatest offset (V)."""

    grade: str
    offsets: tuple[tuple[float, float], ...]
    current_gain: float
    current_step_v: float
    voltage_gain: float
    voltage_offset_v: float
    voltage_step_v: float


_SHEETS: Final = {
    # TI SBOS448G 7.5; grade A's limits, the wider ones: a cheap board does not say its grade.
    "INA219": _Sheet(
        "the wider ones of its two grades",
        ((0.04, 100e-6), (0.08, 125e-6), (0.16, 150e-6), (0.32, 200e-6)),
        current_gain=0.005,
        current_step_v=10e-6,
        voltage_gain=0.005,
        voltage_offset_v=0.0,
        voltage_step_v=4e-3,
    ),
    # TI SBOS547B; its one range is 81.92 mV.
    "INA226": _Sheet(
        "its greatest ones",
        ((0.08192, 10e-6),),
        current_gain=0.001,
        current_step_v=2.5e-6,
        voltage_gain=0.001,
        voltage_offset_v=7.5e-3,
        voltage_step_v=1.25e-3,
    ),
}


@dataclass(frozen=True)
class Limits:
    """Greatest errors of one run's sensor, shunt and clock; ``*_gain`` are shares (0.01 is 1 %).

    ``assumptions``: in words, for the report's method.
    """

    current_gain: float
    shunt_gain: float
    current_offset_ma: float
    current_step_ma: float
    voltage_gain: float
    voltage_offset_v: float
    voltage_step_v: float
    clock_gain: float
    assumptions: tuple[str, ...]


@dataclass(frozen=True)
class Component:
    """One line of an uncertainty budget, in the result's own unit.

    ``kind``: "A" from statistics of the run, "B" from other knowledge (GUM 4.2, 4.3).
    ``dof``: degrees of freedom; infinite for a limit that is certain.
    """

    source: str
    kind: str
    standard: float
    dof: float = math.inf


Budget = tuple[Component, ...]


def limits_of(description: Description) -> Limits | None:
    """Limits of the run's sensor by its data sheet; None if sensor or shunt is not known."""
    sensor = description.sensor
    sheet = _SHEETS.get(sensor.kind.strip().upper()) if sensor else None
    if sensor is None or sheet is None or not sensor.shunt_ohm or sensor.shunt_ohm <= 0:
        return None
    offset_v = _shunt_offset_v(sheet, sensor)
    clock_gain, clock_words = clock_limit(description.clock)
    return Limits(
        current_gain=sheet.current_gain,
        shunt_gain=_SHUNT_LIMIT,
        current_offset_ma=1e3 * offset_v / sensor.shunt_ohm,
        current_step_ma=1e3 * sheet.current_step_v / sensor.shunt_ohm,
        voltage_gain=sheet.voltage_gain,
        voltage_offset_v=sheet.voltage_offset_v,
        voltage_step_v=sheet.voltage_step_v,
        clock_gain=clock_gain,
        assumptions=(
            f"Sensor {sensor.kind}, its data sheet's limits at 25 °C ({sheet.grade}): current within "
            f"{100 * sheet.current_gain:g} % and {1e6 * offset_v:g} µV, which over {sensor.shunt_ohm:g} Ω is "
            f"{1e3 * offset_v / sensor.shunt_ohm:.3g} mA; voltage within {100 * sheet.voltage_gain:g} %"
            + (f" and {1e3 * sheet.voltage_offset_v:g} mV." if sheet.voltage_offset_v else "."),
            f"Shunt resistor within {100 * _SHUNT_LIMIT:g} % (assumed: the usual marking on sensor boards).",
            clock_words,
            "Nothing was calibrated, and a change of temperature is not in these limits.",
        ),
    )


def clock_limit(clock: Sequence[tuple[float, float, str]]) -> tuple[float, str]:
    """Greatest relative error of the board's clock, and in words where that is from.

    ``clock``: anchors (board s, host s, UTC). Where they span a minute or more, the difference seen
    against the host counts as doubt: times are not corrected for it. Otherwise a ceramic resonator is assumed.
    """
    if len(clock) >= 2:
        board_s, host_s = clock[-1][0] - clock[0][0], clock[-1][1] - clock[0][1]
        if min(board_s, host_s) >= _ANCHOR_SPAN_LEAST_S:
            seen = abs(host_s / board_s - 1)
            limit = seen + _ANCHOR_LATE_S / board_s + _HOST_CLOCK_LIMIT
            return limit, (
                f"Board's clock against the computer's: {100 * seen:.2g} % apart over the run; "
                f"taken as within {100 * limit:.2g} %."
            )
    return _RESONATOR_LIMIT, (
        f"Board's clock within {100 * _RESONATOR_LIMIT:g} % (assumed: ceramic resonator)."
    )


def budget(
    limits: Limits,
    value: float,
    *,
    per_ma: float = 0.0,
    per_v: float = 0.0,
    clocked: bool = False,
    noise: float = 0.0,
    noise_dof: float = math.inf,
) -> Budget:
    """Components of a result that is a product of current, voltage and time, or of some of them.

    ``per_ma``, ``per_v``: change of the result per mA of current offset and per V of voltage
    offset (charge: hours; energy: volt-hours and mAh); 0: does not depend on it.
    ``clocked``: proportional to time. ``noise``: standard uncertainty from scatter in the run.
    """
    size = abs(value)
    parts: list[tuple[str, float]] = []
    if per_ma:
        parts += [
            ("sensor's current offset", abs(per_ma) * limits.current_offset_ma),
            ("shunt resistor's tolerance", size * limits.shunt_gain),
            ("sensor's current gain", size * limits.current_gain),
            ("sensor's current step", abs(per_ma) * limits.current_step_ma / 2),
        ]
    if per_v:
        parts += [
            ("sensor's voltage gain", size * limits.voltage_gain),
            ("sensor's voltage offset", abs(per_v) * limits.voltage_offset_v),
            ("sensor's voltage step", abs(per_v) * limits.voltage_step_v / 2),
        ]
    if clocked:
        parts.append(("board's clock", size * limits.clock_gain))
    components = [
        Component(source, "B", limit / math.sqrt(3)) for source, limit in parts if limit > 0
    ]
    if noise > 0:
        components.append(Component("scatter in the run", "A", noise, noise_dof))
    return tuple(components)


def combined(components: Budget) -> float:
    """Combined standard uncertainty of independent components (GUM 5.1.2)."""
    return math.hypot(*(part.standard for part in components))


def coverage_factor(components: Budget, coverage: float = COVERAGE) -> float:
    """Student's t at the effective degrees of freedom of Welch and Satterthwaite (GUM G.4.1)."""
    total = combined(components)
    weight = sum(part.standard**4 / part.dof for part in components)
    dof = total**4 / weight if weight > 0 else math.inf
    # Whole degrees of freedom, the next lower (GUM G.4.1, note 1).
    dof = max(1.0, math.floor(dof)) if math.isfinite(dof) else 1e9
    return float(stdtrit(dof, (1 + coverage) / 2))


def interval(
    value: float, unit: str, components: Budget | None, *, less: float = 0.0, more: float = 0.0
) -> Quantity:
    """Quantity with its 95 % interval; ``less`` and ``more`` are bounds that come on top, e.g. from gaps.

    ``components`` None: limits are not known, and the note says so.
    """
    if components is None:
        return Quantity(value, unit, note=NO_LIMITS_NOTE)
    factor = coverage_factor(components)
    half = factor * combined(components)
    note = f"coverage factor k = {factor:.2f}"
    if less > 0 or more > 0:
        note += "; what gaps may hide is added in full"
    return Quantity(value, unit, value - half - less, value + half + more, COVERAGE, note)


def shares(components: Budget) -> tuple[tuple[str, float], ...]:
    """Each source's share of the combined variance (0 to 1), greatest first."""
    total = combined(components) ** 2
    ordered = sorted(components, key=lambda part: part.standard, reverse=True)
    return tuple((part.source, part.standard**2 / total) for part in ordered) if total else ()


def _shunt_offset_v(sheet: _Sheet, sensor: Sensor) -> float:
    """Greatest offset in the range that was used; the widest where the range is not known."""
    if sensor.range_ma and sensor.shunt_ohm:
        full_v = 1e-3 * sensor.range_ma * sensor.shunt_ohm
        for range_v, offset_v in sheet.offsets:
            if full_v <= 1.01 * range_v:
                return offset_v
    return sheet.offsets[-1][1]
