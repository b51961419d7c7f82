"""An end that nothing has shown yet: held against its own law in closed form."""

import numpy as np
import pytest

from analysis.forecast.opinions import unseen_end


@pytest.mark.parametrize("weight", [0.1, 0.5, 1.0])
def test_ends_earlier_as_often_as_the_law_says(weight: float) -> None:
    elapsed_s, later_s = 3600.0, np.full(20_000, 50 * 3600.0)
    found = unseen_end(later_s, elapsed_s, weight)
    for x in (600.0, 3600.0, 4 * 3600.0):
        # P(rest < x) = x / (x + elapsed), Gott 1993; of the early half only
        expected = min(weight * x / (x + elapsed_s), 0.5)
        assert np.mean(found < x) == pytest.approx(expected, abs=0.01)


def test_never_makes_an_end_later_and_none_without_a_weight() -> None:
    left_s = np.linspace(10.0, 1e4, 500)
    assert unseen_end(left_s, 1e3, 0.0) == pytest.approx(left_s)
    found = unseen_end(left_s, 1e3, 0.3)
    assert (found <= left_s).all()
    assert (np.diff(found) >= 0).all()
    assert found[250:] == pytest.approx(left_s[250:])
