"""Where on the pack's way down, and in which mode, is most drawn, lost or turned into heat?

A boost or buck converter draws most from an empty pack (P / V); plain LEDs, and the heat of a linear
regulator, are greatest on a fresh one. All of these, and their sum, have their greatest value at an end of the way.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from analysis.budget.estimate import drop_v, pack_ma, regulated_ma, wire_ma
from analysis.budget.file import Budget, Mode
from analysis.electric.demand import way_down_v
from analysis.listed.wire import Wire

# What changes by less than this share on the way down is the same for the reader.
_SAME: Final = 0.02


@dataclass(frozen=True)
class Worst:
    """A greatest value (mA, V or mW), the mode it is in and the pack's voltage there; ``when``: in words, empty if it does not matter."""

    value: float
    mode: str
    pack_v: float
    when: str


def worst_of(
    budget: Budget, reckon: Callable[[Mode, float], float], mode: Mode | None = None
) -> Worst:
    """Greatest of ``reckon`` (mode, pack voltage) over the ends of the way down and the modes, or over one ``mode``."""
    fresh_v, empty_v = way_down_v(budget.pack, budget.floor_v)
    found = []
    for item in budget.modes if mode is None else (mode,):
        fresh, empty = reckon(item, fresh_v), reckon(item, empty_v)
        when = ""
        if abs(fresh - empty) > _SAME * max(fresh, empty):
            when = (
                f"from the fresh pack ({fresh_v:.2f} V)"
                if fresh > empty
                else f"with the pack down to {empty_v:.1f} V"
            )
        found.append(
            Worst(max(fresh, empty), item.name, fresh_v if fresh >= empty else empty_v, when)
        )
    return max(found, key=lambda item: item.value)


def worst_peak_ma(budget: Budget, mode: Mode | None = None) -> Worst:
    """Every part at its highest used state at once, at the pack."""
    return worst_of(budget, lambda item, pack_v: pack_ma(budget, item, pack_v), mode)


def worst_drop_v(budget: Budget, wire: Wire, mode: Mode | None = None) -> Worst:
    """Voltage lost in a pair of wires at the peak."""
    return worst_of(budget, lambda item, v: drop_v(budget, wire, item, v), mode)


def worst_lasting_ma(budget: Budget, wire: Wire) -> Worst:
    """Current through a pair of wires that may last."""
    return worst_of(budget, lambda item, v: wire_ma(budget, wire, item, v, lasting=True))


def worst_regulator_mw(budget: Budget) -> Worst:
    """Heat of a linear regulator: what stands across it times what flows through it, in the mode's mean."""
    output_v = budget.converter.output_v
    return worst_of(budget, lambda item, v: max(v - output_v, 0.0) * regulated_ma(budget, item, v))
