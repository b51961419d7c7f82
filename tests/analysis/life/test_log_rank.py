"""Several groups by exchanged labels, against scipy's exact permutation test."""

import numpy as np
import pytest
import scipy

from analysis.life.data import lives
from analysis.life.log_rank import log_rank, scores_of


@pytest.mark.parametrize("seed", range(4))
def test_three_groups_against_every_exchange(seed: int) -> None:
    """1680 ways to part nine into three threes; ours draws up to 5000, and stops at a hundred as far apart (a tenth)."""
    random = np.random.default_rng(seed)
    groups = [lives(times * random.weibull(2.0, 3)) for times in (1.0, 1.0, 4.0)]
    scores, _ = scores_of(groups)
    parts = np.split(scores, 3)
    exact = scipy.stats.permutation_test(
        parts,
        lambda *given: sum(part.sum() ** 2 for part in given),
        permutation_type="independent",
        n_resamples=10_000,
        alternative="greater",
    )
    assert log_rank(groups).p_exchange == pytest.approx(float(exact.pvalue), rel=0.15, abs=0.005)


def test_scores_are_observed_minus_expected() -> None:
    """Complete lives in order: 1 - sum of 1 / (at risk); Savage scores with their sign turned."""
    scores, _ = scores_of([lives([1, 3]), lives([2, 4])])
    expected = 1 - np.cumsum(1 / np.array([4, 3, 2, 1]))
    assert scores == pytest.approx(expected[[0, 2, 1, 3]])
