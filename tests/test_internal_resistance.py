"""Resistance from load steps, and what was left when the circuit gave up."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.discharge import discharge
from analysis.forecast_words import forecast_json
from analysis.internal_resistance import internal_resistance
from analysis.stranded import stranded
from analysis.trace import trace_of
from analysis.uncertainty import limits_of
from logger.pack import Pack
from logger.run_reader import Run
from tests.runs_by_formula import board_run

Array = NDArray[np.float64]


def draw(time_s: Array) -> Array:
    """LED pattern: bright 20 s of every 60."""
    return np.where(time_s % 60 < 20, 180.0, 60.0)


def stepping_run(ohm: float, growth: float = 0.0, hours: float = 4.0, **changes: Any) -> Run:
    def volts(time_s: Array) -> Array:
        depth = time_s / (hours * 3600)
        noise = 0.001 * np.random.default_rng(2).standard_normal(len(time_s))
        return np.asarray(
            4.5 - 0.8 * depth - draw(time_s) / 1e3 * ohm * (1 + growth * depth) + noise
        )

    return board_run(volts, draw, hours * 3600, 5.0, parts=4, **changes)


def test_resistance_of_a_known_circuit() -> None:
    run = stepping_run(0.45)
    found = internal_resistance(trace_of(run), limits_of(run.description))
    assert found.overall.lower is not None
    assert found.overall.upper is not None
    assert found.overall.value == pytest.approx(0.45, rel=0.01)
    assert found.overall.lower < 0.45 < found.overall.upper
    assert found.steps > 400


def test_resistance_against_depth() -> None:
    run = stepping_run(0.3, growth=1.5)
    found = internal_resistance(trace_of(run), None)
    assert len(found.depth) == 10
    assert found.ohm == pytest.approx(0.3 * (1 + 1.5 * found.depth), rel=0.03)
    assert "limits are not known" in found.overall.note


def test_steps_across_a_gap_do_not_count() -> None:
    run = stepping_run(0.45)
    rows = np.arange(len(run.samples))
    keep = rows % 12 < 3  # every step falls into a gap
    gappy = board_run(
        lambda t: 4.5 - draw(t) / 1e3, draw, 4 * 3600, 5.0, parts=4, keep=np.asarray(keep)
    )
    found = internal_resistance(trace_of(gappy), None)
    assert found.steps == 0
    assert found.overall.value is None
    assert "too few" in found.overall.note


def test_constant_current_shows_no_resistance() -> None:
    run = board_run(lambda t: 4.5 - t / 1e5, lambda t: np.full(len(t), 100.0), 3600, 5.0, parts=2)
    found = internal_resistance(trace_of(run), limits_of(run.description))
    assert found.overall.value is None


def test_two_steps_of_iec_61960() -> None:
    # IEC 61960-3 (second-hand): 0.2 It for 10 s, then 1.0 It for 1 s, Rdc = (U1 - U2)/(I2 - I1)
    def current(time_s: Array) -> Array:
        return np.where(time_s < 5, 0.0, np.where(time_s < 16, 400.0, 2000.0))

    def volts(time_s: Array) -> Array:
        slow = np.where(time_s > 17.5, 0.05, 0.0)  # what polarises later does not count
        return np.asarray(4.0 - 0.08 * current(time_s) / 1e3 - slow)

    run = board_run(volts, current, 25, 0.1, parts=4, pack=Pack("li-ion", 1, "18650", 2000.0))
    found = internal_resistance(trace_of(run), limits_of(run.description), 2000.0)
    assert found.two_step.value == pytest.approx(0.08, rel=1e-6)


def test_stranded_energy_is_measured_where_the_run_went_on() -> None:
    run = board_run(
        lambda t: 4.5 - 2.25 * t / 36000, lambda t: np.full(len(t), 100.0), 36000, 10.0, parts=2
    )
    left = stranded(run, 3.0, 0.0)
    assert left is not None
    # by hand: 3.0 V after 24000 s, 2.4 V (3 x 0.8 V) after 33600 s, 100 mA, mean 2.7 V
    assert left.charge.value == pytest.approx(100 * 9600 / 3600, rel=0.01)
    assert left.energy.value == pytest.approx(100 * 9600 / 3600 * 2.7, rel=0.01)
    assert left.lower_cutoff.value == pytest.approx(9600 / 3600, rel=0.01)
    # a fourth cell: each may go to 0.75 V, held at its floor of 0.8 V
    assert left.one_cell_more.value == pytest.approx(9600 / 3600, rel=0.01)


def test_stranded_energy_beyond_the_run_is_an_estimate() -> None:
    run = board_run(
        lambda t: 4.4 - 1.5 * t / 36000, lambda t: np.full(len(t), 150.0), 34000, 20.0, parts=2
    )
    left = stranded(run, 3.0, 0.0)
    assert left is not None
    assert "estimated" in left.charge.note
    assert left.charge.lower is not None
    assert left.charge.upper is not None
    assert 0 <= left.charge.lower < left.charge.upper
    assert stranded(run, 2.0, 0.0) is None


def test_everything_of_the_issue_is_in_json() -> None:
    whole = discharge(stepping_run(0.45), 3.75, 10.0)
    result = {"forecast": forecast_json(whole.forecast), **whole.as_json()}
    for name in ("internal_resistance", "load_exponent", "rate_exponent", "stranded_energy"):
        assert {"value", "unit", "lower", "upper", "coverage"} <= set(result[name])
    assert len(result["forecast"]["cutoff_time"]) == 2
    assert result["model"]["parameters"]
    assert result["model"]["why"]
