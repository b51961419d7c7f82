"""What to change: the runtime each change would bring, from the budget the run has corrected."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.budget.compare import BudgetComparison
from analysis.budget.estimate import (
    COVERAGE_FACTOR,
    converted_share,
    design_row,
    estimate_evening,
    figure_values_ma,
    highest_ma,
    pack_ma,
    reach,
)
from analysis.budget.file import Budget, Mode
from analysis.budget.hazards import new_hazards
from analysis.budget.suspects import UNLISTED, Suspect
from analysis.budget.voltages import ceilings
from analysis.budget.worst import worst_peak_ma
from analysis.doubt.quantity import Quantity
from analysis.electric.demand import Demand, LedDraw
from analysis.electric.pack_choice import PackAnswer, judge_pack
from analysis.listed.part import Figure, Part
from logger.base.pack import Pack

DIM_TO: Final = 0.7
SHORTEN_BY: Final = 0.5
# A mode of a minute is no pulse to a cell any more: our own judgement.
LASTING_H: Final = 1 / 60
# A change that brings less than this share of the runtime is not worth a line.
WORTH: Final = 0.01


@dataclass(frozen=True)
class Change:
    """One change and the runtime with it; ``gained`` against the budget as it is."""

    words: str
    runtime: Quantity
    gained: Quantity


def reconciled_budget(budget: Budget, comparison: BudgetComparison) -> Budget:
    """The budget with every figure and its doubt as the run has left them."""
    after = comparison.reconciled
    std = after.posterior_std_ma
    new: dict[tuple[str, str], Figure] = {}
    for index, figure in enumerate(budget.figures):
        value = max(float(after.posterior_ma[index]), 0.0)
        tolerance = COVERAGE_FACTOR * float(std[index]) / value if value > 0 else 0.0
        peak = max(figure.peak_ma, value)
        new[figure.part, figure.state] = replace(
            figure, current_ma=value, peak_ma=peak, tolerance=tolerance
        )
    parts = tuple(
        replace(part, figures=tuple(new[item.part, item.state] for item in part.figures))
        for part in budget.parts
    )
    converter = budget.converter
    if comparison.efficiency is not None and comparison.efficiency.value is not None:
        converter = replace(
            converter,
            efficiency=comparison.efficiency.value / 100,
            efficiency_tolerance=COVERAGE_FACTOR * float(std[-1]) / float(after.posterior_ma[-1]),
        )
    return with_suspects(replace(budget, parts=parts, converter=converter), comparison)


def named_suspects(comparison: BudgetComparison) -> list[tuple[Suspect, float, float]]:
    """What is named as wrong besides the figures: the suspect, its value and its standard deviation."""
    listed, after = len(comparison.labels), comparison.after
    return [
        (
            comparison.suspects[index - listed],
            float(after.posterior_ma[index]),
            float(after.posterior_std_ma[index]),
        )
        for index in after.leading
        if index >= listed
    ]


def with_suspects(budget: Budget, comparison: BudgetComparison) -> Budget:
    """The budget with a part for each draw that it does not list, and with duties as they were."""
    for item, value, std in named_suspects(comparison):
        if item.duty:
            modes = tuple(
                replace(mode, shares=duty_shares(mode, item, value))
                if mode.name in item.modes
                else mode
                for mode in budget.modes
            )
            budget = replace(budget, modes=modes)
        elif value > 0:
            name, state = unlisted_name(budget), "on"
            figure = Figure(name, state, value, value, COVERAGE_FACTOR * std / value, "measured")
            modes = tuple(
                replace(mode, shares={**mode.shares, (name, state): 1.0})
                if mode.name in item.modes
                else mode
                for mode in budget.modes
            )
            part = Part(name, 1, False, (figure,))
            budget = replace(budget, parts=(*budget.parts, part), modes=modes)
    return budget


def unlisted_name(budget: Budget) -> str:
    """A name for what the budget does not list, not taken yet."""
    taken = {part.name for part in budget.parts}
    names = [UNLISTED, *(f"{UNLISTED} {number}" for number in range(2, len(taken) + 3))]
    return next(name for name in names if name not in taken)


def duty_shares(mode: Mode, item: Suspect, change: float) -> dict[tuple[str, str], float]:
    """Shares of a mode with one state on for ``change`` longer, and its counterpart, where it has one, for less."""
    shares, key = dict(mode.shares), (item.part, item.state)
    others = [
        other for other in shares if other[0] == item.part and other != key and shares[other] > 0
    ]
    room = sum(shares[other] for other in others) if others else 1.0 - shares[key]
    change = min(max(change, -shares[key]), room)
    shares[key] += change
    if others:
        shares[others[0]] -= change
    return shares


def demand_of(budget: Budget, pack_v: float) -> Demand:
    """What the stated evening asks of a pack; without hours, every mode counts alike."""
    timed = with_hours(budget)
    evening = estimate_evening(timed, pack_v)
    value, upper = evening.mean_current.value, evening.mean_current.upper
    assert value is not None
    assert upper is not None
    power_mw, current_ma = 0.0, timed.converter.quiescent_ma
    through, follows = converted_share(timed), _follows(timed)
    values = figure_values_ma(timed)
    for mode in timed.modes:
        draws = design_row(timed, mode, pack_v) * values * mode.hours / evening.hours
        power_mw += float(draws[through].sum()) * pack_v
        current_ma += float(draws[~through & ~follows].sum())
    highest = timed.mode(worst_peak_ma(timed).mode)
    leds = _led_draws(timed, highest)
    converted_ma = sum(
        highest_ma(timed, part, highest, pack_v) * reach(timed.converter, pack_v)
        for part in timed.parts
        if part.after_converter and timed.converter.switching
    )
    peak_power_mw = converted_ma * pack_v
    peak_current_ma = (
        pack_ma(timed, highest, pack_v)
        - converted_ma
        - sum(led.peak_ma_per_v * float(led.over_v(np.array(pack_v))) for led in leds)
    )
    limits = ceilings(timed)
    return Demand(
        power_mw,
        current_ma,
        (upper - value) / value / COVERAGE_FACTOR if value > 0 else 0.0,
        peak_power_mw,
        peak_current_ma,
        budget.floor_v,
        limits[0].most_v if limits else 0.0,
        sum(mode.hours for mode in budget.modes),
        limits,
        leds,
        _by_mode(timed, pack_v),
        timed.modes[0].name if len(timed.modes) == 1 else "",
    )


def _by_mode(budget: Budget, pack_v: float) -> tuple[Demand, ...]:
    """What each mode asks that lasts long enough to heat cells."""
    if len(budget.modes) < 2:
        return ()
    lasting = [mode for mode in budget.modes if mode.hours >= LASTING_H]
    return tuple(demand_of(replace(budget, modes=(mode,)), pack_v) for mode in lasting)


def _follows(budget: Budget) -> npt.NDArray[np.bool_]:
    """Which figures follow the pack's voltage: plain LEDs that no boost or buck converter holds; shape (figures,)."""
    follows = np.array([bool(figure.supply_v) for figure in budget.figures])
    return follows & ~converted_share(budget)


