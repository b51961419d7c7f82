"""Is one group of joints better than another: ranks, and the ratio of their lives.

At 5 % over all comparisons together one outlasts the other, between 5 and 20 % it may.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final, Literal

from analysis.flex.claim import Claim
from analysis.flex.plan import each_needed
from analysis.life.closed import CLOSED_MAX, Pair, adjusted_p
from analysis.life.data import Lives
from analysis.life.log_rank import LogRank, log_rank
from analysis.life.ratio import LifeRatio, life_ratio
from logger.base.errors import BenchError

Difference = Literal["outlasts", "may outlast", "not told apart"]

OUTLASTS_P: Final = 0.05
MAY_P: Final = 0.2
_TESTS: Final = 1000


@dataclass(frozen=True)
class Comparison:
    """``second`` against ``first`` (the reference); ``ratio`` of lives second / first, None with ``no_ratio`` why.

    ``word``: how ``longer`` stands to ``shorter`` (names, empty where neither lives longer). ``more_each``: further
    specimens that would likely tell, None where not reckoned or more than a hundred.
    """

    first: str
    second: str
    rank: LogRank | None
    p_adjusted: float | None
    ratio: LifeRatio | None
    no_ratio: str
    word: Difference = "not told apart"
    longer: str = ""
    shorter: str = ""
    more_each: int | None = None


def compare(
    groups: Mapping[str, Lives], claim: Claim, reference: str
) -> tuple[LogRank | None, tuple[Comparison, ...]]:
    """Log-rank test over all groups, and pairs: all of them, or each with ``reference`` if one is named.

    More than ``CLOSED_MAX`` groups without a reference are compared with the first.
    """
    if len(groups) < 2:
        return None, ()
    names = list(groups)
    if not reference and len(names) > CLOSED_MAX:
        reference = names[0]
    wanted = [
        pair
        for pair in combinations(range(len(names)), 2)
        if not reference or reference in (names[pair[0]], names[pair[1]])
    ]
    try:
        overall = log_rank(list(groups.values()))
    except BenchError:
        overall = None
    found: dict[Pair, Comparison] = {}
    for one, other in wanted:
        first, second = names[one], names[other]
        if second == reference:
            first, second = second, first
        found[one, other] = _pair(first, second, groups, claim)
    return overall, tuple(_adjusted(list(groups.values()), found))


def _adjusted(lives: list[Lives], found: dict[Pair, Comparison]) -> list[Comparison]:
    own = {pair: 1.0 if item.rank is None else item.rank.p_exchange for pair, item in found.items()}
    adjusted = adjusted_p(lives, own)
    return [
        item
        if item.rank is None
        else _worded(replace(item, p_adjusted=adjusted[pair]), lives, pair, len(found))
        for pair, item in found.items()
    ]


def _worded(item: Comparison, lives: list[Lives], pair: Pair, comparisons: int) -> Comparison:
    assert item.rank is not None
    assert item.p_adjusted is not None
    surplus = float(item.rank.observed[1] - item.rank.expected[1])
    if item.p_adjusted >= MAY_P or surplus == 0:
        return item
    longer, shorter = (item.second, item.first) if surplus < 0 else (item.first, item.second)
    if item.p_adjusted < OUTLASTS_P:
        return replace(item, word="outlasts", longer=longer, shorter=shorter)
    more = None
    if item.ratio is not None and item.ratio.ratio != 1:
        shape = min(max(item.ratio.shape, 0.2), 50.0)
        ratio = max(item.ratio.ratio, 1 / item.ratio.ratio)
        needed = each_needed(ratio, shape, OUTLASTS_P / comparisons, _TESTS)
        have = min(round(lives[place].count) for place in pair)
        more = None if needed is None else max(needed - have, 1)
    return replace(item, word="may outlast", longer=longer, shorter=shorter, more_each=more)


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
