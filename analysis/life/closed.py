"""Which of several groups differ, at one error for all comparisons together.

Closed testing (Marcus, Peritz & Gabriel 1976, Biometrika 63:655): two groups differ only if every
way of equal groups in which these two are equal is refused. Each set of groups that
is taken as equal is tested by exchanging labels: the sum over groups of (sum of log-rank scores)^2 / n,
scores being observed minus expected failures of each piece; several sets at once by
Bonferroni. More groups than ``CLOSED_MAX`` go by Holm 1979 over all pairs.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Final

from analysis.life.data import Lives
from analysis.life.log_rank import exchanged_p, log_rank, scores_of

CLOSED_MAX: Final = 6
Pair = tuple[int, int]


def adjusted_p(groups: Sequence[Lives], pairs: dict[Pair, float]) -> dict[Pair, float]:
    """p of each pair (i < j) adjusted for all of ``pairs``; ``pairs`` holds their own p values.

    All pairs of at most ``CLOSED_MAX`` groups: closed testing; else Holm over those given.
    """
    every = set(combinations(range(len(groups)), 2))
    if len(groups) > CLOSED_MAX or set(pairs) != every:
        return holm(pairs)
    p_equal: dict[tuple[int, ...], float] = {}
    for size in range(3, len(groups) + 1):
        for members in combinations(range(len(groups)), size):
            p_equal[members] = equality_p([groups[i] for i in members])
    p_equal.update({tuple(pair): p for pair, p in pairs.items()})
    found = dict.fromkeys(pairs, 0.0)
    for partition in _partitions(tuple(range(len(groups)))):
        blocks = [block for block in partition if len(block) > 1]
        if not blocks:
            continue
        p = min(1.0, len(blocks) * min(p_equal[block] for block in blocks))
        for block in blocks:
            for pair in combinations(block, 2):
                found[pair] = max(found[pair], p)
    return found


def holm(pairs: dict[Pair, float]) -> dict[Pair, float]:
    """Adjusted p values, step down (Holm 1979)."""
    worst, found = 0.0, {}
    for step, pair in enumerate(sorted(pairs, key=lambda pair: pairs[pair])):
        worst = max(worst, min(1.0, pairs[pair] * (len(pairs) - step)))
        found[pair] = worst
    return found


def equality_p(groups: Sequence[Lives]) -> float:
    """p of all these groups living equally long, by exchanged labels; 1 where none failed."""
    if len(groups) == 2:
        return log_rank(groups).p_exchange
    return exchanged_p(*scores_of(groups))


def _partitions(items: tuple[int, ...]) -> Iterator[list[tuple[int, ...]]]:
    """All ways of putting ``items`` into sets; each set in rising order."""
    if not items:
        yield []
        return
    first, rest = items[0], items[1:]
    for size in range(len(rest) + 1):
        for others in combinations(rest, size):
            left = tuple(item for item in rest if item not in others)
            for partition in _partitions(left):
                yield [(first, *others), *partition]
