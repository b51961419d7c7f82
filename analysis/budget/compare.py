"""Budget against run: mode by mode, then which figures must have been wrong.

The converter's efficiency is one more unknown. It multiplies the figures, so the
update of ``reconcile`` is repeated on the model linearised at the last answer
(iterated extended Kalman update, Bell & Cathey 1993; Gauss-Newton on the posterior).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.budget.estimate import (
    COVERAGE_FACTOR,
    ModeEstimate,
    converted_share,
    design_row,
    estimate_mode,
    figure_std_ma,
    figure_values_ma,
)
from analysis.budget.file import Budget, Mode
from analysis.budget.reconcile import Reconciled, reconcile, with_slips
from analysis.doubt.quantity import Quantity

Array = npt.NDArray[np.float64]
CONVERTER_LABEL: Final = "converter loss"
_ITERATIONS: Final = 20


@dataclass(frozen=True)
class MeasuredMode:
    """Mean current and voltage of one mode in the run.

    ``noise_std_ma``: standard uncertainty of the mean that no other mode shares.
    """

    mode: str
    current_ma: float
    pack_v: float
    noise_std_ma: float
    duration_s: float


@dataclass(frozen=True)
class SharedDoubt:
    """What all modes of a run share: offset (mA) and gain (fraction) of the sensor, standard uncertainties."""

    offset_std_ma: float
    gain_std: float


@dataclass(frozen=True)
class ModeComparison:
    """One mode: estimate, measurement and whether they differ by more than their doubts."""

    estimate: ModeEstimate
    measured: Quantity
    difference: Quantity

    @property
    def explained(self) -> bool:
        """True: the tolerances and the measurement's doubt hold the difference."""
        low, high = self.difference.lower, self.difference.upper
        return low is not None and high is not None and low <= 0.0 <= high


@dataclass(frozen=True)
class BudgetComparison:
    """All modes, and the figures before and after; the converter's entry comes last where there is one.

    ``labels`` name the entries of ``reconciled``; the converter's is a factor on its loss-carrying
    current (1 = as written), not a current.
    """

    modes: tuple[ModeComparison, ...]
    labels: tuple[str, ...]
    reconciled: Reconciled
    efficiency: Quantity | None

    @property
    def inseparable(self) -> tuple[tuple[str, ...], ...]:
        return tuple(tuple(self.labels[i] for i in group) for group in self.reconciled.inseparable)


def compare_budget(
    budget: Budget, measured: tuple[MeasuredMode, ...], shared: SharedDoubt
) -> BudgetComparison:
    """Compare every measured mode with its estimate and reconcile the figures.

    Raises ValueError if a measured mode is not in the budget or none was measured.
    """
    by_name = {mode.name: mode for mode in budget.modes}
    missing = [item.mode for item in measured if item.mode not in by_name]
    if missing or not measured:
        raise ValueError(f"measured modes {missing} are not in the budget")
    modes = [by_name[item.mode] for item in measured]
    currents = np.array([item.current_ma for item in measured])
    noise = np.diag([item.noise_std_ma**2 for item in measured])
    cov = noise + shared.offset_std_ma**2 + shared.gain_std**2 * np.outer(currents, currents)
    comparisons = tuple(
        _compare_mode(budget, mode, item, float(np.sqrt(cov[index, index])))
        for index, (mode, item) in enumerate(zip(modes, measured, strict=True))
    )
    result, labels = _reconcile_budget(budget, modes, measured, currents, cov)
    return BudgetComparison(comparisons, labels, result, _efficiency(budget, result, labels))


def _compare_mode(budget: Budget, mode: Mode, item: MeasuredMode, std_ma: float) -> ModeComparison:
    estimate = estimate_mode(budget, mode, item.pack_v)
    assert estimate.current.value is not None
    assert estimate.current.upper is not None
    half = COVERAGE_FACTOR * std_ma
    difference = item.current_ma - estimate.current.value
    both = float(np.hypot(half, estimate.current.upper - estimate.current.value))
    return ModeComparison(
        estimate,
        Quantity(item.current_ma, "mA", item.current_ma - half, item.current_ma + half, 0.95),
        Quantity(difference, "mA", difference - both, difference + both, 0.95),
    )


def _reconcile_budget(
    budget: Budget,
    modes: list[Mode],
    measured: tuple[MeasuredMode, ...],
    currents: Array,
    cov: Array,
) -> tuple[Reconciled, tuple[str, ...]]:
    rows = np.array([design_row(budget, m, i.pack_v) for m, i in zip(modes, measured, strict=True)])
    prior, std = figure_values_ma(budget), figure_std_ma(budget)
    labels = tuple(figure.label for figure in budget.figures)
    target = currents - budget.converter.quiescent_ma
    through = converted_share(budget)
    if not through.any() or budget.converter.efficiency_tolerance == 0:
        result = with_slips(std, lambda wide: reconcile(rows, prior, wide, target, cov))
        return result, labels
    prior = np.append(prior, 1.0)
    std = np.append(std, budget.converter.efficiency_tolerance / COVERAGE_FACTOR)
    result = with_slips(std, lambda wide: _iterated(rows, through, prior, wide, target, cov))
    return result, (*labels, CONVERTER_LABEL)


def _iterated(
    rows: Array, through: npt.NDArray[np.bool_], prior: Array, std: Array, target: Array, cov: Array
) -> Reconciled:
    """Update with the converter's loss as last unknown, relinearised until it stands still."""
    point = prior.copy()
    for _ in range(_ITERATIONS):
        figures, loss = point[:-1], point[-1]
        factor = np.where(through, loss, 1.0)
        jacobian = np.column_stack([factor * rows, rows[:, through] @ figures[through]])
        model = rows @ (factor * figures)
        result = reconcile(jacobian, prior, std, target - model + jacobian @ point, cov)
        step = np.max(np.abs(result.posterior_ma - point) / np.where(std > 0, std, 1.0))
        point = result.posterior_ma
        if step < 1e-6:
            break
    return result


def _efficiency(budget: Budget, result: Reconciled, labels: tuple[str, ...]) -> Quantity | None:
    """Efficiency after the run: the factor on the loss turned round."""
    if labels[-1] != CONVERTER_LABEL:
        return None
    low, high = result.interval_ma(0.9)
    efficiency = 100 * budget.converter.efficiency
    return Quantity(
        efficiency / result.posterior_ma[-1],
        "%",
        efficiency / high[-1],
        efficiency / low[-1],
        0.9,
    )
