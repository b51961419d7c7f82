"""The whole of a budget: estimate, packs, and with a run the comparison, the culprit and the remedy."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from analysis.budget.changes import (
    Change,
    demand_of,
    reconciled_budget,
    with_hours,
    worthwhile_changes,
)
from analysis.budget.compare import CONVERTER_LABEL, BudgetComparison, compare_budget
from analysis.budget.estimate import (
    COVERAGE_FACTOR,
    EveningEstimate,
    ModeEstimate,
    estimate_evening,
    estimate_mode,
    figure_std_ma,
)
from analysis.budget.file import Budget
from analysis.budget.hazards import hazard_warnings
from analysis.budget.measured import RunModes, modes_of_run, shared_doubt
from analysis.budget.own_run import own_pack_run, run_name, same_pack
from analysis.budget.story_json import budget_json
from analysis.budget.supply_limits import supply_warnings
from analysis.budget.suspects import Suspect
from analysis.budget.unresolved import Unresolved, unresolved, unresolved_modes
from analysis.budget.voltages import voltage_warnings
from analysis.doubt.beyond import RARELY_BEYOND
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import limits_of
from analysis.electric.pack_choice import (
    OVER_WORDS,
    Demand,
    PackAnswer,
    in_order,
    judge_measured,
    judge_pack,
)
from analysis.electric.pack_table import CANDIDATES
from analysis.run.draw import beyond_in
from analysis.run.heat import HOTTEST, heat_caution, hottest_of
from analysis.run.rundown import is_simulated, rundown
from analysis.run.trace import trace_of
from logger.base.errors import BenchError
from logger.base.pack import CHEMISTRIES, Pack
from logger.run.reader import Run

_SEED = 1
# Typical mean voltage under load as a share of the nominal one: alkaline cells sag most (from memory).
_MEAN_SHARE = {"alkaline": 0.82, "zinc-carbon": 0.78}
_FACTOR_90 = 1.6449
EFFICIENCY_LABEL = "converter efficiency"


@dataclass(frozen=True)
class BudgetStory:
    """Everything a budget says. Without a run, ``run_modes`` and ``comparison`` are None; with one in
    which modes run together only ``comparison`` is.

    ``packs`` and ``changes`` rest on the corrected budget where there is a run. ``own``: the budget's
    own pack by a run in which it was emptied, also among ``packs``; ``own_run`` names that run.
    """

    budget: Budget
    pack_v: float
    estimates: tuple[ModeEstimate, ...]
    evening: EveningEstimate
    packs: tuple[PackAnswer, ...]
    changes: tuple[Change, ...]
    warnings: tuple[str, ...]
    run_modes: RunModes | None = None
    comparison: BudgetComparison | None = None
    corrected: Budget | None = None
    simulated: bool = False
    own: PackAnswer | None = None
    own_run: str = ""

    @cached_property
    def unresolved(self) -> tuple[Unresolved, ...]:
        """What the run leaves open; empty without a run."""
        if self.run_modes is None:
            return ()
        modes = unresolved_modes(self.budget, self.run_modes)
        return (
            modes
            if self.comparison is None
            else (*modes, *unresolved(self.budget, self.comparison))
        )

    @property
    def all_clear(self) -> bool:
        """The run resolves every part, and the budget holds in every mode."""
        return (
            self.comparison is not None
            and not self.culprits
            and not self.misfit
            and not self.unresolved
            and all(item.close for item in self.comparison.modes)
        )

    @property
    def culprits(self) -> tuple[int, ...]:
        """Indices into ``figure_rows`` of what is most likely wrong, the surest first; none where modes ran together."""
        if self.comparison is None:
            return ()
        return tuple(self._row_of(index) for index in self.comparison.after.leading)

    def _row_of(self, unknown: int) -> int:
        """Row of an unknown: suspects have one only where they are named."""
        assert self.comparison is not None
        listed = len(self.comparison.labels)
        return unknown if unknown < listed else listed + self._named.index(unknown - listed)

    @property
    def _named(self) -> list[int]:
        """Which suspects are named as wrong."""
        if self.comparison is None:
            return []
        listed = len(self.comparison.labels)
        return sorted(index - listed for index in self.comparison.after.leading if index >= listed)

    @property
    def misfit(self) -> bool:
        """No figure within its tolerance explains the run, and no culprit does."""
        fitted = self.comparison
        return fitted is not None and fitted.reconciled.chi2_p < 0.01 and not fitted.after.leading

    def as_json(self) -> dict[str, Any]:
        """Results in the usual object form."""
        return budget_json(self)

    def figure_rows(self) -> tuple[tuple[str, Quantity, Quantity], ...]:
        """Every figure: label, before and after (90 %); without a run there is no after."""
        if self.comparison is None:
            unmeasured = Quantity(None, "mA", note="nothing measured")
            return tuple(
                (figure.label, prior_quantity(figure.current_ma, std), unmeasured)
                for figure, std in zip(
                    self.budget.figures, figure_std_ma(self.budget).tolist(), strict=True
                )
            )
        after = self.comparison.reconciled
        low, high = after.interval_ma(0.9)
        rows = []
        for index, label in enumerate(self.comparison.labels):
            if label == CONVERTER_LABEL:
                rows.append((EFFICIENCY_LABEL, *self._efficiency_pair()))
                continue
            before = prior_quantity(float(after.prior_ma[index]), float(after.prior_std_ma[index]))
            rows.append(
                (
                    label,
                    before,
                    Quantity(
                        float(after.posterior_ma[index]),
                        "mA",
                        min(float(low[index]), float(after.posterior_ma[index])),
                        max(float(high[index]), float(after.posterior_ma[index])),
                        0.9,
                    ),
                )
            )
        return (*rows, *(self._suspect_row(index) for index in self._named))

    def _suspect_row(self, place: int) -> tuple[str, Quantity, Quantity]:
        """A suspect that is named: a draw from nothing, or a share of the time from what was written."""
        assert self.comparison is not None
        item, index = self.comparison.suspects[place], len(self.comparison.labels) + place
        low, high = self.comparison.after.interval_ma(0.9)
        value = float(self.comparison.after.posterior_ma[index])
        ends = min(float(low[index]), value), max(float(high[index]), value)
        if not item.duty:
            others = [other for other in self._named if not self.comparison.suspects[other].duty]
            number = others.index(place)
            return (
                item.label if number == 0 else f"{item.label} {number + 1}",
                Quantity(0.0, "mA", 0.0, 0.0),
                Quantity(value, "mA", max(ends[0], 0.0), ends[1], 0.9),
            )
        share = self._share(item)
        before, after = (
            100 * share,
            [min(max(100 * (share + end), 0.0), 100.0) for end in (value, *ends)],
        )
        return (
            item.label,
            Quantity(before, "%", before, before),
            Quantity(after[0], "%", after[1], after[2], 0.9),
        )

    def _share(self, item: Suspect) -> float:
        mode = next(mode for mode in self.budget.modes if mode.name == item.modes[0])
        return mode.shares.get((item.part, item.state), 0.0)

    def _efficiency_pair(self) -> tuple[Quantity, Quantity]:
        assert self.comparison is not None
        assert self.comparison.efficiency is not None
        before = 100 * self.budget.converter.efficiency
        half = before * self.budget.converter.efficiency_tolerance * _FACTOR_90 / COVERAGE_FACTOR
        return Quantity(before, "%", before - half, before + half, 0.9), self.comparison.efficiency


def prior_quantity(value_ma: float, std_ma: float) -> Quantity:
    """A figure as the budget states it, with its tolerance brought to 90 %."""
    half = _FACTOR_90 * std_ma
    return Quantity(value_ma, "mA", value_ma - half, value_ma + half, 0.9)


def tell_budget(
    budget: Budget,
    run: Run | None = None,
    *,
    temperature_c: float = 20.0,
    own_packs: tuple[Pack, ...] = (),
    pack_runs: tuple[Run, ...] | None = (),
    places: Sequence[Path] = (),
) -> BudgetStory:
    """Estimate and packs; with a run also the comparison, the corrected figures and what to change.

    ``own_packs`` are judged by typical curves, ``pack_runs`` by the curve that each run measured; None: the
    newest run below ``places`` in which the budget's own pack was emptied, see ``own_pack_run``.

    Raises BenchError if the run has no current or shows none of the budget's modes.
    """
    if not any(figure.current_ma > 0 for figure in budget.figures):
        raise BenchError(
            "By this budget nothing draws any current.",
            next_step="put at least one figure above 0 under [part.current_ma].",
        )
    if run is None:
        pack_v = typical_v(budget.pack)
        runs = _runs_of(budget, budget, pack_v, pack_runs, places, None)
        return _story(budget, budget, pack_v, temperature_c, own_packs, runs, ())
    trace = trace_of(run)
    beyond = beyond_in(trace, limits_of(run.description), run.description)
    if beyond is not None and beyond.current and beyond.share > RARELY_BEYOND:
        raise BenchError(
            "The run cannot be compared with the budget: its current went beyond what the probe can see.",
            evidence=f"so for {beyond.share_words}; {beyond.note}",
            next_step=f"take a smaller shunt{f' ({beyond.shunt_words})' if beyond.shunt_words else ''} and record again.",
        )
    found = modes_of_run(budget, trace, run.description.events)
    if found.blurred:
        return _not_resolved(budget, run, found, temperature_c, own_packs, pack_runs, places)
    shared, doubts = shared_doubt(limits_of(run.description))
    comparison = compare_budget(budget, found.measured, shared)
    corrected = reconciled_budget(budget, comparison)
    pack_v = float(np.mean([item.pack_v for item in found.measured]))
    rare = () if beyond is None else (f"Measured means are no less than shown: {beyond.note}.",)
    warnings = (*found.warnings, *doubts, *rare)
    runs = _runs_of(budget, corrected, pack_v, pack_runs, places, run)
    story = _story(budget, corrected, pack_v, temperature_c, own_packs, runs, warnings, run)
    # A measured mode is estimated at the voltage it was measured at.
    measured = {item.estimate.mode: item.estimate for item in comparison.modes}
    story = replace(
        story,
        estimates=tuple(measured.get(item.mode, item) for item in story.estimates),
        run_modes=found,
        comparison=comparison,
        corrected=corrected,
        simulated=is_simulated(run),
    )
    return replace(story, warnings=(*story.warnings, *_misfit(story)))


def _not_resolved(
    budget: Budget,
    run: Run,
    found: RunModes,
    temperature_c: float,
    own_packs: tuple[Pack, ...],
    pack_runs: tuple[Run, ...] | None,
    places: Sequence[Path],
) -> BudgetStory:
    """The budget as it is written: modes that run together judge no figure."""
    pack_v = float(np.mean([item.pack_v for item in found.measured]))
    runs = _runs_of(budget, budget, pack_v, pack_runs, places, run)
    warnings = (*found.told, *found.warnings)
    story = _story(budget, budget, pack_v, temperature_c, own_packs, runs, warnings, run)
    return replace(story, run_modes=found, simulated=is_simulated(run))


def _runs_of(
    budget: Budget,
    basis: Budget,
    pack_v: float,
    asked: tuple[Run, ...] | None,
    places: Sequence[Path],
    run: Run | None,
) -> tuple[tuple[Run, ...], str]:
    """The runs that stand for a pack, the budget's own first; and the name of that one."""
    if asked is None:
        mean_ma = estimate_evening(with_hours(basis), pack_v).mean_current.value or 0.0
        found = own_pack_run(budget, mean_ma, places, run)
        return ((), "") if found is None else ((found,), run_name(found))
    of_own = [item for item in asked if same_pack(item.description.pack, budget.pack)]
    if not of_own:
        return asked, ""
    others = tuple(item for item in asked if item is not of_own[0])
    return (of_own[0], *others), run_name(of_own[0])


