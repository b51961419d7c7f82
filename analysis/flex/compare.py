"""Is one group of joints better than another: ranks, and the ratio of their lives."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from analysis.flex.claim import Claim
from analysis.life.data import Lives
from analysis.life.log_rank import LogRank, log_rank
from analysis.life.ratio import LifeRatio, life_ratio
from logger.base.errors import BenchError


@dataclass(frozen=True)
class Comparison:
    """``second`` against ``first`` (the reference); ``ratio`` of lives second / first, None with ``no_ratio`` why."""

    first: str
    second: str
    rank: LogRank | None
    p_adjusted: float | None
    ratio: LifeRatio | None
    no_ratio: str


def compare(
    groups: Mapping[str, Lives], claim: Claim, reference: str
) -> tuple[LogRank | None, tuple[Comparison, ...]]:
    """Log-rank test over all groups, and every other group against ``reference``; nothing for one group."""
    if len(groups) < 2:
        return None, ()
    try:
        overall = log_rank(list(groups.values()))
    except BenchError:
        overall = None
    pairs = [_pair(reference, name, groups, claim) for name in groups if name != reference]
    return overall, _adjusted(pairs)


def _adjusted(pairs: list[Comparison]) -> tuple[Comparison, ...]:
    """The pairs with p values for several looks at once (Holm 1979)."""
    ranked = sorted(
        (pair.rank.p_exchange, place) for place, pair in enumerate(pairs) if pair.rank is not None
    )
    worst = 0.0
    for step, (p, place) in enumerate(ranked):
        worst = max(worst, min(1.0, p * (len(ranked) - step)))
        pairs[place] = replace(pairs[place], p_adjusted=worst)
    return tuple(pairs)


def _pair(first: str, second: str, groups: Mapping[str, Lives], claim: Claim) -> Comparison:
    lives, reference = groups[second], groups[first]
    try:
        rank = log_rank([reference, lives])
    except BenchError as error:
        return Comparison(first, second, None, None, None, error.happened)
    try:
        ratio = life_ratio(lives, reference, claim.coverage, claim.method == "calibrated")
    except BenchError as error:
        return Comparison(first, second, rank, None, None, error.happened)
    return Comparison(first, second, rank, None, ratio, "")
