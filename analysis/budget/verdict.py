"""What a run says of a budget, in sentences: the figure that was wrong, what the run leaves open."""

import numpy as np

from analysis.budget.compare import CONVERTER_LABEL, BudgetComparison, ModeComparison
from analysis.budget.estimate import design_row
from analysis.budget.file import Budget
from analysis.budget.suspects import Suspect
from analysis.budget.told import EFFICIENCY_LABEL, BudgetStory
from analysis.doubt.quantity import Quantity
from analysis.say.words import value_words
from logger.base.numbers import digits_text

# Another explanation is told where it is at least so likely.
_RIVAL: float = 0.10
_RIVALS_SHOWN = 2
# Columns whose entries differ by less than this are one draw that is on in all of their modes.
_ALIKE = 0.8


def verdict_sentences(story: BudgetStory) -> tuple[str, ...]:
    """The answer: what was wrong and what else would explain it; or that nothing was, as far as the run tells."""
    if story.run_modes is not None and story.run_modes.blurred:
        return _blurred_sentences(story)
    assert story.comparison is not None
    if story.culprits:
        return (_wrong_sentence(story), *_rival_sentence(story, story.comparison))
    if story.misfit:
        return (
            "No figure, nor two, can be named as wrong: even at the edge of all tolerances budget and run do not fit.",
        )
    if story.all_clear:
        return (
            "The budget holds: the run resolves every part, and all stay within their tolerances.",
        )
    return (_open_sentence(story, story.comparison),)


def unresolved_sentences(story: BudgetStory, *, whole: bool) -> tuple[str, ...]:
    """What the run leaves open, and what would settle it; the first alone unless ``whole``, none beside a culprit."""
    if story.comparison is None or (not whole and (story.culprits or story.misfit)):
        return ()
    shown = story.unresolved if whole else story.unresolved[:1]
    left = len(story.unresolved) - len(shown)
    more = f" (and {left} more: --details)" if left else ""
    return tuple(
        f"Not resolved by this run: {item.words}{more}. To settle it: {item.measure}."
        for item in shown
    )


def _blurred_sentences(story: BudgetStory) -> tuple[str, ...]:
    assert story.run_modes is not None
    found = story.run_modes
    levels = [item.current.value or 0.0 for item in story.estimates]
    ends = [(item.current.lower or 0.0, item.current.upper or 0.0) for item in story.estimates]
    mean = ""
    if found.mean_ma is not None:
        most = max(end for _, end in ends)
        least = min(end for end, _ in ends)
        place = "within that"
        if found.mean_ma > most:
            place = "more than any of them: the budget is too low"
        elif found.mean_ma < least:
            place = "less than any of them: the budget is too high"
        mean = (
            f" The run's mean is {found.mean_ma:.0f} mA; the modes are reckoned at {min(levels):.0f} to {max(levels):.0f} mA, "
            f"{place}."
        )
    measure = story.unresolved[0].measure
    return (
        f"Modes not resolved, so no figure is judged: {found.blurred[0]}.{mean}",
        f"To judge the budget: {measure}.",
    )


def difference_sentence(item: ModeComparison, story: BudgetStory) -> str:
    """One mode, measured against estimated."""
    measured, estimated = item.measured.value, item.estimate.current.value
    assert measured is not None
    assert estimated is not None
    words = f"{item.estimate.mode}: {value_words(item.measured)} measured, {value_words(item.estimate.current)} estimated"
    if item.explained:
        return f"{words}: no difference beyond what the stated tolerances explain."
    why = (
        "which only figures near the edge of their tolerances explain"
        if not story.culprits and not story.misfit
        else "which the tolerances do not explain"
    )
    if estimated <= 0:
        return f"{words}, {why}."
    more = "more" if measured > estimated else "less"
    return f"{words}: {abs(measured / estimated - 1) * 100:.0f} % {more}, {why}."


def figure_words(quantity: Quantity) -> str:
    """A figure as its maker wrote it, to three digits, without an exponent."""
    assert quantity.value is not None
    return f"{digits_text(quantity.value, 3)} {quantity.unit}"


def _wrong_sentence(story: BudgetStory) -> str:
    """What is most likely wrong, and nearer to what."""
    assert story.comparison is not None
    after = story.comparison.after
    rows = story.figure_rows()
    named = [
        _wrong_words(rows[row], _suspect(story.comparison, index))
        for row, index in zip(story.culprits[:2], after.leading[:2], strict=True)
    ]
    sure = float(after.slip[after.leading[0]]) >= 1 - _RIVAL and not _twins(story)
    begin = "The figure that was wrong" if sure else "Most likely wrong"
    return f"{begin}: {'; and '.join(named)}."


