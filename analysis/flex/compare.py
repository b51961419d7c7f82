"""Is one group of joints better than another: ranks, and the ratio of their lives.

At 5 % over all comparisons together one outlasts the other, between 5 and 20 % it may.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations
from typing import Final, Literal

from analysis.flex.claim import Claim
from analysis.flex.plan import each_needed
from analysis.life.closed import CLOSED_MAX, Pair, adjusted_p
from analysis.life.common_looks import on_common_looks
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
    """``second`` against ``first`` (the reference), with their lives in that order.

    ``word``: how ``longer`` stands to ``shorter`` (names, empty where neither lives longer). ``comparisons``: pairs in all.
    """

    first: str
    second: str
    lives: tuple[Lives, Lives]
    claim: Claim
    rank: LogRank | None
    no_rank: str = ""
    p_adjusted: float | None = None
    word: Difference = "not told apart"
    longer: str = ""
    shorter: str = ""
    comparisons: int = 1

    @property
    def ratio(self) -> LifeRatio | None:
        """Of lives, second / first; None with ``no_ratio`` why."""
        return self._ratio[0]

    @property
    def no_ratio(self) -> str:
        return self._ratio[1]

    @cached_property
    def _ratio(self) -> tuple[LifeRatio | None, str]:
        if self.rank is None:
            return None, self.no_rank
        first, second = self.lives
        try:
            claim = self.claim
            return life_ratio(second, first, claim.coverage, claim.method == "calibrated"), ""
        except BenchError as error:
            return None, error.happened

    @cached_property
    def more_each(self) -> int | None:
        """Further specimens that would likely tell what may be; None where not reckoned or more than a hundred."""
        ratio = self.ratio if self.word == "may outlast" else None
        if ratio is None or ratio.ratio == 1:
            return None
        shape = min(max(ratio.shape, 0.2), 50.0)
        times = max(ratio.ratio, 1 / ratio.ratio)
        needed = each_needed(times, shape, OUTLASTS_P / self.comparisons, _TESTS)
        have = min(round(lives.count) for lives in self.lives)
        return None if needed is None else max(needed - have, 1)


def overall_test(groups: Sequence[Lives]) -> LogRank | None:
    """Are all these equal? None for one group, or where none failed."""
    if len(groups) < 2:
        return None
    try:
        return log_rank(on_common_looks(groups))
    except BenchError:
        return None


def compare(groups: Mapping[str, Lives], claim: Claim, reference: str) -> tuple[Comparison, ...]:
    """Pairs: all of them, or each with ``reference`` if one is named.

    More than ``CLOSED_MAX`` groups without a reference are compared with the first.
    """
    if len(groups) < 2:
        return ()
    names = list(groups)
    if not reference and len(names) > CLOSED_MAX:
        reference = names[0]
    wanted = [
        pair
        for pair in combinations(range(len(names)), 2)
        if not reference or reference in (names[pair[0]], names[pair[1]])
    ]
    found: dict[Pair, Comparison] = {}
    # Ranks go by what all would have seen alike; the ratio's likelihood knows intervals as they are.
    alike = dict(zip(names, on_common_looks(list(groups.values())), strict=True))
    for one, other in wanted:
        first, second = names[one], names[other]
        if second == reference:
            first, second = second, first
        lives = (groups[first], groups[second])
        try:
            rank = log_rank((alike[first], alike[second]))
            found[one, other] = Comparison(first, second, lives, claim, rank)
        except BenchError as error:
            found[one, other] = Comparison(first, second, lives, claim, None, error.happened)
    return tuple(_adjusted(list(alike.values()), found))


def _adjusted(lives: list[Lives], found: dict[Pair, Comparison]) -> list[Comparison]:
    own = {pair: 1.0 if item.rank is None else item.rank.p_exchange for pair, item in found.items()}
    adjusted = adjusted_p(lives, own)
    return [
        item
        if item.rank is None
        else _worded(replace(item, p_adjusted=adjusted[pair], comparisons=len(found)))
        for pair, item in found.items()
    ]


def _worded(item: Comparison) -> Comparison:
    assert item.rank is not None
    assert item.p_adjusted is not None
    surplus = float(item.rank.observed[1] - item.rank.expected[1])
    if item.p_adjusted >= MAY_P or surplus == 0:
        return item
    longer, shorter = (item.second, item.first) if surplus < 0 else (item.first, item.second)
    word: Difference = "outlasts" if item.p_adjusted < OUTLASTS_P else "may outlast"
    return replace(item, word=word, longer=longer, shorter=shorter)