def _led_draws(budget: Budget, highest: Mode) -> tuple[LedDraw, ...]:
    """The figures that follow the pack. ``highest``: the mode of the highest peak."""
    hours = sum(mode.hours for mode in budget.modes)
    found = []
    pairs = [(part, figure) for part in budget.parts for figure in part.figures]
    for follows, (part, figure) in zip(_follows(budget), pairs, strict=True):
        if not follows:
            continue
        key = (figure.part, figure.state)
        # Behind its wire, per volt over the forward voltage.
        per_v = part.quantity * figure.at_rail(figure.forward_v + 1.0, budget.wire_ohm(part))
        share = sum(mode.shares.get(key, 0.0) * mode.hours for mode in budget.modes) / hours
        # Of several states only the highest one makes the part's peak.
        lit = [
            item for item in part.figures if highest.shares.get((item.part, item.state), 0.0) > 0
        ]
        peaks = lit and figure is max(lit, key=lambda item: item.peak_ma)
        held = budget.converter.kind == "linear" and part.after_converter
        if share > 0 or peaks:
            found.append(
                LedDraw(
                    part.name,
                    figure.forward_v,
                    share * figure.current_ma * per_v,
                    figure.peak_ma * per_v if peaks else 0.0,
                    budget.converter.output_v if held else np.inf,
                    figure.supply_v,
                )
            )
    return tuple(found)


