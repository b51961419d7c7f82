"""The verdict on a claim, in one of four words, and by what it stands.

Counting assumes nothing of the lives, so it is the floor. A model may forgive a failure before
the target; it may not stand for joints that were never bent: the share that the
claim allows to fail would show in fewer than so many joints only by luck (R^n > 1 - C), and what no
joint showed, no curve through the others can know. Where counting does not show the claim and a model does with fewer
joints, it is indicated.
"""

from dataclasses import dataclass
from typing import Final, Literal

from analysis.flex.bend import FACTOR_MAX, factor_words
from analysis.flex.claim import Claim, Count
from analysis.flex.results import Model
from analysis.life.demonstration import error_of_counting

Word = Literal["shown", "indicated", "not shown", "shown not to hold"]
By = Literal["", "count", "weibull", "stated shape"]

MEANING: Final[dict[Word, str]] = {
    "shown": "counting proves it, or as many joints as counting asks for and a model they follow closely; wrong at most as often as "
    "the confidence leaves (10 in 100 at 90 %)",
    "indicated": "it would be shown if an assumption held that these joints cannot prove; the assumption is named",
    "not shown": "the joints may be good enough or not: too few, or too many failed, to say",
    "shown not to hold": "so many failed that joints as good as the claim would hardly ever do it",
}
# A true Weibull lies straighter than this in half of all tests: a model must earn its say.
STRAIGHT: Final = 0.5
LOOKED_BEFORE: Final = (
    "somebody looked before without a plan, and stopping at a lucky look is too easy"
)


@dataclass(frozen=True)
class Judged:
    """``word`` and by what it stands; ``why``: what keeps it from more, empty for plain cases."""

    word: Word
    by: By = ""
    why: str = ""


@dataclass(frozen=True)
class Evidence:
    """What a group's test says of the claim.

    ``model``: the Weibull, which speaks only where five failed and follow it. ``stated_lower``: share by the shape that the
    user states. ``allowed``: failures that the looks so far leave (-1: nothing can be shown
    at this look), None where nobody looked before. ``shown_before``: at an earlier look.
    ``upper``: bound of
    the share that survives. ``factor``: worn bends a bench bend stands for.
    """

    count: Count
    model: Model
    stated_lower: float | None = None
    allowed: int | None = None
    shown_before: bool = False
    worn: bool = False
    upper: float = 1.0
    factor: float | None = None


def verdict(found: Evidence, claim: Claim) -> Judged:
    """The word for a group."""
    count, wanted = found.count, claim.reliability
    counted = (count.reliability_lower.lower or 0.0) >= wanted - 1e-12
    refuted = found.upper < wanted
    if found.factor is not None and found.factor > FACTOR_MAX:
        return _beyond(found, claim, counted)
    if refuted:
        return Judged("shown not to hold", "count")
    if counted:
        return _counted(found)
    if found.model.shows(claim.confidence):
        return _modelled(found, claim)
    if found.stated_lower is not None and found.stated_lower >= wanted and not found.model.trusted:
        return Judged(
            "indicated",
            "stated shape",
            f"only if the Weibull shape is {claim.shape:g}, which nobody measured here",
        )
    if count.flattered:
        return Judged(
            "indicated",
            "count",
            f"only if joints of one strip do not share their luck: {count.effective:g} strips are as few as {count.effective:g} joints",
        )
    return Judged("not shown", "", "two kinds of failure may be mixed" if found.model.mixed else "")


def forgiving_confidence(count: Count, claim: Claim) -> float:
    """Confidence of the model's bound, so that it and counting together stay within the error allowed.

    Counting spends its own; the model gets what is left, twice, because only every second true Weibull
    lies straight enough for it to speak.
    """
    allowed = 1 - claim.confidence
    left = allowed - error_of_counting(count.specimens, claim.reliability, claim.confidence)
    return 1 - min(max(left, 1e-6) / (1 - STRAIGHT), allowed)


def _counted(found: Evidence) -> Judged:
    if found.allowed is None or found.count.failures <= found.allowed or found.shown_before:
        return Judged("shown", "count")
    return Judged(
        "indicated",
        "count",
        LOOKED_BEFORE,
    )


def _modelled(found: Evidence, claim: Claim) -> Judged:
    count = found.count
    if count.strips:
        why = "joints of one strip share their luck, which the Weibull does not know"
    elif found.worn:
        why = "some were taken out worn"
    elif found.allowed is not None:
        why = "somebody looked before, and the Weibull has no plan for that"
    elif count.specimens < count.needed_clean:
        why = (
            f"only if the lives follow a Weibull down to joints never seen: {count.specimens} joints can miss a bad one in "
            f"{_share_words(1 - claim.reliability)}; counting asks for {count.needed_clean}"
        )
    elif found.model.straight is None or found.model.straight < STRAIGHT:
        why = "the lives do not lie on a Weibull line well enough to forgive a failure"
    elif not found.model.shows(forgiving_confidence(count, claim)):
        why = "the Weibull's bound is too near the claim to forgive a failure beside counting"
    else:
        return Judged("shown", "weibull")
    return Judged("indicated", "weibull", why)


def _beyond(found: Evidence, claim: Claim, counted: bool) -> Judged:
    why = f"one bench bend stands for {factor_words(found.factor or 0.0)} worn bends, and beyond {FACTOR_MAX:.0f} there is no verdict"
    if counted or found.model.shows(claim.confidence):
        return Judged("indicated", "count" if counted else "weibull", why)
    return Judged("not shown", "", why)


def _share_words(share: float) -> str:
    return f"{1 / share:.0f}"
