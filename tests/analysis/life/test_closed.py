"""Closed testing: never more winners than one error allows, more than Holm finds."""

import numpy as np
import pytest

from analysis.life.closed import adjusted_p, equality_p, holm
from analysis.life.data import lives
from tests.benchmarks.joints_judge import rivals


def test_holm_against_the_judge() -> None:
    p = [0.01, 0.04, 0.03, 0.2]
    mine = holm({(0, i + 1): value for i, value in enumerate(p)})
    assert tuple(mine[0, i + 1] for i in range(4)) == pytest.approx(rivals.holm(p))


def test_three_groups_by_hand() -> None:
    """Every way in which the pair is equal: the pair alone, and all three; the greater p counts."""
    groups = [lives([1, 2, 3, 4]), lives([1.5, 2.5, 3.5, 4.5]), lives([10, 20, 30, 40])]
    pairs = {(i, j): equality_p([groups[i], groups[j]]) for i, j in ((0, 1), (0, 2), (1, 2))}
    every = equality_p(groups)
    found = adjusted_p(groups, pairs)
    assert found == {pair: max(p, every) for pair, p in pairs.items()}


def test_equal_groups_rarely_have_a_winner() -> None:
    """Family-wise: four equal groups, 5 % nominal; 60 tests, so at most 8 (binomial, 1 in 100 above)."""
    random = np.random.default_rng(3)
    winners = 0
    for _ in range(60):
        groups = [lives(random.weibull(2.0, 4)) for _ in range(4)]
        pairs = {
            (i, j): equality_p([groups[i], groups[j]]) for i in range(4) for j in range(i + 1, 4)
        }
        winners += min(adjusted_p(groups, pairs).values()) < 0.05
    assert winners <= 8
