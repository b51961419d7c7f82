"""The modes of a run: from marks typed while it was recorded, else from the current itself."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.budget.compare import MeasuredMode, SharedDoubt
from analysis.budget.estimate import (
    COVERAGE_FACTOR,
    design_row,
    estimate_mode,
    figure_std_ma,
    figure_values_ma,
)
from analysis.budget.file import Budget
from analysis.budget.modes import (
    SHORTEST_MODE_S,
    Segment,
    assign_modes,
    find_changes_s,
    segments,
)
from analysis.doubt.limits import METER_LIMIT
from analysis.doubt.uncertainty import Limits, combined
from analysis.doubt.uncertainty import budget as budget_of
from analysis.run.trace import Trace
from analysis.say.words import step_words
from logger.base.errors import BenchError
from logger.run.description import Event

Array = npt.NDArray[np.float64]
# Stretches of one mode scatter by less than this while rows are short enough (simulated board, rows of 1 to 5 s).
UNREST_SHARE: Final = 0.06
# Modes nearer to each other than this are one level: our own judgement.
ALIKE_SHARE: Final = 0.06


@dataclass(frozen=True)
class RunModes:
    """Modes found in a run. ``how``: in words. ``warnings``: what does not fit the budget.

    ``blurred``: why the means of the modes cannot be trusted, so that nothing is judged by them.
    ``mean_ma``: over the whole run.

    ``stretches``: (mode or "", start, end) in seconds on the run's axis, for the picture.
    """

    measured: tuple[MeasuredMode, ...]
    stretches: tuple[tuple[str, float, float], ...]
    how: str
    warnings: tuple[str, ...]
    blurred: tuple[str, ...] = ()
    mean_ma: float | None = None

    @property
    def told(self) -> tuple[str, ...]:
        """``blurred`` as warnings."""
        return tuple(f"Modes not resolved: {text}." for text in self.blurred)


def modes_of_run(budget: Budget, trace: Trace, events: tuple[Event, ...]) -> RunModes:
    """Mean current and voltage of every budget mode that the run shows.

    Raises BenchError if the run has no current, or shows none of the modes.
    """
    if trace.current_ma is None:
        raise BenchError(
            "The run has no current, so there is nothing to compare with the budget.",
            next_step="record or import a run with a current column.",
        )
    warnings: list[str] = []
    alive = ~trace.dead
    time_s, current_ma = trace.time_s[alive], trace.current_ma[alive]
    weight_s = trace.weight_s[alive]
    pack_v = trace.voltage_v[alive] if trace.voltage_v is not None else np.full(time_s.size, np.nan)
    if not np.isfinite(pack_v).any():
        pack_v = np.full(time_s.size, budget.pack.nominal_v)
        warnings.append(
            f"The run has no voltage; the budget is reckoned at the pack's nominal {budget.pack.nominal_v:g} V."
        )
    unknown: list[Segment] = []
    blurred: list[str] = []
    if given := _marked(budget, events, time_s, current_ma, pack_v):
        how = "modes as marked while the run was recorded"
    elif given := _marked(budget, _programme_marks(budget, time_s), time_s, current_ma, pack_v):
        how = "modes by the load programme of the budget file, repeated from the start of the run"
        warnings += _off_programme(given, current_ma)
    else:
        given, unknown = _found(budget, time_s, current_ma, pack_v)
        how = (
            "modes found from jumps of the current and given to the budget's modes by their level; "
            "a mark typed while recording is surer"
        )
        blurred = _blurred(budget, given, trace.usual_step_s)
    if not blurred:
        warnings += _mismatches(budget, given, unknown)
    if not given:
        raise BenchError(
            "None of the budget's modes was found in the run.",
            evidence=f"levels in the run: {_levels(unknown)}; modes: {', '.join(mode.name for mode in budget.modes)}",
            next_step="mark the modes while recording (type a mode's name and Enter), or check the budget's figures.",
        )
    found = [_measured(mode.name, given[mode.name]) for mode in budget.modes if mode.name in given]
    seconds = float(weight_s.sum())
    mean_ma = float((current_ma * weight_s).sum()) / seconds if seconds > 0 else None
    return RunModes(
        tuple(found), _stretches(given, unknown), how, tuple(warnings), tuple(blurred), mean_ma
    )


def _blurred(budget: Budget, given: Mapping[str, Sequence[Segment]], step_s: float) -> list[str]:
    """Why modes that were found by their levels may be mixtures, or one taken for another."""
    told = []
    missing = [mode for mode in budget.modes if mode.name not in given]
    if step_s > SHORTEST_MODE_S and (missing or max(map(_unrest, given.values())) > UNREST_SHARE):
        told.append(
            f"a row stands for {step_words(step_s)}, so modes that last less than a few rows run together"
        )
    told += _alike(budget, given)
    levels = {name: _measured(name, list(items)) for name, items in given.items()}
    for mode in budget.modes:
        found = levels.get(mode.name)
        for other in missing if found is not None else ():
            assert found is not None
            own, others = (estimate_mode(budget, item, found.pack_v) for item in (mode, other))
            low, high = sorted((own.current.value or 0.0, others.current.value or 0.0))
            outside = (
                not (own.current.lower or 0.0) <= found.current_ma <= (own.current.upper or 0.0)
            )
            if outside and low < found.current_ma < high:
                told.append(
                    f"{found.current_ma:.0f} mA lies between {mode.name} and {other.name}, and {other.name} was not found: "
                    "they may change too fast for the rows"
                )
    return told


def _unrest(items: Sequence[Segment]) -> float:
    """Scatter within the stretches of a mode, and of their power among each other, as shares; the greater."""
    weight = np.array([item.duration_s for item in items])
    weight = weight / weight.sum()
    power = np.array([item.current_ma * item.pack_v for item in items])
    among = np.sqrt(weight @ (power / (weight @ power) - 1) ** 2)
    inside = weight @ [item.spread_ma / max(abs(item.current_ma), 1e-9) for item in items]
    return float(max(among, inside))


def _alike(budget: Budget, given: Mapping[str, Sequence[Segment]]) -> list[str]:
    """Modes whose levels lie nearer to each other than the tolerances: a jump does not tell which is which."""
    told = []
    for one, other in combinations(budget.modes, 2):
        if one.name not in given and other.name not in given:
            continue
        rows = [design_row(budget, mode, budget.pack.nominal_v) for mode in (one, other)]
        apart_ma = abs(float((rows[0] - rows[1]) @ figure_values_ma(budget)))
        half_ma = COVERAGE_FACTOR * float(
            np.linalg.norm((rows[0] - rows[1]) * figure_std_ma(budget))
        )
        least_ma = min(float(row @ figure_values_ma(budget)) for row in rows)
        if apart_ma < max(half_ma, ALIKE_SHARE * least_ma):
            told.append(
                f"{one.name} and {other.name} draw too nearly the same to tell them apart by level"
            )
    return told


def _stretches(
    given: Mapping[str, Sequence[Segment]], unknown: Sequence[Segment]
) -> tuple[tuple[str, float, float], ...]:
    """(mode, start, end) in the order of time; an unknown mode is empty."""
    named = [(name, item) for name, items in given.items() for item in items]
    named += [("", item) for item in unknown]
    return tuple(
        sorted(((name, item.start_s, item.end_s) for name, item in named), key=lambda item: item[1])
    )


def shared_doubt(
    limits: Limits | None, mean_ma: float | None = None
) -> tuple[SharedDoubt, tuple[str, ...]]:
    """What is common to all modes of a run by the one budget of the current: at 0, and what the current adds to it.

    ``mean_ma``: of the run, where the two together are the mean's own uncertainty.
    """
    if limits is None:
        words = (
            "How accurate the run's meter is is not known: differences under "
            f"{100 * METER_LIMIT:g} % are not laid to the budget. Import it again with --accuracy, from its manual."
        )
        return SharedDoubt(0.0, METER_LIMIT / np.sqrt(3)), (words,)
    at_ma = abs(mean_ma) if mean_ma else 1e3
    offset_ma = combined(budget_of(limits, 0.0, per_ma=1.0))
    whole_ma = combined(budget_of(limits, at_ma, per_ma=1.0))
    return SharedDoubt(offset_ma, float(np.sqrt(max(whole_ma**2 - offset_ma**2, 0.0))) / at_ma), ()


def _marked(
    budget: Budget, events: tuple[Event, ...], time_s: Array, current_ma: Array, pack_v: Array
) -> dict[str, list[Segment]]:
    """Segments between marks that name a mode; a mark that names none ends the mode before it."""
    names = {mode.name.casefold(): mode.name for mode in budget.modes}
    marks: list[tuple[float, str]] = []
    for event in sorted(events, key=lambda item: item.time_s):
        if event.kind != "mark":
            continue
        text = event.text.casefold()
        hits = [name for folded, name in names.items() if folded in text]
        # The longest name wins: "ride slow" is not "ride".
        marks.append((event.time_s, max(hits, key=len, default="")))
    if not any(name for _, name in marks):
        return {}
    given: dict[str, list[Segment]] = {}
    ends = [*(start for start, _ in marks[1:]), float(time_s[-1])]
    for (start, name), end in zip(marks, ends, strict=True):
        inside = (time_s > start) & (time_s <= end)
        if name and inside.sum() >= 3:
            # The first row may hold the change itself.
            rows = np.flatnonzero(inside)[1:]
            part = segments(time_s[rows], current_ma[rows], pack_v[rows], np.empty(0))
            given.setdefault(name, []).extend(part)
    return given


def _programme_marks(budget: Budget, time_s: Array) -> tuple[Event, ...]:
    """A mark at every step of the budget's programme, over and over until the run's end."""
    marks: list[Event] = []
    at_s, end_s = 0.0, float(time_s[-1]) if time_s.size else 0.0
    while budget.programme and at_s < end_s:
        for step in budget.programme:
            marks.append(Event(at_s, "mark", step.mode))
            at_s += step.duration_s
    return tuple(item for item in marks if item.time_s < end_s)


def _off_programme(given: dict[str, list[Segment]], current_ma: Array) -> list[str]:
    """A run that does not go with the programme: most of its scatter is inside the steps."""
    items = [item for found in given.values() for item in found]
    if len(given) < 2:
        return []
    levels = {name: _measured(name, found).current_ma for name, found in given.items()}
    rows = np.array([item.rows for item in items])
    off_ma = [item.current_ma - levels[name] for name, found in given.items() for item in found]
    spread_ma = np.hypot([item.spread_ma for item in items], off_ma)
    inside = float(rows @ spread_ma**2 / rows.sum())
    apart = float(np.var(current_ma)) - inside
    if apart >= inside:
        return []
    shown = ", ".join(f"{name} {level:.0f} mA" for name, level in levels.items())
    return [
        f"The run does not follow the budget's programme (means by it: {shown}): did the recording start with its first "
        "step? Take the [[step]] tables out, or mark the modes while recording."
    ]


def _found(
    budget: Budget, time_s: Array, current_ma: Array, pack_v: Array
) -> tuple[dict[str, list[Segment]], list[Segment]]:
    found = segments(time_s, current_ma, pack_v, find_changes_s(time_s, current_ma))
    expected = {
        mode.name: np.array([_expected_ma(budget, index, item.pack_v) for item in found])
        for index, mode in enumerate(budget.modes)
    }
    return assign_modes(found, expected)


def _expected_ma(budget: Budget, index: int, pack_v: float) -> float:
    return estimate_mode(budget, budget.modes[index], max(pack_v, 0.1)).current.value or 0.0


def _measured(name: str, items: list[Segment]) -> MeasuredMode:
    """Duration-weighted means of a mode's segments; noise as the scatter of its rows' mean."""
    duration = np.array([item.duration_s for item in items])
    weight = duration / duration.sum()
    rows = np.array([max(item.rows, 1) for item in items])
    noise = float(
        np.sqrt(np.sum(weight**2 * np.array([item.std_ma for item in items]) ** 2 / rows))
    )
    return MeasuredMode(
        name,
        float(weight @ [item.current_ma for item in items]),
        float(weight @ [item.pack_v for item in items]),
        noise,
        float(duration.sum()),
    )


def _mismatches(
    budget: Budget, given: dict[str, list[Segment]], unknown: list[Segment]
) -> list[str]:
    warnings = [
        f"Mode {mode.name!r} of the budget was not found in the run; its figures stay as they were."
        for mode in budget.modes
        if mode.name not in given
    ]
    if unknown:
        total_s = sum(item.duration_s for item in unknown)
        warnings.append(
            f"{total_s:.0f} s of the run fit no mode of the budget (levels: {_levels(unknown)})."
        )
    return warnings


def _levels(items: list[Segment]) -> str:
    levels = sorted({round(item.current_ma) for item in items})
    shown = ", ".join(f"{level} mA" for level in levels[:6])
    return shown + (f" and {len(levels) - 6} more" if len(levels) > 6 else "")
