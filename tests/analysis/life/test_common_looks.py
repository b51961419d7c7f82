"""Groups looked at unlike: what is compared is what all would have seen."""

import numpy as np
import pytest

from analysis.life.common_looks import looked_alike, on_common_looks
from analysis.life.data import Lives
from analysis.life.log_rank import log_rank


def lives(lower: list[float], upper: list[float]) -> Lives:
    return Lives(np.array(lower), np.array(upper), np.ones(len(lower)))


def exact(*cycles: float) -> Lives:
    return lives(list(cycles), list(cycles))


def stepped(cycles: np.ndarray, step: float) -> Lives:
    upper = step * np.ceil(cycles / step)
    return lives(list(upper - step), list(upper))


def test_by_hand() -> None:
    bend_by_bend = exact(120, 480, 500, 610)
    seldom = lives([0, 250, 500], [250, 500, np.inf])
    fine, coarse = on_common_looks([bend_by_bend, seldom])
    assert list(zip(fine.lower, fine.upper, strict=True)) == [
        (0, 250), (250, 500), (250, 500), (500, 750),
    ]  # fmt: skip
    assert np.array_equal(coarse.lower, seldom.lower)
    assert np.array_equal(coarse.upper, seldom.upper)


def test_steps_that_do_not_fit_meet_at_their_common_multiple() -> None:
    by_150, by_100 = lives([150, 450], [300, 600]), lives([200, 300], [300, 400])
    first, second = on_common_looks([by_150, by_100])
    assert list(zip(first.lower, first.upper, strict=True)) == [(0, 300), (300, 600)]
    assert list(zip(second.lower, second.upper, strict=True)) == [(0, 300), (300, 600)]


def test_uneven_looks_keep_only_what_both_saw() -> None:
    doubling = lives([100, 200, 400], [200, 400, 800])
    fine, coarse = on_common_looks([doubling, stepped(np.array([130.0, 333.0, 610.0]), 100)])
    assert set(coarse.lower) | set(coarse.upper) <= {0, 100, 200, 400, 800}
    assert np.array_equal(fine.upper, doubling.upper)


def test_alike_stays_as_it_is() -> None:
    groups = [stepped(np.array([130.0, 333.0]), 100), stepped(np.array([90.0, 910.0]), 100)]
    assert looked_alike(groups)
    assert on_common_looks(groups) == groups
    both_exact = [exact(3, 4), exact(5, 6)]
    assert on_common_looks(both_exact) == both_exact


@pytest.mark.slow
def test_equal_groups_looked_at_unlike_are_seldom_told_apart() -> None:
    """Log-normal lives by numpy; at 5 % in each test: 400 tests, at most 5 % and three standard errors."""
    rng = np.random.default_rng(3)
    found = 0
    for _ in range(400):
        first, second = np.exp(rng.normal(np.log(900), 0.45, (2, 12)))
        groups = on_common_looks([exact(*np.ceil(first)), stepped(np.ceil(second), 250)])
        found += log_rank(groups).p_exchange < 0.05
    assert found <= 0.05 * 400 + 3 * np.sqrt(400 * 0.05 * 0.95)
    naive = 0
    for _ in range(100):
        first, second = np.exp(rng.normal(np.log(900), 0.45, (2, 12)))
        naive += log_rank([exact(*np.ceil(first)), stepped(np.ceil(second), 250)]).p_exchange < 0.05
    assert naive > 10  # what it would be without


def test_lives_of_a_thousand_million_bends_take_no_memory() -> None:
    by_one = lives([999_999_998], [999_999_999])
    fine, _ = on_common_looks([by_one, lives([999_999_750], [1_000_000_000])])
    assert (fine.lower[0], fine.upper[0]) == (999_999_750, 1_000_000_000)