def typical_v(pack: Pack) -> float:
    """Mean voltage of a pack under load over its life, about (typical, from memory)."""
    return CHEMISTRIES[pack.chemistry].nominal_v * pack.cells * _MEAN_SHARE.get(pack.chemistry, 1.0)


def _story(
    budget: Budget,
    basis: Budget,
    pack_v: float,
    temperature_c: float,
    own_packs: tuple[Pack, ...],
    runs: tuple[tuple[Run, ...], str],
    warnings: tuple[str, ...],
    run: Run | None = None,
) -> BudgetStory:
    """``basis``: the budget that packs and changes are reckoned with; the estimate is the maker's own."""
    demand = demand_of(basis, pack_v)
    fitted = judge_pack(budget.pack, demand, np.random.default_rng(_SEED), temperature_c)
    known = {(pack.chemistry, pack.cells, pack.size) for pack in (budget.pack, *own_packs)}

    def judge(pack: Pack) -> PackAnswer:
        return judge_pack(pack, demand, np.random.default_rng(_SEED), temperature_c)

    pack_runs, own_run = runs
    measured = [_judge_run(item, demand) for item in pack_runs]
    asked = [*(judge(pack) for pack in own_packs), *measured]
    others = [
        judge(pack) for pack in CANDIDATES if (pack.chemistry, pack.cells, pack.size) not in known
    ]
    too_high = voltage_warnings(budget)
    peaks = tuple(
        f"The pack of this budget, {fitted.name}: {reason}."
        for reason in fitted.reasons
        if not reason.startswith(OVER_WORDS)
    )
    return BudgetStory(
        budget,
        pack_v,
        tuple(estimate_mode(budget, mode, pack_v) for mode in budget.modes),
        estimate_evening(with_hours(budget), pack_v),
        (fitted, *asked, *in_order(others)),
        tuple(worthwhile_changes(basis, pack_v, _SEED)),
        (
            *too_high,
            *hazard_warnings(basis, pack_v),
            *warnings,
            *peaks,
            *supply_warnings(basis),
            *_hours(budget),
            *(
                _heat(basis, pack_v)
                if run is None
                else heat_caution(hottest_of(trace_of(run)), HOTTEST)
            ),
        ),
        own=measured[0] if own_run else None,
        own_run=own_run,
    )


