"""The whole of a budget: estimate, packs, and with a run the comparison, the culprit and the remedy."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.budget.changes import (
    demand_of,
    reconciled_budget,
    with_hours,
    worthwhile_changes,
)
from analysis.budget.compare import compare_budget
from analysis.budget.estimate import (
    estimate_evening,
    estimate_mode,
)
from analysis.budget.file import Budget
from analysis.budget.hazards import hazard_warnings, new_hazards
from analysis.budget.measured import RunModes, modes_of_run, shared_doubt
from analysis.budget.own_run import own_pack_run, run_name, same_pack
from analysis.budget.supply_limits import supply_warnings
from analysis.budget.told import BudgetStory as BudgetStory
from analysis.budget.voltages import voltage_warnings
from analysis.doubt.uncertainty import limits_of
from analysis.electric.demand import Demand
from analysis.electric.pack_choice import (
    OVER_WORDS,
    PackAnswer,
    in_order,
    judge_measured,
    judge_pack,
)
from analysis.electric.pack_table import CANDIDATES
from analysis.run.draw import beyond_in
from analysis.run.heat import HOTTEST, heat_caution, hottest_of
from analysis.run.row_noise import limits_in_run
from analysis.run.rundown import is_simulated, rundown
from analysis.run.trace import trace_of
from logger.base.errors import BenchError
from logger.base.pack import CHEMISTRIES, Pack
from logger.run.reader import Run

_SEED = 1
# Typical mean voltage under load as a share of the nominal one: alkaline cells sag most (from memory).
_MEAN_SHARE = {"alkaline": 0.82, "zinc-carbon": 0.78}


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
    if beyond is not None and beyond.hides_the_draw:
        raise BenchError(
            "The run cannot be compared with the budget: its current went beyond what the probe can see.",
            evidence=f"so for {beyond.share_words}; {beyond.note}",
            next_step=f"take a smaller shunt{f' ({beyond.shunt_words})' if beyond.shunt_words else ''} and record again.",
        )
    found = modes_of_run(budget, trace, run.description.events)
    if found.blurred:
        return _not_resolved(budget, run, found, temperature_c, own_packs, pack_runs, places)
    limits = limits_in_run(trace, limits_of(run.description))
    shared, doubts = shared_doubt(limits, found.mean_ma)
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
    return replace(story, warnings=run.first_things_first((*story.warnings, *_misfit(story))))


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
    told = run.first_things_first(story.warnings)
    return replace(story, run_modes=found, simulated=is_simulated(run), warnings=told)


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
        answer = judge_pack(pack, demand, np.random.default_rng(_SEED), temperature_c)
        # What it must not see is reason enough.
        more = new_hazards(basis, pack) if answer.runtime.value is not None else ()
        return replace(answer, reasons=(*more, *answer.reasons))

    pack_runs, own_run = runs
    measured = [_judge_run(item, demand) for item in pack_runs]
    asked = [*(judge(pack) for pack in own_packs), *measured]
    others = [
        judge(pack) for pack in CANDIDATES if (pack.chemistry, pack.cells, pack.size) not in known
    ]
    heat = heat_caution(hottest_of(trace_of(run)), HOTTEST) if run else _heat(basis)
    return BudgetStory(
        budget,
        pack_v,
        tuple(estimate_mode(budget, mode, pack_v) for mode in budget.modes),
        estimate_evening(with_hours(budget), pack_v),
        (fitted, *asked, *in_order(others)),
        tuple(worthwhile_changes(basis, pack_v, _SEED, temperature_c)),
        (
            *voltage_warnings(budget),
            *hazard_warnings(basis),
            *warnings,
            *_against(fitted),
            *supply_warnings(basis),
            *_hours(budget),
            *heat,
        ),
        own=measured[0] if own_run else None,
        own_run=own_run,
        asked=len(asked),
    )


def _against(fitted: PackAnswer) -> tuple[str, ...]:
    """What speaks against the budget's own pack, but for its voltage, which is told by itself."""
    return tuple(
        f"The pack of this budget, {fitted.name}: {reason}."
        for reason in fitted.reasons
        if not reason.startswith(OVER_WORDS)
    )


def _hours(budget: Budget) -> tuple[str, ...]:
    """Modes that the evening leaves out, because nobody said how long they last."""
    without = [mode.name for mode in budget.modes if mode.hours == 0]
    if not without:
        return ()
    if len(without) == len(budget.modes):
        return ("No mode says its hours: the evening is reckoned with one hour of each.",)
    return (f"Without hours, and so no part of the evening: {', '.join(without)}.",)


def _heat(budget: Budget) -> tuple[str, ...]:
    """Caution for the mode that turns most power into heat, if that is felt; cells are at their nominal voltage after minutes."""
    pack_v = budget.pack.nominal_v
    hottest = max(
        (estimate_mode(budget, mode, pack_v) for mode in budget.modes),
        key=lambda item: item.current.value or 0.0,
    )
    return heat_caution(
        (hottest.current.value or 0.0) * pack_v / 1000, f"In mode {hottest.mode!r} the piece"
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
