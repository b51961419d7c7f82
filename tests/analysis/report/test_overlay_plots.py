"""Voltages of many runs as a band: order statistics by hand, runs that gave up and that were only stopped."""

import numpy as np
import pytest

from analysis.report.overlay_plots import Course, band_of


def level(volt: float, hours: float = 10.0) -> Course:
    return np.linspace(0, 3600 * hours, 50), np.full(50, volt)


TEN = [level(3.0 + 0.1 * n) for n in range(11)]


def at(hours: float, values: np.ndarray, grid: np.ndarray) -> float:
    return float(values[np.searchsorted(grid, 3600 * hours)])


def test_the_band_is_that_of_the_order_statistics() -> None:
    band = band_of(TEN, [None] * 11)
    assert band.low_v == pytest.approx(3.1)
    assert band.median_v == pytest.approx(3.5)
    assert band.high_v == pytest.approx(3.9)


def test_a_run_that_gave_up_counts_as_below_all_others() -> None:
    """The best three give up after 4 h: the rest move up in rank, so the band sinks, and does not rise."""
    gave_up = [None] * 8 + [4 * 3600.0] * 3
    band = band_of(TEN, gave_up, 2.5)
    assert at(3, band.median_v, band.time_s) == pytest.approx(3.5)
    assert at(5, band.median_v, band.time_s) == pytest.approx(3.2)
    assert at(5, band.low_v, band.time_s) == pytest.approx(2.5)
    assert at(5, band.high_v, band.time_s) == pytest.approx(3.6)


def test_a_run_that_was_only_stopped_is_left_out_and_of_few_there_is_no_band() -> None:
    courses = [level(3.0 + 0.1 * n, 4.0 if n < 4 else 10.0) for n in range(11)]
    band = band_of(courses, [None] * 11)
    assert at(5, band.median_v, band.time_s) == pytest.approx(3.7)
    most = [level(3.0 + 0.1 * n, 4.0 if n < 7 else 10.0) for n in range(11)]
    band = band_of(most, [None] * 11)
    assert np.isnan(at(5, band.median_v, band.time_s))
    assert np.isnan(at(5, band.high_v, band.time_s))


def test_where_all_gave_up_nothing_is_drawn() -> None:
    band = band_of(TEN, [4 * 3600.0] * 11, 2.5)
    assert np.isnan(at(5, band.high_v, band.time_s))
    assert np.isnan(at(5, band.low_v, band.time_s))
