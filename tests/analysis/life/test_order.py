"""Median and B10 by the order of the lives: exact coverage of its ends (Thompson 1936), and what it cannot know."""

from collections.abc import Callable

import numpy as np
import pytest
import scipy

from analysis.life.data import lives
from analysis.life.order import b10_life, b10_needs, median_life, tenth_life


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


def test_b10_takes_as_many_as_the_success_run() -> None:
    """Before the shortest of n fewer than a tenth fail in all but 0.9^n of tests: 22 at 90 %, 29 at 95 (SOURCES.md A14)."""
    assert (b10_needs(0.9), b10_needs(0.95)) == (22, 29)
    cycles = np.arange(1.0, 23.0)
    assert b10_life(lives(cycles[:21]), 0.9) is None
    found = b10_life(lives(cycles), 0.9)
    assert found is not None
    assert 1 <= found.lower < 1.1  # 0.9^22 is 9.8 %: what is left of the 10 moves it a little
    assert found.upper > 6
    assert tenth_life(lives(cycles)) == 3
    few = b10_life(lives(cycles[:3], [50.0] * 22), 0.9)
    assert few is not None
    assert np.isinf(few.upper)


@pytest.mark.slow
@pytest.mark.parametrize("count", [22, 24, 29, 60])
@pytest.mark.parametrize("law", ["log-normal", "Weibull 0.8", "mixture"])
def test_b10_holds_whatever_the_law(count: int, law: str) -> None:
    """Two-sided 90 %, 2000 samples of each law, within 2.5 points (standard error 0.7)."""
    random = np.random.default_rng([count, len(law)])
    if law == "log-normal":
        samples, truth = random.lognormal(0.0, 0.6, (2000, count)), np.exp(-0.6 * 1.2815515655)
    elif law == "mixture":  # a fifth lives 1/50 as long: half of those have failed by B10
        bad = random.random((2000, count)) < 0.2
        samples = random.exponential(size=(2000, count)) * np.where(bad, 0.02, 1.0)
        truth = _root(lambda t: 0.2 * np.expm1(-t / 0.02) + 0.8 * np.expm1(-t) + 0.1)
    else:
        samples, truth = random.weibull(0.8, (2000, count)), (-np.log(0.9)) ** (1 / 0.8)
    held = 0
    for sample in samples:
        found = b10_life(lives(1000 * sample), 0.9)
        assert found is not None
        held += found.lower <= 1000 * truth <= found.upper
    assert 0.875 <= held / 2000 <= 0.925


def _root(function: Callable[[float], float]) -> float:
    return float(scipy.optimize.brentq(function, 1e-6, 1.0))
