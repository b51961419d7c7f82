"""Extrapolations against closed forms; a straight fall is answered sharply, a rising voltage not at all."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.curve.course import Course, rises
from analysis.forecast.forecast import LiveForecast
from analysis.forecast.opinions import Probe, first_below, probes, scored
from analysis.forecast.trends import by_trends, extrapolations
from logger.base.pack import Pack

Array = NDArray[np.float64]
TOP_V, CUTOFF_V, WHOLE_MAH = 4.5, 2.7, 1000.0


def course(fall: Callable[[Array], Array], used_mah: float, noise_v: float = 0.001) -> Course:
    """32 stretches of V = top - (top - cutoff) fall(charge / whole)."""
    charge = used_mah * (1 - (1 - np.linspace(0, 1, 33)[1:]) ** 2.5)
    volts = TOP_V - (TOP_V - CUTOFF_V) * fall(charge / WHOLE_MAH)
    return Course(charge, volts, np.full(32, noise_v), 0.0, None)


@pytest.mark.parametrize(
    "fall", [lambda x: x, np.sqrt, lambda x: x**2], ids=["line", "root", "square"]
)
def test_each_shape_is_met_exactly_by_one(fall: Callable[[Array], Array]) -> None:
    now = course(fall, 500.0)
    left = extrapolations(now, 500.0).left_mah(np.array([CUTOFF_V]))[0]
    assert np.nanmin(np.abs(left - 500.0)) < 1e-3


def test_trends_find_out_which_one_is_right() -> None:
    found = by_trends(course(np.sqrt, 500.0), 500.0, [CUTOFF_V], 1000)
    assert found is not None
    low, middle, high = np.quantile(found[0], (0.05, 0.5, 0.95)) / 500.0
    assert middle == pytest.approx(1.0, abs=0.02)
    assert 0.88 < low < high < 1.12
    assert by_trends(course(lambda x: 1e-4 * x, 500.0), 500.0, [CUTOFF_V], 100) is None


@pytest.mark.parametrize("share", [0.5, 0.7, 0.9])
def test_a_straight_fall_is_answered_to_a_few_percent(share: float) -> None:
    """Of an unknown source that falls in a line; width of the 90 % interval over what is left."""
    life_s, rows = 36000.0, 4000
    time_s = life_s * np.arange(1, rows + 1) / rows
    seen = slice(round(share * rows))
    rng = np.random.default_rng(3)
    volts = TOP_V - (TOP_V - CUTOFF_V) * time_s / life_s + 0.002 * rng.standard_normal(rows)
    live = LiveForecast(Pack("alkaline", 3, "AA"), CUTOFF_V, 10.0)
    live.add(time_s[seen], volts[seen], np.full(rows, 100.0)[seen])
    found = live.now()
    most = found.cutoff_time[1]
    assert most.value == pytest.approx(life_s, rel=0.03)
    assert most.lower is not None
    assert most.upper is not None
    assert most.lower < life_s < most.upper
    widest = {0.5: 2.5, 0.7: 0.6, 0.9: 0.2}[share]
    assert most.upper - most.lower < widest * (1 - share) * life_s


def test_probes_ask_about_levels_passed_since() -> None:
    now = course(lambda x: x, 500.0)
    asked = probes(now, 500.0)
    assert len(asked) >= 3
    for probe in asked:
        there = WHOLE_MAH * (TOP_V - probe.levels_v) / (TOP_V - CUTOFF_V)
        assert probe.true_mah == pytest.approx(there - probe.charge_mah, rel=1e-6)
    assert not probes(course(lambda x: 1e-4 * x, 500.0), 500.0)


def test_a_shorter_way_than_lies_ahead_counts_for_less() -> None:
    asked = [Probe(100.0, np.array([3.0]), np.array([50.0]), np.array([0.0]))]
    wrong = [np.full(50, 5000.0)]
    near, far = (scored(asked, lambda _mah, _v: wrong, ahead) for ahead in (0.5, 5.0))
    assert far.log_density == pytest.approx(0.1 * near.log_density)


def test_first_below_is_where_the_drawn_course_passes() -> None:
    path_mah = np.array([[0.0, 10.0, 20.0]])
    path_v = np.array([[4.0, 3.0, 2.0]])
    assert [
        float(each[0]) for each in first_below(path_mah, path_v, np.array([3.5, 2.5, 1.0]))
    ] == [
        5.0,
        15.0,
        20.0,
    ]


def test_a_voltage_that_comes_up_first_is_not_extrapolated_from_there() -> None:
    late = course(lambda x: x - 0.3 * np.exp(-x / 0.01), 500.0)
    up = Course(
        late.charge_mah,
        late.held_v - 0.5 * np.exp(-late.charge_mah / 40.0),
        late.noise_v,
        0.0,
        None,
    )
    assert 0 < up.settled_mah < 200.0
    assert late.settled_mah == 0.0
    assert not rises(up)
    assert rises(Course(late.charge_mah, late.held_v[::-1], late.noise_v, 0.0, None))
