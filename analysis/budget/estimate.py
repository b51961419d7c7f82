"""The estimate: what the budget says each mode draws from the pack, and how sure that is.

A part behind a boost or buck converter reaches the pack as power:
I_pack = I V_out / (efficiency V_pack); behind a linear regulator or none, as the same
current. Plain LEDs on a supply that sags draw (V - Vf) / R of what is left of it. So a mode is
linear in the figures, y = A x + quiescent, and A is the design that the reconciliation uses as well.

Two intervals: root-sum-square of the tolerances (independent parts; 95 %, as the tolerances
are; JCGM 100:2008, 5.1.2) and worst case (every part at its limit at once).
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.budget.file import Budget, Mode
from analysis.doubt.quantity import Quantity
from analysis.listed.part import Part
from analysis.listed.supply import Converter
from analysis.listed.wire import Wire

Array = npt.NDArray[np.float64]
COVERAGE: Final = 0.95
COVERAGE_FACTOR: Final = 1.96


@dataclass(frozen=True)
class ModeEstimate:
    """One mode at one pack voltage. ``worst_ma``: all parts at their limits at once, (least, greatest).

    ``peak_ma`` is that at this voltage; the greatest on the pack's way down: ``worst``.
    """

    mode: str
    hours: float
    pack_v: float
    current: Quantity
    worst_ma: tuple[float, float]
    peak_ma: float


@dataclass(frozen=True)
class EveningEstimate:
    """The stated evening: hours of each mode, added up."""

    hours: float
    mean_current: Quantity
    charge: Quantity
    energy: Quantity


def reach(converter: Converter, pack_v: float, after_converter: bool = True) -> float:
    """Current at the pack for each unit of current at the part (1 without a switching converter)."""
    if not (after_converter and converter.switching):
        return 1.0
    return converter.output_v / (converter.efficiency * pack_v)


def design_row(budget: Budget, mode: Mode, pack_v: float) -> Array:
    """How much of each figure reaches the pack in this mode; shape (figures,)."""
    return np.array(
        [
            part.quantity
            * mode.shares.get((figure.part, figure.state), 0.0)
            * reach(budget.converter, pack_v, part.after_converter)
            * budget.at_pack(part, figure, pack_v)
            for part in budget.parts
            for figure in part.figures
        ]
    )


def figure_values_ma(budget: Budget) -> Array:
    """The figures' currents as written, one piece each; shape (figures,)."""
    return np.array([figure.current_ma for figure in budget.figures])


def figure_std_ma(budget: Budget) -> Array:
    """Standard deviation of each figure: its tolerance holds 95 % (shape (figures,))."""
    return np.array(
        [figure.current_ma * figure.tolerance / COVERAGE_FACTOR for figure in budget.figures]
    )


def converted_share(budget: Budget) -> npt.NDArray[np.bool_]:
    """Which figures pass through a switching converter; shape (figures,)."""
    switching = budget.converter.switching
    return np.array(
        [switching and part.after_converter for part in budget.parts for _ in part.figures]
    )


def estimate_mode(budget: Budget, mode: Mode, pack_v: float) -> ModeEstimate:
    """Mean current of a mode with both intervals, and its peak.

    ``pack_v``: voltage of the pack at which to reckon. Raises ValueError if it is not positive.
    """
    if pack_v <= 0:
        raise ValueError(f"pack voltage {pack_v:g} V is not positive")
    row = design_row(budget, mode, pack_v)
    values, std = figure_values_ma(budget), figure_std_ma(budget)
    parts_ma = row * values
    mean_ma = float(parts_ma.sum()) + budget.converter.quiescent_ma
    through_ma = float(parts_ma[converted_share(budget)].sum())
    converter_half_ma = through_ma * budget.converter.efficiency_tolerance
    part_halves_ma = row * std * COVERAGE_FACTOR
    half_ma = math.hypot(*part_halves_ma, converter_half_ma)
    spread_ma = float(part_halves_ma.sum()) + converter_half_ma
    return ModeEstimate(
        mode=mode.name,
        hours=mode.hours,
        pack_v=pack_v,
        current=Quantity(
            mean_ma,
            "mA",
            mean_ma - half_ma,
            mean_ma + half_ma,
            COVERAGE,
            "tolerances of the parts and the converter, added as root sum of squares",
        ),
        worst_ma=(max(mean_ma - spread_ma, 0.0), mean_ma + spread_ma),
        peak_ma=pack_ma(budget, mode, pack_v),
    )


