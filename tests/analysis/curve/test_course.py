"""The course of the held voltage as if the load had been all along what it is now."""

import numpy as np
import pytest

from analysis.curve.course import breaks, course_of, heavy_gap_s, last_step
from tests.support.load_bins import TIME_S, bins_of


def test_a_change_of_load_is_corrected_by_ohms_law() -> None:
    current = np.where(TIME_S > 9000, 150.0, 100.0)
    charge = np.cumsum(current) * 10 / 3600
    bins = bins_of(4.5 - charge / 500 - 2.0 * current / 1e3, current)
    course = course_of(bins)
    assert course is not None
    assert course.ohm == pytest.approx(2.0, rel=0.05)
    assert course.step_s == pytest.approx(9000, abs=100)
    expected = 4.5 - course.charge_mah / 500 - 0.3
    assert course.held_v == pytest.approx(expected, abs=0.01)


def test_modes_that_come_again_are_no_change_of_load() -> None:
    bright = TIME_S % 2400 < 1200
    bins = bins_of(4.5 - TIME_S / 2e4, np.asarray(40.0 + 140.0 * bright, dtype=np.float64))
    assert last_step(bins) == 0
    # half of the time is dim: the wait for the next bright time is 1200 s
    assert heavy_gap_s(bins) == pytest.approx(1200, rel=0.3)


def test_one_break_is_taken_out_and_many_are_the_use() -> None:
    one = (TIME_S > 5000) & (TIME_S < 7000)
    many = TIME_S % 2000 < 700
    assert breaks(bins_of(4.5 - TIME_S / 2e4, np.where(one, 0.0, 100.0))).any()
    assert not breaks(bins_of(4.5 - TIME_S / 2e4, np.where(many, 0.0, 100.0))).any()
