"""Everything that a budget says, with a run or without."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

from analysis.budget.changes import (
    Change,
)
from analysis.budget.compare import CONVERTER_LABEL, BudgetComparison
from analysis.budget.estimate import (
    COVERAGE_FACTOR,
    EveningEstimate,
    ModeEstimate,
    figure_std_ma,
)
from analysis.budget.file import Budget
from analysis.budget.hazards import fuse_of
from analysis.budget.measured import RunModes
from analysis.budget.suspects import Suspect
from analysis.budget.unresolved import Unresolved, unresolved, unresolved_modes
from analysis.budget.worst import worst_drop_v, worst_peak_ma
from analysis.doubt.quantity import Quantity
from analysis.electric.pack_choice import PackAnswer

_PEAK_NOTE: Final = "every part at its highest used state at once, at {pack_v:.2f} V of the pack, where it is most on its way down; no interval"
_WIRE_NOTE: Final = "copper at 20 C, or as the thread is stated; at the peak, where it is most on the pack's way down; no interval"


_FACTOR_90 = 1.6449
EFFICIENCY_LABEL = "converter efficiency"


@dataclass(frozen=True)
class BudgetStory:
    """Everything a budget says. Without a run, ``run_modes`` and ``comparison`` are None; with one in
    which modes run together only ``comparison`` is.

    ``packs`` and ``changes`` rest on ``basis``. ``own``: the budget's
    own pack by a run in which it was emptied, also among ``packs``; ``own_run`` names that run. ``asked``: how many of
    ``packs``, after the budget's own, were asked for or measured.
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
    asked: int = 0

    @property
    def basis(self) -> Budget:
        """What packs, changes, warnings, peaks and the fuse go by: the budget as a run has corrected it, where one has."""
        return self.budget if self.corrected is None else self.corrected

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
        mode = self.budget.mode(item.modes[0])
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


def _fuse(budget: Budget) -> dict[str, Any]:
    """The fuse next to the pack, and a resettable one by what it holds; without a value where none fits, and why."""
    fuse = fuse_of(budget)
    rated, hold, why = (
        (None, None, "the power bank limits its current")
        if fuse is None
        else (fuse.rated_ma, fuse.hold_ma, fuse.why_not)
    )
    note = "a value of a standard's series; no interval"
    return {
        "rated": Quantity(rated, "mA", note=note).as_json(),
        "hold": Quantity(hold, "mA", note=note).as_json(),
        "why_not": why,
    }


def budget_json(story: BudgetStory) -> dict[str, Any]:
    """Results of a budget, each quantity as ``Quantity.as_json``."""
    compared = () if story.comparison is None else story.comparison.modes
    measured = {item.estimate.mode: item.measured for item in compared}
    return {
        "estimated_current": {item.mode: item.current.as_json() for item in story.estimates},
        "worst_case_current": {item.mode: _worst(item).as_json() for item in story.estimates},
        "peak_current": {
            item.mode: _peak(story.basis, item.mode).as_json() for item in story.estimates
        },
        "wire_drop": {
            item.mode: {
                wire.name: Quantity(
                    worst_drop_v(story.basis, wire, story.basis.mode(item.mode)).value,
                    "V",
                    note=_WIRE_NOTE,
                ).as_json()
                for wire in story.basis.wires
            }
            for item in story.estimates
        },
        "fuse": _fuse(story.basis),
        "measured_current": {name: value.as_json() for name, value in measured.items()},
        "differences": {
            item.estimate.mode: item.difference.as_json() | {"explained": item.explained}
            for item in compared
        },
        "evening": {
            "mean_current": story.evening.mean_current.as_json(),
            "charge": story.evening.charge.as_json(),
            "energy": story.evening.energy.as_json(),
        },
        "parts": _parts_json(story),
        "inseparable": []
        if story.comparison is None
        else [list(s) for s in story.comparison.inseparable],
        "culprits": [story.figure_rows()[index][0] for index in story.culprits],
        "all_clear": story.all_clear,
        "unresolved": [item.words for item in story.unresolved],
        "packs": [_pack_json(answer) for answer in story.packs],
        "own_pack_run": story.own_run or None,
        "changes": [
            {
                "change": item.words,
                "runtime": item.runtime.as_json(),
                "gained": item.gained.as_json(),
            }
            for item in story.changes
        ],
        "warnings": list(story.warnings),
    }


def _peak(budget: Budget, mode: str) -> Quantity:
    worst = worst_peak_ma(budget, budget.mode(mode))
    return Quantity(worst.value, "mA", note=_PEAK_NOTE.format(pack_v=worst.pack_v))


def _parts_json(story: BudgetStory) -> list[dict[str, Any]]:
    return [
        {"figure": label, "prior": before.as_json(), "posterior": after.as_json()}
        for label, before, after in story.figure_rows()
    ]


def _pack_json(answer: PackAnswer) -> dict[str, Any]:
    sag = zip(("fresh", "end"), answer.sag_v, strict=True)
    return {
        "pack": answer.name,
        "runtime": answer.runtime.as_json(),
        "serves": answer.serves,
        "reasons": list(answer.reasons),
        "cautions": list(answer.cautions),
        "mass": Quantity(answer.mass_g, "g", note="typical, from memory").as_json(),
        "rechargeable": answer.rechargeable,
        "half_light": answer.half_light.as_json(),
        "sag_at_peak": {
            when: Quantity(sag_v, "V", note="typical resistance, from memory").as_json()
            for when, sag_v in sag
        },
    }


def _worst(estimate: ModeEstimate) -> Quantity:
    low, high = estimate.worst_ma
    return Quantity(
        estimate.current.value, "mA", low, high, note="every part at its limit at once: no coverage"
    )
