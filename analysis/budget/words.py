"""A budget's answer in sentences and rows of text."""

from analysis.budget.compare import ModeComparison
from analysis.budget.story import BudgetStory
from analysis.doubt.quantity import Quantity
from analysis.electric.pack_choice import PackAnswer
from analysis.say.words import short_words, value_words
from logger.base.numbers import digits_text

_SMALL_SAG_V = 0.03
_NAME_SIGNS = 34  # more, and the table is wider than a terminal


def answer_sentences(story: BudgetStory) -> tuple[str, ...]:
    """The answer first: what is drawn, which figure was wrong, what to do about it."""
    if story.comparison is None:
        return (
            _evening_sentence(story), _pack_sentence(story), *_light_sentence(story), *_sag_sentence(story),
        )  # fmt: skip
    sentences = [_difference_sentence(item, story) for item in story.comparison.modes]
    sentences.append(_culprit_sentence(story))
    return (*sentences, *_change_sentence(story))


def short_sentences(story: BudgetStory) -> tuple[str, ...]:
    """The same in fewer words: modes that agree in one sentence, no sag."""
    if story.comparison is None:
        return (_evening_sentence(story), _pack_sentence(story), *_light_sentence(story))
    modes = story.comparison.modes
    agree = [item.estimate.mode for item in modes if item.explained]
    sentences = [_difference_sentence(item, story) for item in modes if not item.explained]
    if agree:
        sentences.append(f"As estimated, within the tolerances: {', '.join(agree)}.")
    return (*sentences, _culprit_sentence(story), *_change_sentence(story))


def _change_sentence(story: BudgetStory) -> tuple[str, ...]:
    """What would gain most, against what the pack lasts now."""
    if not story.changes:
        return ()
    best = story.changes[0]
    now = f"Now {_lasting(story)}. " if story.own is not None else ""
    against = (
        " (by typical cells)"
        if story.own is not None
        else f" than the {value_words(story.packs[0].runtime)} of {story.packs[0].name} now"
    )
    return (
        f"{now}Most, about {value_words(best.gained)} more{against}, would be gained by: {best.words}.",
    )


def _lasting(story: BudgetStory) -> str:
    """How long the budget's own pack lasts: by its own run where there is one."""
    fitted = story.packs[0]
    if story.own is None:
        return f"{fitted.name} would last about {hours_words(fitted.runtime)} ({interval_text(fitted.runtime)})"
    own = story.own.runtime
    return (
        f"{fitted.name} would last about {hours_words(own)} ({interval_text(own)}) by your own run of it, "
        f"{story.own_run}"
    )


def interval_text(quantity: Quantity) -> str:
    """``12 to 15 mA``, or nothing where there is no interval."""
    text = str(quantity)
    return text[text.index("(") + 1 : text.rindex(")")].split(" at ")[0] if "(" in text else ""


def _evening_sentence(story: BudgetStory) -> str:
    evening = story.evening
    return (
        f"By the budget {story.budget.name} draws {short_words(evening.mean_current)} on average from a pack at "
        f"{story.pack_v:.1f} V, which is {short_words(evening.charge)} in {evening.hours:g} h."
    )


def _pack_sentence(story: BudgetStory) -> str:
    fitted = story.packs[0]
    if story.own is not None and not fitted.reasons:
        short = "" if story.own.serves else f", but {story.own.reasons[0]}"
        typical = hours_words(fitted.runtime)
        return f"{_lasting(story)}{short}; typical cells would last {typical}."
    if fitted.runtime.value is None:
        return f"{fitted.name} cannot run it: {fitted.reasons[0]}."
    if fitted.runtime.value < 1 / 60:
        return f"{fitted.name} would be empty within a minute."
    hours = _lasting(story)
    if fitted.serves:
        return f"{hours}. Nothing is measured yet: the bench will tell."
    return f"{hours}, but {fitted.reasons[0]}."


def _light_sentence(story: BudgetStory) -> tuple[str, ...]:
    """Plain LEDs fade long before the pack is empty."""
    light = (story.own or story.packs[0]).half_light
    if light.value is None or story.packs[0].runtime.value is None:
        return ()
    return (
        f"Its plain LEDs fade with the pack: half their light after about {hours_words(light)} ({interval_text(light)}).",
    )


def _sag_sentence(story: BudgetStory) -> tuple[str, ...]:
    """What the peak costs the fitted pack; nothing where that is too little to see, or more than the pack has."""
    fresh, end = story.packs[0].sag_v
    if end < _SMALL_SAG_V or end >= story.budget.pack.nominal_v:
        return ()
    return (
        f"At the peak its own resistance costs about {digits_text(fresh, 2)} V more than at the mean when fresh and {digits_text(end, 2)} V "
        "near the end (typical cells, from memory).",
    )


def figure_words(quantity: Quantity) -> str:
    """A figure as its maker wrote it, to three digits, without an exponent."""
    assert quantity.value is not None
    return f"{digits_text(quantity.value, 3)} {quantity.unit}"