def _suspect(comparison: BudgetComparison, unknown: int) -> Suspect | None:
    place = unknown - len(comparison.labels)
    return comparison.suspects[place] if place >= 0 else None


def _wrong_words(row: tuple[str, Quantity, Quantity], suspect: Suspect | None) -> str:
    label, before, after = row
    if suspect is None:
        return f"{label} is nearer {value_words(after)} than {figure_words(before)}"
    if suspect.duty:
        return (
            f"{suspect.part} is '{suspect.state}' nearer {value_words(after)} of {suspect.modes[0]} "
            f"than {figure_words(before)}"
        )
    return f"something that the budget does not list draws {value_words(after)} {suspect.where}"


def _rival_sentence(story: BudgetStory, comparison: BudgetComparison) -> tuple[str, ...]:
    """What else would explain the run about as well."""
    slip, leading = comparison.after.slip, comparison.after.leading
    order = [int(index) for index in np.argsort(-slip, kind="stable")]
    rivals = [index for index in order if slip[index] >= _RIVAL and index not in leading]
    twins = [index for index in _twins(story) if index not in rivals and index not in leading]
    names = [
        *_wires_of(story.budget, leading[0]),
        *(_name(comparison, index) for index in (*rivals, *twins)),
    ]
    if not names:
        return ()
    part = _suspect(comparison, leading[0])
    listed = comparison.labels[leading[0]].split(":")[0] if part is None else ""
    measure = (
        "look for what is connected and not in the budget"
        if part is not None and not part.duty
        else f"record a minute with only {part.part if part else listed} on, with a mark"
        if part is not None or listed != CONVERTER_LABEL
        else "measure the converter's output with a meter, beside its input"
    )
    return (f"Could also be: {', or '.join(names[:_RIVALS_SHOWN])}. To tell: {measure}.",)


def _twins(story: BudgetStory) -> list[int]:
    """Draws not listed that are on exactly where the first culprit is: no run of these modes tells them apart."""
    comparison = story.comparison
    assert comparison is not None
    first, listed = comparison.after.leading[0], len(comparison.labels)
    if first >= len(story.budget.figures):
        return []
    column = np.array(
        [
            design_row(story.budget, story.budget.mode(item.estimate.mode), item.estimate.pack_v)[
                first
            ]
            for item in comparison.modes
        ]
    )
    return [
        listed + place
        for place, item in enumerate(comparison.suspects)
        if not item.duty
        and np.array_equal(item.column > 0, column > 0)
        and column[column > 0].min() > _ALIKE * column.max()
    ]


def _wires_of(budget: Budget, unknown: int) -> list[str]:
    """Wires to plain LEDs: thinner or longer than written they dim as a wrong figure would."""
    if unknown >= len(budget.figures) or not budget.figures[unknown].supply_v:
        return []
    part = budget.figures[unknown].part
    return [f"the wire {wire.name!r}" for wire in budget.wires if part in wire.carries]


def _name(comparison: BudgetComparison, unknown: int) -> str:
    suspect = _suspect(comparison, unknown)
    if suspect is None:
        label = comparison.labels[unknown]
        return EFFICIENCY_LABEL if label == CONVERTER_LABEL else label
    if suspect.duty:
        return suspect.label
    return f"a part that the budget does not list, on {suspect.where}"


def _open_sentence(story: BudgetStory, comparison: BudgetComparison) -> str:
    """Nothing has to be wrong; which mode is off by more than a little, and which figure bends most."""
    rows = story.figure_rows()
    label, before, after = max(rows, key=_strain)
    bent = f"{label}, nearer {value_words(after)} than {figure_words(before)}"
    off = [item for item in comparison.modes if not item.close]
    if not off:
        return "The budget is not shown to hold, though no figure has to be wrong."
    worst = max(off, key=lambda item: abs(_relative(item)))
    percent = 100 * _relative(worst)
    return (
        f"Within the tolerances, but {worst.estimate.mode} draws {abs(percent):.0f} % {'more' if percent > 0 else 'less'} "
        f"than estimated. Most likely: {bent}."
    )


def _relative(item: ModeComparison) -> float:
    estimated = item.estimate.current.value or 0.0
    return (item.difference.value or 0.0) / estimated if estimated > 0 else 0.0


def _strain(row: tuple[str, Quantity, Quantity]) -> float:
    """How far a figure was moved, in half-widths of what its maker stated."""
    _, before, after = row
    if before.value is None or before.upper is None or after.value is None:
        return 0.0
    half = before.upper - before.value
    return abs(after.value - before.value) / half if half > 0 else 0.0
