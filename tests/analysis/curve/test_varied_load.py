"""The drop under a load that comes at another level each time, found again from made-up runs."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.curve.course import course_of, last_step
from analysis.curve.varied_load import under_heavy
from analysis.run.history import Bins, History


def random_load(slow_ohm: float, seed: int = 3) -> tuple[Bins, float]:
    """Draws of 2 min at 0 to 2 A; 50 mOhm at once, ``slow_ohm`` more with a memory of 3 min (first-order circuit)."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(10.0, 7201.0, 10.0)
    current_ma = np.repeat(rng.uniform(100, 2000, 60), 12)
    slow_ma = np.empty(len(time_s))
    level = current_ma[0]
    for k, now in enumerate(current_ma):
        level += (now - level) * (1 - np.exp(-10 / 180))
        slow_ma[k] = level
    charge = np.cumsum(current_ma) * 10 / 3600
    open_v = 4.1 - 0.5 * charge / charge[-1]
    volts = open_v - 0.05 * current_ma / 1e3 - slow_ohm * slow_ma / 1e3
    history = History(30.0)
    history.add(time_s, volts + rng.normal(0, 0.001, len(volts)), current_ma)
    return history.bins(), float(open_v[-1])


@pytest.mark.parametrize("slow_ohm", [0.0, 0.05])
def test_the_drop_at_once_and_the_slow_one_are_found(slow_ohm: float) -> None:
    bins, open_v = random_load(slow_ohm)
    found = under_heavy(bins, 1800.0)
    assert found is not None
    assert found.ohm == pytest.approx(0.05 + slow_ohm, rel=0.15)
    assert found.volts[-1] == pytest.approx(open_v - 1.8 * (0.05 + slow_ohm), abs=0.02)


def test_the_course_of_such_a_load_falls_all_along() -> None:
    bins, _ = random_load(0.05)
    assert last_step(bins) == 0  # one more level is no new setting
    course = course_of(bins)
    assert course is not None
    assert (np.diff(course.held_v) < 0.01).all()


def test_charge_that_flowed_back_is_no_error() -> None:
    """A panel fills the pack at first, and takes the sum of all below nothing."""
    bins, _ = random_load(0.05)
    back = replace(bins, charge_mah=bins.charge_mah - 0.3 * bins.charge_mah[-1])
    found = under_heavy(back, 1800.0)
    assert found is not None
    assert np.isfinite(found.volts).all()
    assert under_heavy(replace(bins, charge_mah=-bins.charge_mah), 1800.0) is None
