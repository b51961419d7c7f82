"""Median by the order of the lives: exact coverage of its ends (Thompson 1936), and what it cannot know."""

import numpy as np
import pytest

from analysis.life.data import lives
from analysis.life.order import median_life


def test_ends_and_middle() -> None:
    """n = 5: first to last holds 1 - 2/32 = 93.75 %; that is the widest there is."""
    found = median_life(lives([10, 20, 30, 40, 50]), 0.9375)
    assert found is not None
    assert (found.value, found.lower, found.upper) == (30, 10, 50)
    assert median_life(lives([10, 20, 30, 40]), 0.9) is None


def test_open_above_and_taken_out() -> None:
    found = median_life(lives([10, 20, 30, 40], [45] * 4), 0.9)
    assert found is not None
    assert np.isinf(found.upper)
    assert median_life(lives([10, 20, 30, 40, 50], [15]), 0.9) is None


@pytest.mark.slow
@pytest.mark.parametrize("count", [5, 8, 12, 24])
def test_coverage_of_a_skew_law(count: int) -> None:
    """Log-normal, 3000 samples: 90 % within 2 (standard error 0.55)."""
    random = np.random.default_rng(count)
    held = 0
    for _ in range(3000):
        found = median_life(lives(random.lognormal(0.0, 0.8, count)), 0.9)
        assert found is not None
        held += found.lower <= 1.0 <= found.upper
    assert 0.88 <= held / 3000 <= 0.92