def with_hours(budget: Budget) -> Budget:
    """The budget itself, or with one hour for each mode if no mode has any."""
    if any(mode.hours > 0 for mode in budget.modes):
        return budget
    return replace(budget, modes=tuple(replace(mode, hours=1.0) for mode in budget.modes))


def worthwhile_changes(
    budget: Budget, pack_v: float, seed: int = 0, temperature_c: float = 20.0
) -> list[Change]:
    """Changes of this budget, the one that gains most first; all with the same draws of chance."""

    def runtime(changed: Budget, pack: Pack) -> PackAnswer:
        demand = replace(demand_of(changed, pack_v), hours=0.0)
        return judge_pack(pack, demand, np.random.default_rng(seed), temperature_c)

    base = runtime(budget, budget.pack).runtime
    if base.value is None or base.lower is None or base.upper is None:
        return []
    found = []
    for words, changed in _variants(budget):
        new = runtime(changed, changed.pack).runtime
        if new.value is None or new.lower is None or new.upper is None:
            continue
        gain = new.value - base.value
        if gain <= WORTH * base.value:
            continue
        # Same draws: the ends of both intervals are the same cells, lucky or unlucky.
        ends = sorted((new.lower - base.lower, new.upper - base.upper))
        gained = Quantity(gain, "h", min(ends[0], gain), max(ends[1], gain), new.coverage)
        found.append(Change(words, new, gained))
    return sorted(found, key=lambda item: -(item.gained.value or 0.0))


def _variants(budget: Budget) -> Sequence[tuple[str, Budget]]:
    """Every single change that this budget allows, in words."""
    variants: list[tuple[str, Budget]] = []
    for part in budget.parts:
        if len(part.figures) < 2:
            continue
        lowest = min(part.figures, key=lambda figure: figure.current_ma)
        for figure in part.figures:
            if figure is lowest or not _used(budget, figure):
                continue
            if figure.pixel:
                words = f"{part.name}: {figure.state} at {DIM_TO * 100:.0f} % of its brightness"
                dim = _scaled(figure, lowest)
                variants.append((words, _with_figure(budget, part, dim)))
            for mode in budget.modes:
                share = mode.shares.get((part.name, figure.state), 0.0)
                if share > 0 and mode.hours > 0:
                    variants.append(
                        (
                            f"in mode {mode.name}, {part.name}: '{figure.state}' half as long, '{lowest.state}' instead",
                            _with_shares(budget, mode, figure, lowest),
                        )
                    )
    if budget.converter.switching and budget.converter.efficiency < 0.9:
        better = replace(budget.converter, efficiency=min(budget.converter.efficiency + 0.05, 0.95))
        variants.append(("a converter 5 % points better", replace(budget, converter=better)))
    if budget.pack.chemistry not in ("usb-bank",) and budget.pack.cells < 24:
        more = replace(budget.pack, cells=budget.pack.cells + 1)
        if budget.converter.kind != "none" and not new_hazards(budget, more):
            variants.append((f"one cell more ({more})", replace(budget, pack=more)))
    return variants


def _used(budget: Budget, figure: Figure) -> bool:
    return any(mode.shares.get((figure.part, figure.state), 0.0) > 0 for mode in budget.modes)


def _scaled(figure: Figure, lowest: Figure) -> Figure:
    """Dimmed: what lies over the part's lowest state shrinks, the rest stays."""
    value = lowest.current_ma + DIM_TO * (figure.current_ma - lowest.current_ma)
    return replace(figure, current_ma=value, peak_ma=max(value, figure.peak_ma * DIM_TO))


def _with_figure(budget: Budget, part: Part, new: Figure) -> Budget:
    figures = tuple(new if item.state == new.state else item for item in part.figures)
    changed = replace(part, figures=figures)
    return replace(budget, parts=tuple(changed if item is part else item for item in budget.parts))


def _with_shares(budget: Budget, mode: Mode, figure: Figure, lowest: Figure) -> Budget:
    shares = dict(mode.shares)
    moved = shares[figure.part, figure.state] * SHORTEN_BY
    shares[figure.part, figure.state] -= moved
    key = (lowest.part, lowest.state)
    shares[key] = shares.get(key, 0.0) + moved
    changed = replace(mode, shares=shares)
    return replace(budget, modes=tuple(changed if item is mode else item for item in budget.modes))
