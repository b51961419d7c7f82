"""Currents beyond the sensor's range: results are lower bounds that hold, on every form that a result takes."""

import json
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from analysis.curve.compare import compare
from analysis.doubt.beyond import RangeWatch
from analysis.doubt.quantity import Quantity
from analysis.run.draw import beyond_in
from analysis.run.rundown import rundown
from analysis.run.trace import trace_of
from analysis.say.table import rows_of
from analysis.say.words import value_words
from logger.base.sensor_limits import beyond_words, smaller_shunt_words
from logger.run.description import Event
from logger.run.reader import Run
from tests.support.runs_by_formula import INA219, board_run

Floats = npt.NDArray[np.float64]
RANGE_MA = 3200.0


def lost_run(share: float, *, costs: bool = True) -> Run:
    """50 mA, and for a share of each window 5.4 A, which the board leaves out and tells of once a second."""
    whole = 940
    lost = round(share * whole)
    run = board_run(lambda t: 4.5 - 1e-5 * t, lambda t: 50.0 + 0 * t, 3600)
    events = tuple(
        Event(
            float(second),
            "fault",
            "current beyond the sensor's range" + ("" if costs else f": {lost}"),
            {"conversions": float(lost)} if costs else {},
        )
        for second in range(1, 3601)
    )
    # One window in ten was whole, so that the usual number is known.
    counts = np.full(3600, whole - lost)
    counts[::10] = whole
    return replace(
        run,
        samples=run.samples.assign(conversions=counts),
        description=replace(run.description, events=events),
    )


@pytest.mark.parametrize("costs", [True, False])
def test_sums_and_means_are_lower_bounds_that_hold(costs: bool) -> None:
    result = rundown(lost_run(0.1, costs=costs), 4.48)
    true_ma = 0.91 * 50.0 + 0.09 * 5400.0
    for quantity, true in (
        (result.charge, true_ma),
        (result.energy, 4.5 * true_ma),
        (result.mean_current, true_ma),
        (result.peak_current, 5400.0),
        (result.charge_to_cutoff, true_ma * 2000 / 3600),
    ):
        assert quantity.at_least
        assert quantity.value is not None
        assert quantity.lower == quantity.value <= true
        assert quantity.upper is None
        assert str(quantity).startswith("≥ ")
        assert "of the time" in quantity.note
    # The peak was beyond the range, though no row shows it: at least its end, less the sensor's own doubt.
    assert result.peak_current.value is not None
    assert result.peak_current.value > 0.95 * RANGE_MA
    # At least the range's end for the time that was lost: no mere 50 mAh.
    assert result.charge.value is not None
    assert result.charge.value > 0.08 * RANGE_MA
    assert any("beyond what this probe can see: 3.2 A" in warning for warning in result.warnings)


def test_one_flag_goes_through_every_form() -> None:
    bound = rundown(lost_run(0.1), None).charge
    as_json = json.loads(json.dumps(bound.as_json()))
    assert as_json["bound"] == "at_least"
    assert as_json["upper"] is None
    assert Quantity.of_json(as_json) == bound
    assert value_words(bound).startswith("≥ ")
    (row,) = rows_of([("charge", bound)])
    assert row.value.startswith("≥ ")
    assert row.interval == "a lower bound"


def test_bounds_are_rounded_down() -> None:
    assert str(Quantity(5.4999, "mAh", 5.4999, None, 0.95, at_least=True)) == "≥ 5.49 mAh"


def test_a_bound_is_not_compared() -> None:
    steady = board_run(lambda t: 4.5 - 1e-5 * t, lambda t: 50.0 + 0 * t, 3600)
    found = compare([steady, lost_run(0.1)], ["one", "other"], 4.48, 10.0)
    charge = next(item for item in found.differences[0] if item.name.startswith("charge"))
    assert charge.difference.value is None
    assert "beyond" in charge.difference.note


def test_a_blink_bounds_the_peak_alone() -> None:
    run = board_run(lambda t: 4.5 - 1e-5 * t, lambda t: 50.0 + 0 * t, 3600)
    event = Event(5.0, "fault", "current beyond the sensor's range", {"conversions": 1.0})
    run = replace(
        run,
        samples=run.samples.assign(conversions=np.full(3600, 940)),
        description=replace(run.description, events=(event,)),
    )
    result = rundown(run, None)
    assert result.peak_current.at_least
    assert not result.charge.at_least


@pytest.mark.parametrize("share", [0.0, 0.0005, 0.1])
def test_a_growing_run_is_judged_as_the_recorded_one(share: float) -> None:
    """By the board's word of what it left out, and by rows that stand at the range's end, in any portions."""
    run = (
        lost_run(share) if share else board_run(lambda t: 4.5 - 0 * t, lambda t: 50.0 + 0 * t, 600)
    )
    sensor = replace(INA219, range_ma=RANGE_MA)
    current_ma = run.samples["current_ma"].to_numpy(np.float64).copy()
    current_ma[::50] = RANGE_MA
    description = replace(run.description, sensor=sensor)
    run = replace(run, samples=run.samples.assign(current_ma=current_ma), description=description)
    trace = trace_of(run)
    recorded = beyond_in(trace, None, description)
    watch = RangeWatch(trace.begin_s)
    for part in np.array_split(np.arange(len(current_ma)), 7):
        counted = None if trace.conversions is None else trace.conversions[part]
        watch.add(trace.time_s[part], np.abs(current_ma[part]), counted, RANGE_MA)
    live = watch.now(description)
    assert live is not None
    assert recorded is not None
    assert live.share == pytest.approx(recorded.share, rel=1e-6)
    assert live.hides_the_draw == recorded.hides_the_draw
    assert RangeWatch().now(description) is None


def test_a_growing_run_whose_rows_show_nothing_goes_by_the_boards_word() -> None:
    """10 minutes of 940 conversions a second, 100 that the board left out: 100 of 564 100."""
    event = Event(5.0, "fault", "current beyond the sensor's range", {"conversions": 100.0})
    run = board_run(lambda t: 4.5 - 0 * t, lambda t: 50.0 + 0 * t, 600)
    watch = RangeWatch()
    watch.add(np.arange(1.0, 601.0), np.full(600, 50.0), np.full(600, 940.0), RANGE_MA)
    live = watch.now(replace(run.description, events=(event,)))
    assert live is not None
    assert live.told
    assert live.share == pytest.approx(100 / 564_100)
    assert np.isfinite(live.more_mah)


def test_the_shunt_that_would_do() -> None:
    assert smaller_shunt_words(0.1, 3200.0) == "0.05 Ω would do up to 6.4 A"
    assert beyond_words(0.1, 3200.0).startswith(
        "beyond what this probe can see: 3.2 A; use a smaller shunt"
    )
    assert smaller_shunt_words(None, None) == ""