def _strain(row: tuple[str, Quantity, Quantity]) -> float:
    """How far a figure was moved, in half-widths of what its maker stated."""
    _, before, after = row
    if before.value is None or before.upper is None or after.value is None:
        return 0.0
    half = before.upper - before.value
    return abs(after.value - before.value) / half if half > 0 else 0.0


def hours_words(quantity: Quantity) -> str:
    """A runtime in hours, or in minutes where it is shorter than one."""
    if quantity.value is None or quantity.value >= 1:
        return value_words(quantity)
    return f"{quantity.value * 60:.0f} min"


def pack_lines(story: BudgetStory) -> list[tuple[str, str, str, str]]:
    """``pack_line`` of the packs that serve, the fitted one first."""
    return [
        pack_line(answer)
        for answer in story.packs
        if answer.serves or answer is story.packs[0] or answer is story.own
    ]


def pack_line(answer: PackAnswer) -> tuple[str, str, str, str]:
    """Name, runtime, interval or why it does not serve, mass and whether it can be charged."""
    mass = "" if answer.mass_g is None else f"{answer.mass_g:.0f} g"
    name = answer.name
    return (
        name if len(name) <= _NAME_SIGNS else f"{name[: _NAME_SIGNS - 1]}…",
        "-" if answer.runtime.value is None else hours_words(answer.runtime),
        interval_text(answer.runtime) if answer.serves else answer.reasons[0],
        ", ".join(filter(None, (mass, "rechargeable" if answer.rechargeable else "primary"))),
    )


def refusals(story: BudgetStory) -> list[str]:
    """Packs that do not serve, each with why; packs with the same reason together."""
    by_reason: dict[str, list[str]] = {}
    for answer in story.packs[1:]:
        if not answer.serves:
            runs = "" if answer.runtime.value is None else f" ({hours_words(answer.runtime)})"
            by_reason.setdefault(answer.reasons[0], []).append(f"{answer.name}{runs}")
    return [f"{', '.join(names)}: {reason}" for reason, names in by_reason.items()]


def pack_basis(story: BudgetStory, temperature_c: float) -> str:
    """What the runtimes rest on, in one sentence."""
    floor = story.budget.floor_v
    down = (
        "the floor of the cells"
        if not floor
        else f"{floor:g} V or the floor of the cells, whichever comes first"
    )
    return (
        f"Cells of the usual kind at {temperature_c:g} °C, down to {down}; capacity falls with the draw and in the cold, "
        "and rechargeable cells count as up to a tenth aged. Masses without holder, typical."
    )


def _difference_sentence(item: ModeComparison, story: BudgetStory) -> str:
    measured, estimated = item.measured.value, item.estimate.current.value
    assert measured is not None
    assert estimated is not None
    words = f"{item.estimate.mode}: {value_words(item.measured)} measured, {value_words(item.estimate.current)} estimated"
    if item.explained:
        return f"{words}: no difference beyond what the stated tolerances explain."
    more = "more" if measured > estimated else "less"
    why = (
        "which only figures near the edge of their tolerances explain"
        if _at_the_edges(story)
        else "which the tolerances do not explain"
    )
    if estimated <= 0:
        return f"{words}, {why}."
    percent = abs(measured / estimated - 1) * 100
    return f"{words}: {percent:.0f} % {more}, {why}."


def _at_the_edges(story: BudgetStory) -> bool:
    """Modes differ, yet no figure is more likely wrong than right, and all together can give what was measured."""
    assert story.comparison is not None
    return not story.culprits and not story.misfit


def _culprit_sentence(story: BudgetStory) -> str:
    assert story.comparison is not None
    rows = story.figure_rows()
    if not story.culprits and story.misfit:
        return "No figure, nor two, can be named as wrong: even at the edge of all tolerances budget and run do not fit."
    if not story.culprits and not all(item.explained for item in story.comparison.modes):
        label, before, after = max(rows, key=_strain)
        return (
            "No figure of the budget has to be wrong. Nearest to the edge of its tolerance: "
            f"{label}, {value_words(after)} rather than {figure_words(before)}."
        )
    if not story.culprits:
        return "No figure of the budget has to be wrong: all stay within their tolerances."
    named = []
    for index in story.culprits[:2]:
        label, before, after = rows[index]
        named.append(f"{label} is nearer {value_words(after)} than {figure_words(before)}")
    text = "The figure that was wrong: " + "; then ".join(named) + "."
    first = story.comparison.labels[story.culprits[0]]
    for group in story.comparison.inseparable:
        others = [label for label in group if label != first]
        if first in group and others:
            together = ", ".join(others[:2]) + (" and others" if len(others) > 2 else "")
            text += (
                f" The run alone cannot rule out {together}: "
                "to be sure, record a minute with only one of them on."
            )
            break
    return text
