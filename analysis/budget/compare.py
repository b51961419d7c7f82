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
from analysis.budget.reconcile import (
    Reconciled,
    Slips,
    inseparable_sets,
    reconcile,
    usual_slips,
    with_slips,
)
from analysis.budget.suspects import Suspect, suspects
from analysis.doubt.quantity import Quantity

Array = npt.NDArray[np.float64]
CONVERTER_LABEL: Final = "converter loss"
# A mode that is off by more than this is worth a correction, whatever the tolerances: our own judgement.
CLOSE_SHARE: Final = 0.10
# A slip may be the wrong row of a data sheet, or a board that never sleeps: at least this share of the figure.
LEAST_SLIP: Final = 1.5
_ITERATIONS: Final = 20
_STILL: Final = 1e-4
# A converter that is not the one of the data sheet: its loss may be off by half.
_LEAST_LOSS_SLIP: Final = 0.5
# Where an unknown's own figure is not believed at all.
_BLANK: Final = 3.0


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

    @property
    def close(self) -> bool:
        """Explained, and so near that nobody need correct the budget: wide tolerances explain much."""
        estimated, difference = self.estimate.current.value, self.difference.value
        assert estimated is not None
        assert difference is not None
        return self.explained and abs(difference) <= CLOSE_SHARE * estimated


@dataclass(frozen=True)
class Alone:
    """What the run says of each unknown by itself, all others within their tolerances; shape (unknowns,).

    Its own tolerance is not believed here: so wide a doubt means that the run does not tell.
    """

    value: Array
    std: Array


@dataclass(frozen=True)
class BudgetComparison:
    """All modes, and the figures before and after; the converter's entry comes last where there is one.

    ``labels`` name the entries of ``reconciled``; the converter's is a factor on its loss-carrying
    current (1 = as written), not a current. ``suspects``: what else may be wrong; ``after`` and
    ``slip`` are those of the figures, the converter and then these. ``alone``: in the same order.
    """

    modes: tuple[ModeComparison, ...]
    labels: tuple[str, ...]
    reconciled: Reconciled
    efficiency: Quantity | None
    inseparable: tuple[tuple[str, ...], ...]
    suspects: tuple[Suspect, ...]
    after: Reconciled
    alone: Alone


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
    pack_v = np.array([item.pack_v for item in measured])
    model = _model(budget, modes, currents, pack_v, cov)
    return _comparison(budget, model, comparisons)


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


@dataclass(frozen=True)
class _Model:
    """y = rows (factor x) + extra e: figures x, the converter's loss in factor, suspects e.

    ``rows``: (modes, figures); ``extra``: (modes, suspects); ``prior``, ``std``: (unknowns,), the
    loss between figures and suspects where ``loss`` holds; ``target``, ``cov``: what was measured.
    """

    rows: Array
    through: npt.NDArray[np.bool_]
    extra: Array
    loss: bool
    prior: Array
    std: Array
    slips: Slips
    target: Array
    cov: Array
    labels: tuple[str, ...]
    suspects: tuple[Suspect, ...]

    @property
    def listed(self) -> int:
        """How many unknowns the budget lists: its figures, and the loss."""
        return len(self.labels)

    def linear(self, point: Array) -> tuple[Array, Array]:
        """Jacobian (modes, unknowns) and the modes' currents at ``point``."""
        count = self.rows.shape[1]
        figures, loss = point[:count], point[count] if self.loss else 1.0
        factor = np.where(self.through, loss, 1.0)
        columns = [factor * self.rows]
        if self.loss:
            columns.append((self.rows[:, self.through] @ figures[self.through])[:, None])
        modelled = self.rows @ (factor * figures) + self.extra @ point[self.listed :]
        return np.column_stack([*columns, self.extra]), modelled

    def update(self, std: Array) -> Reconciled:
        """Posterior with these standard deviations, relinearised until it stands still."""
        point = self.prior.copy()
        for _ in range(_ITERATIONS if self.loss else 1):
            jacobian, modelled = self.linear(point)
            aim = self.target - modelled + jacobian @ point
            result = reconcile(jacobian, self.prior, std, aim, self.cov)
            step = np.max(np.abs(result.posterior_ma - point) / np.where(std > 0, std, 1.0))
            point = result.posterior_ma
            if step < _STILL:
                break
        return result


def _model(budget: Budget, modes: list[Mode], currents: Array, pack_v: Array, cov: Array) -> _Model:
    rows = np.array([design_row(budget, m, v) for m, v in zip(modes, pack_v.tolist(), strict=True)])
    prior, std = figure_values_ma(budget), figure_std_ma(budget)
    through = converted_share(budget)
    loss = bool(through.any()) and budget.converter.efficiency_tolerance > 0
    labels = tuple(figure.label for figure in budget.figures)
    least = LEAST_SLIP * prior
    if loss:
        prior = np.append(prior, 1.0)
        std = np.append(std, budget.converter.efficiency_tolerance / COVERAGE_FACTOR)
        least = np.append(least, _LEAST_LOSS_SLIP)
        labels = (*labels, CONVERTER_LABEL)
    others = suspects(budget, modes, currents, pack_v)
    usual = usual_slips(std)
    slips = Slips(
        np.append(np.maximum(usual.wide_std_ma, least), [item.wide_std for item in others]),
        np.append(usual.share, [item.share for item in others]),
        np.append(usual.positive, [not item.duty for item in others]).astype(bool),
        np.append(usual.single, [True for _ in others]).astype(bool),
    )
    nothing = np.zeros(len(others))
    extra = np.array([item.column for item in others]).T.reshape(len(modes), len(others))
    target = currents - budget.converter.quiescent_ma
    return _Model(
        rows, through, extra, loss, np.append(prior, nothing), np.append(std, nothing), slips, target, cov,
        labels, others,
    )  # fmt: skip


def _comparison(
    budget: Budget, model: _Model, modes: tuple[ModeComparison, ...]
) -> BudgetComparison:
    after = with_slips(model.std, model.update, model.slips)
    jacobian, _ = model.linear(after.posterior_ma)
    groups = inseparable_sets(jacobian[:, : model.listed])
    listed = after.first(model.listed)
    return BudgetComparison(
        modes,
        model.labels,
        listed,
        _efficiency(budget, listed, model.labels),
        tuple(tuple(model.labels[index] for index in group) for group in groups),
        model.suspects,
        after,
        _alone(model),
    )


def _alone(model: _Model) -> Alone:
    """Each unknown with its own tolerance not believed."""
    value, spread = model.prior.copy(), np.zeros(model.prior.shape)
    for index in np.flatnonzero(model.slips.share > 0):
        std = model.std.copy()
        std[index] = max(_BLANK * model.slips.wide_std_ma[index], std[index])
        result = model.update(std)
        value[index] = result.posterior_ma[index]
        spread[index] = result.posterior_std_ma[index]
    return Alone(value, spread)


def _efficiency(budget: Budget, result: Reconciled, labels: tuple[str, ...]) -> Quantity | None:
    """Efficiency after the run: the factor on the loss turned round."""
    if not labels or labels[-1] != CONVERTER_LABEL:
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
