"""The hottest ten minutes against sums by hand."""

import numpy as np
import pytest

from analysis.run.heat import heat_caution, hottest_power_w


def test_the_hottest_stretch_is_not_the_mean() -> None:
    """Eight hours at 0.1 W with a quarter of an hour at 3 W: mean 0.19 W, hottest ten minutes 3 W."""
    time_s = np.arange(10.0, 8 * 3600 + 10, 10.0)
    power_w = np.where((time_s > 3600) & (time_s <= 3600 + 900), 3.0, 0.1)
    weight_s = np.full(time_s.shape, 10.0)
    assert power_w.mean() < 0.2
    assert hottest_power_w(time_s, weight_s, power_w) == pytest.approx(3.0)


def test_a_short_peak_counts_by_its_share() -> None:
    # One minute of 6 W in ten of 0.5 W: (60 x 6 + 540 x 0.5) / 600 = 1.05 W.
    time_s = np.arange(1.0, 3601.0)
    power_w = np.where((time_s > 1000) & (time_s <= 1060), 6.0, 0.5)
    assert hottest_power_w(time_s, np.ones(3600), power_w) == pytest.approx(1.05)


def test_runs_shorter_than_ten_minutes_and_gaps() -> None:
    assert hottest_power_w(np.array([60.0, 120.0]), np.array([60.0, 60.0]), np.array([1.0, 3.0])) == pytest.approx(2.0)  # fmt: skip
    # Hours between two rows: the hot one alone, spread over ten minutes.
    gap = hottest_power_w(np.array([60.0, 9000.0]), np.array([60.0, 60.0]), np.array([10.0, 1.0]))
    assert gap == pytest.approx(1.0)
    assert hottest_power_w(np.empty(0), np.empty(0), np.empty(0)) == 0.0
    assert hottest_power_w(np.ones(1), np.ones(1), np.array([np.nan])) == 0.0


def test_the_caution_defers_and_says_its_limit() -> None:
    (text,) = heat_caution(1.5)
    assert "1.5 W" in text
    assert "more than 1 W" in text
    assert "Local codes" in text
    assert heat_caution(0.9) == ()
