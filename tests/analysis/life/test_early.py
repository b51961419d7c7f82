"""Failures too early for one Weibull: found among good ones, seldom cried where there are none."""

import numpy as np
import pytest
import scipy
from numpy.typing import NDArray

from analysis.life.data import lives
from analysis.life.early import early_failures

Array = NDArray[np.float64]


def p_of(cycles: Array) -> float:
    found = early_failures(lives(cycles))
    assert found is not None
    return found.p_value


def test_scale_and_shape_do_not_matter() -> None:
    cycles = np.random.default_rng(1).weibull(2.0, 12)
    assert p_of(cycles) == p_of(4800 * cycles**0.5)


def test_where_it_cannot_be_told() -> None:
    assert early_failures(lives([1, 2, 3, 4])) is None
    assert early_failures(lives([1, 2, 3, 4, 5, 6], [3.5])) is None  # taken out on the way
    assert early_failures(lives([7.0] * 6)) is None


def test_the_pieces_are_split_off_at_the_gap() -> None:
    """Quantiles of a Weibull of shape 4, and three that failed a hundred times earlier."""
    share = (np.arange(1, 22) - 0.3) / 21.4
    good = scipy.stats.weibull_min.ppf(share, 4.0, scale=9000.0)
    found = early_failures(lives([*good, 40.0, 75.0, 90.0]))
    assert found is not None
    assert found.pieces == 3
    assert found.p_value < 0.01
    plain = early_failures(lives(good))
    assert plain is not None
    assert plain.p_value > 0.5


@pytest.mark.slow
@pytest.mark.parametrize(("count", "at_least"), [(12, 0.4), (24, 0.7)])
def test_false_alarms_and_power(count: int, at_least: float) -> None:
    """5 % by construction (600 tests: standard error 0.9 points); a fifth that live a fifth as long is found."""
    random = np.random.default_rng(count)
    alarms = np.mean([p_of(random.weibull(1.3, count)) < 0.05 for _ in range(600)])
    assert 0.025 < alarms < 0.08
    found = []
    for _ in range(300):
        bad = random.random(count) < 0.2
        cycles = np.where(bad, 0.2 * random.weibull(1.5, count), random.weibull(4.0, count))
        found.append(p_of(cycles) < 0.05)
    assert np.mean(found) > at_least