def estimate_evening(budget: Budget, pack_v: float) -> EveningEstimate:
    """Charge and energy the stated hours need. The parts' errors are the same in every mode.

    Raises ValueError if the budget's modes have no hours.
    """
    hours = sum(mode.hours for mode in budget.modes)
    if hours <= 0:
        raise ValueError("no mode has hours")
    row = sum(
        (mode.hours * design_row(budget, mode, pack_v) for mode in budget.modes),
        np.zeros(len(budget.figures)),
    )
    values, std = figure_values_ma(budget), figure_std_ma(budget)
    charge_mah = float(row @ values) + hours * budget.converter.quiescent_ma
    through_mah = float((row * values)[converted_share(budget)].sum())
    half_mah = math.hypot(
        *(row * std * COVERAGE_FACTOR), through_mah * budget.converter.efficiency_tolerance
    )
    note = "tolerances of the parts and the converter; nothing measured"

    def scaled(factor: float, unit: str) -> Quantity:
        low, high = (charge_mah - half_mah) * factor, (charge_mah + half_mah) * factor
        return Quantity(charge_mah * factor, unit, low, high, COVERAGE, note)

    return EveningEstimate(
        hours, scaled(1 / hours, "mA"), scaled(1.0, "mAh"), scaled(pack_v, "mWh")
    )


def pack_ma(budget: Budget, mode: Mode, pack_v: float, *, lasting: bool = False) -> float:
    """Every part of the mode at its highest used state at once, at the pack; ``lasting``: without its short peak."""
    return budget.converter.quiescent_ma + sum(
        highest_ma(budget, part, mode, pack_v, lasting=lasting)
        * reach(budget.converter, pack_v, part.after_converter)
        for part in budget.parts
    )


def regulated_ma(budget: Budget, mode: Mode, pack_v: float) -> float:
    """What the parts behind the converter draw in the mode's mean, at the parts."""
    return sum(
        part.quantity
        * mode.shares.get((figure.part, figure.state), 0.0)
        * figure.current_ma
        * budget.at_pack(part, figure, pack_v)
        for part in budget.parts
        if part.after_converter
        for figure in part.figures
    )


def wire_ma(
    budget: Budget, wire: Wire, mode: Mode, pack_v: float, *, lasting: bool = False
) -> float:
    """Current through a wire pair: the stated one, else its parts, or the whole pack's, at their highest used state.

    ``lasting``: without the short peaks.
    """
    if wire.current_ma is not None:
        return wire.current_ma
    if wire.of_pack:
        return pack_ma(budget, mode, pack_v, lasting=lasting)
    return sum(
        highest_ma(budget, budget.part(name), mode, pack_v, lasting=lasting)
        for name in wire.carries
    )


def drop_v(budget: Budget, wire: Wire, mode: Mode, pack_v: float) -> float:
    """Voltage lost in a wire pair, out and back, at the mode's peak."""
    return wire.loop_ohm * wire_ma(budget, wire, mode, pack_v) / 1000


def highest_ma(
    budget: Budget, part: Part, mode: Mode, pack_v: float, *, lasting: bool = False
) -> float:
    """All pieces of a part at the highest of the states that the mode uses, mA at the part; ``lasting``: without short peaks."""
    used = [
        (figure.current_ma if lasting else figure.peak_ma) * budget.at_pack(part, figure, pack_v)
        for figure in part.figures
        if mode.shares.get((figure.part, figure.state), 0.0) > 0
    ]
    return part.quantity * max(used, default=0.0)
