"""How did a specimen end, by the words of the column ``how``? Several ways to fail: the life of the joint and of the wire apart, each with the other counted as stopped.

A piece that ended another way was whole in this one until then. That takes the ways as independent:
what wears out the wire must not wear out the joint. Nobody can check that from such a test.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Final, Literal

from analysis.doubt.quantity import Quantity
from analysis.flex.claim import Claim
from analysis.life.data import Lives, Specimen, lives_of
from analysis.life.fit import why_not
from analysis.life.interval import Asked, intervals
from analysis.life.weibull import fit_weibull
from logger.base.errors import BenchError

Ending = Literal["joint", "wire", "insulation", "connector", "not said"]

ASSUMPTION: Final = "each way by itself, the others counted as stopped: only if what wears out one does not wear out the other"
WORDS: Final[dict[Ending, str]] = {
    "joint": "the joint",
    "wire": "the wire beside the joint",
    "insulation": "the insulation",
    "connector": "the connector",
    "not said": "part not said",
}
# The first that fits counts: "wire broke beside the joint" is the wire.
_KINDS: Final[tuple[tuple[Ending, str], ...]] = (
    ("insulation", r"insulat|jacket|sheath|isolier|mantel"),
    ("connector", r"connector|plug|socket|\bpins?\b|header|stecker|buchse"),
    (
        "wire",
        r"beside|next to the|near the|along the|\bwire\b|strand|\bthread\b|neben|\bdraht|litze",
    ),
    ("joint", r"joint|solder|crimp|snap|glue|weld|\bpad\b|eyelet|knot|löt|kleb|geklebt"),
)
_WEAR: Final = (
    r"\bfray|\bcrack|\bloose|\bthin|\bworn\b(?! (on|in|at|by|for)\b)|\bhalf broken|\bpart(ly|ially) broken|\bnearly|\balmost|"
    r"\blook\w* (bad|weak|tired)|\babout to|\bdamag|\bweak|\bkink|\bbrittle|\btorn\b|\bstrands? (broke|show|gone|snap|cut)|\bbroken strand|"
    r"\bresist\w*\b.{0,20}\b(ris\w+|rose|high\w*|up|increas\w+|doubl\w+|drift\w*|climb\w+|grew|grow\w*)\b|\bflicker|\bintermittent|"
    r"widerstand.{0,20}(gestiegen|stieg|höher|verdoppelt)|wackel|ausgefranst|\bbeschädigt|\ban(ge)?rissen|\bangebrochen|\blocker|\bfast durch"
)
# "no visible cracks" and a loose clamp say nothing of the joint.
_DENIED: Final = r"\b(no|not|without|never|to be|kein\w*|ohne|nicht)\s+(\w+\s+)?\w+"
_RIG: Final = r"\b(clamp|rig|holder|fixture|counter|motor)\b"


def ending(how: str) -> Ending:
    """Which part gave up, by the words; ``not said`` where they name none."""
    text = how.lower()
    return next((kind for kind, words in _KINDS if re.search(words, text)), "not said")


def taken_out_worn(item: Specimen) -> bool:
    """Taken out whole because it looked worn: its end was near, so its stop is no plain stop."""
    text = re.sub(_DENIED, "", item.how.lower())
    worn = re.search(_WEAR, text) is not None and re.search(_RIG, text) is None
    return worn and not item.failed


def endings(specimens: Sequence[Specimen]) -> dict[Ending, int]:
    """Failures by the part that gave up, in the order in which they first came."""
    found: dict[Ending, int] = {}
    for item in specimens:
        if item.failed:
            kind = ending(item.how)
            found[kind] = found.get(kind, 0) + 1
    return found


@dataclass(frozen=True)
class Way:
    """One way to fail: its lives with all other ends counted as stops. ``b50`` None: too few failures."""

    ending: Ending
    words: str
    lives: Lives
    b50: Quantity | None


def ways_of(specimens: Sequence[Specimen], claim: Claim) -> tuple[Way, ...]:
    """The ways to fail apart; nothing where all that failed did so in one way."""
    kinds = endings(specimens)
    if len(kinds) < 2:
        return ()
    return tuple(_way(kind, specimens, claim) for kind in kinds)


def _way(kind: Ending, specimens: Sequence[Specimen], claim: Claim) -> Way:
    own = [
        item
        if not item.failed or ending(item.how) == kind
        else replace(item, broken_cycles=inf, whole_cycles=max(item.whole_cycles, 1.0))
        for item in specimens
    ]
    lives = lives_of(own)
    return Way(kind, WORDS[kind], lives, None if why_not(lives) else _b50(lives, claim))


def _b50(lives: Lives, claim: Claim) -> Quantity | None:
    try:
        fit = fit_weibull(lives)
        (bounds,) = intervals(fit, [Asked("percentile", 0.5)], claim.coverage, claim.method)
    except BenchError:
        return None
    upper = bounds.upper if bounds.upper < inf else None
    return Quantity(
        fit.percentile_cycles(0.5),
        "cycles",
        bounds.lower,
        upper,
        claim.coverage,
        f"Weibull, {ASSUMPTION}",
    )
