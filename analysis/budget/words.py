"""A budget's answer in sentences and rows of text."""

from analysis.budget.story import BudgetStory
from analysis.budget.verdict import difference_sentence, unresolved_sentences, verdict_sentences
from analysis.doubt.quantity import Quantity
from analysis.electric.pack_choice import OVER_WORDS, PackAnswer
from analysis.say.words import short_words, value_words
from logger.base.numbers import digits_text

_SMALL_SAG_V = 0.03
_NAME_SIGNS = 34  # more, and the table is wider than a terminal


def answer_sentences(story: BudgetStory) -> tuple[str, ...]:
    """The whole answer: which figure was wrong, what to do about it, what is drawn in each mode, what is open."""
    if story.run_modes is None:
        return (
            _evening_sentence(story), _pack_sentence(story), *_light_sentence(story), *_sag_sentence(story),
        )  # fmt: skip
    modes = () if story.comparison is None else story.comparison.modes
    return (
        " ".join(verdict_sentences(story)),
        _now_sentence(story),
        *(difference_sentence(item, story) for item in modes),
        *unresolved_sentences(story, whole=True),
    )


def short_sentences(story: BudgetStory) -> tuple[str, ...]:
    """The same in fewer words: what was wrong, how long it lasts, what would gain most."""
    if story.run_modes is None:
        said = (_evening_sentence(story), _pack_sentence(story), *_light_sentence(story))
        # What must not be done comes before what it would draw.
        return (said[1], said[0], *said[2:]) if is_over(story.packs[0]) else said
    return (
        *verdict_sentences(story), *unresolved_sentences(story, whole=False), _now_sentence(story),
    )  # fmt: skip


def _now_sentence(story: BudgetStory) -> str:
    """What the pack lasts with the corrected figures, and what would gain most."""
    fitted = story.packs[0]
    if fitted.runtime.value is None:
        return _cannot(fitted)
    now = f"Now {_lasting(story)}."
    if not story.changes:
        return now
    best = story.changes[0]
    return f"{now} About {value_words(best.gained)} more: {best.words}."


def is_over(pack: PackAnswer) -> bool:
    """Whether it is over a stated limit when fresh: not to be connected at all."""
    return bool(pack.reasons) and pack.reasons[0].startswith(OVER_WORDS)


def _cannot(fitted: PackAnswer) -> str:
    reason = fitted.reasons[0]
    word = f"Do not connect {fitted.name}" if is_over(fitted) else f"{fitted.name} cannot run it"
    return f"{word}: {reason}."


def _lasting(story: BudgetStory) -> str:
    """How long the budget's own pack lasts: by its own run where there is one."""
    fitted = story.packs[0]
    if story.own is None:
        return f"{fitted.name} would last about {hours_words(fitted.runtime)} ({hours_interval(fitted.runtime)})"
    own = story.own.runtime
    return f"{fitted.name} lasts about {hours_words(own)} ({hours_interval(own)}) by your own run of it, {story.own_run}"


def interval_text(quantity: Quantity) -> str:
    """``12 to 15 mA``, or nothing where there is no interval."""
    text = str(quantity)
    return text[text.index("(") + 1 : text.rindex(")")].split(" at ")[0] if "(" in text else ""


def _evening_sentence(story: BudgetStory) -> str:
    evening = story.evening
    return (
        f"By the budget {story.budget.name} draws {short_words(evening.mean_current)} on average from a pack at "
        f"{story.pack_v:.1f} V, {short_words(evening.charge)} in {evening.hours:g} h."
    )


def _pack_sentence(story: BudgetStory) -> str:
    fitted = story.packs[0]
    if story.own is not None and not fitted.reasons:
        short = "" if story.own.serves else f", but {story.own.reasons[0]}"
        typical = hours_words(fitted.runtime)
        return f"{_lasting(story)}{short}; typical cells would last {typical}."
    if fitted.runtime.value is None:
        return _cannot(fitted)
    if fitted.runtime.value < 1 / 60:
        why = f": {fitted.reasons[0]}" if fitted.reasons else ""
        return f"{fitted.name} would be empty within a minute{why}."
    hours = _lasting(story)
    if fitted.serves:
        return f"{hours}. Not measured yet."
    return f"{hours}, but {fitted.reasons[0]}."


def _light_sentence(story: BudgetStory) -> tuple[str, ...]:
    """Plain LEDs fade long before the pack is empty."""
    light = (story.own or story.packs[0]).half_light
    if light.value is None or story.packs[0].runtime.value is None:
        return ()
    return (
        f"Its plain LEDs fade with the pack: half their light after about {hours_words(light)} ({hours_interval(light)}).",
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


def hours_words(quantity: Quantity) -> str:
    """A runtime in hours, or in minutes where it is shorter than one."""
    if quantity.value is None or quantity.value >= 1:
        return value_words(quantity)
    return f"{quantity.value * 60:.0f} min"


def hours_interval(quantity: Quantity) -> str:
    """The interval in the unit of ``hours_words``."""
    low_h, high_h = quantity.lower, quantity.upper
    if quantity.value is None or quantity.value >= 1 or low_h is None or high_h is None:
        return interval_text(quantity)
    return f"{low_h * 60:.0f} to {high_h * 60:.0f}"


def listed(story: BudgetStory) -> list[PackAnswer]:
    """The packs that serve, and in any case the fitted one, first, and the one that was measured."""
    return [
        answer
        for answer in story.packs
        if answer.serves or answer is story.packs[0] or answer is story.own
    ]


def pack_lines(story: BudgetStory) -> list[tuple[str, str, str, str]]:
    """``pack_line`` of the packs that are listed."""
    return [pack_line(answer) for answer in listed(story)]


def pack_line(answer: PackAnswer) -> tuple[str, str, str, str]:
    """Name, runtime, interval or why it does not serve, mass and whether it can be charged."""
    mass = "" if answer.mass_g is None else f"{answer.mass_g:.0f} g"
    name = answer.name
    return (
        name if len(name) <= _NAME_SIGNS else f"{name[: _NAME_SIGNS - 1]}…",
        "-" if answer.runtime.value is None else hours_words(answer.runtime),
        hours_interval(answer.runtime) if answer.serves else answer.reasons[0],
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