def _hours(budget: Budget) -> tuple[str, ...]:
    """Modes that the evening leaves out, because nobody said how long they last."""
    without = [mode.name for mode in budget.modes if mode.hours == 0]
    if not without:
        return ()
    if len(without) == len(budget.modes):
        return ("No mode says its hours: the evening is reckoned with one hour of each.",)
    return (f"Without hours, and so no part of the evening: {', '.join(without)}.",)


def _heat(budget: Budget, pack_v: float) -> tuple[str, ...]:
    """Caution for the mode that turns most power into heat, if that is felt."""
    hottest = max(
        (estimate_mode(budget, mode, pack_v) for mode in budget.modes),
        key=lambda item: item.current.value or 0.0,
    )
    return heat_caution(
        (hottest.current.value or 0.0) * pack_v / 1000, f"In {hottest.mode} the piece"
    )


def _judge_run(run: Run, demand: Demand) -> PackAnswer:
    """A pack by its own measured rundown. Raises BenchError if the run cannot tell."""
    pack = run.description.pack
    trace = trace_of(run)
    if pack is None or trace.voltage_v is None or trace.current_ma is None:
        raise BenchError(
            f"The run {run.folder} cannot stand for a pack.",
            evidence="it lacks " + ("its pack's kind" if pack is None else "voltage or current"),
            next_step="use a run recorded with --pack, with voltage and current.",
        )
    alive = ~trace.dead
    result = rundown(run, None, 0.0).charge
    doubt = 0.0
    if result.value and result.upper is not None:
        doubt = (result.upper - result.value) / result.value / 1.96
    charge = np.cumsum((trace.current_ma * trace.weight_s)[alive]) / 3600
    title = run.description.title or run.folder.name
    return judge_measured(
        pack, np.maximum.accumulate(charge), trace.voltage_v[alive], demand,
        np.random.default_rng(_SEED), charge_std=doubt, name=f"{pack} as in {title!r}",
    )  # fmt: skip


def _misfit(story: BudgetStory) -> tuple[str, ...]:
    """A budget that no figure within its tolerance can explain; the culprit, if there is one, does."""
    if not story.misfit:
        return ()
    return (
        "Budget and run do not fit together even at the edge of the stated tolerances: "
        "something draws current that the budget does not list, or a tolerance is stated too small.",
    )
