"""Intervals against data sheets, the GUM's own example, and the library uncertainties."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from uncertainties import ufloat

from analysis.doubt.clock import clock_rate, on_computer_time
from analysis.doubt.uncertainty import (
    Component,
    budget,
    combined,
    interval,
    limits_of,
    shares,
)
from analysis.run.rundown import rundown
from logger.run.description import Description, Event, Sensor
from tests.support.runs_by_formula import BOARD, INA219, Floats, board_run, sampled_run

INA226 = Sensor("INA226", shunt_ohm=0.1, range_ma=819.2)


@pytest.mark.parametrize(
    ("sensor", "offset_ma", "gain", "voltage_offset_v"),
    [
        # TI SBOS448G 7.5, grade A: 100 / 125 / 150 / 200 uV at 40 / 80 / 160 / 320 mV; 0.5 %; the bus
        # offset is not specified: one step of 4 mV is taken.
        (replace(INA219, range_ma=400.0), 1.0, 0.005, 0.004),
        (replace(INA219, range_ma=800.0), 1.25, 0.005, 0.004),
        (replace(INA219, range_ma=1600.0), 1.5, 0.005, 0.004),
        (INA219, 2.0, 0.005, 0.004),
        (replace(INA219, range_ma=None), 2.0, 0.005, 0.004),
        # TI SBOS547B: 10 uV, 0.1 %, bus 7.5 mV.
        (INA226, 0.1, 0.001, 0.0075),
    ],
)
def test_limits_are_those_of_the_data_sheets(
    sensor: Sensor, offset_ma: float, gain: float, voltage_offset_v: float
) -> None:
    limits = limits_of(Description(sensor=sensor))
    assert limits is not None
    assert limits.current_offset_ma == pytest.approx(offset_ma)
    assert limits.current_gain == gain
    assert limits.voltage_offset_v == voltage_offset_v


@pytest.mark.parametrize(
    "sensor",
    [None, Sensor("none"), Sensor("bench meter", 0.1), Sensor("INA219"), Sensor("INA219", 0.0)],
)
def test_unknown_sensor_gives_no_interval_and_says_so(sensor: Sensor | None) -> None:
    assert limits_of(Description(sensor=sensor)) is None
    time_s = np.arange(0, 100.0)
    result = rundown(
        sampled_run(time_s, 4.5 - time_s / 100, np.full(100, 50.0), sensor=sensor), 4.0
    )
    for quantity in (result.charge, result.energy, result.duration, result.cutoff_time):
        assert quantity.value is not None
        assert quantity.lower is None
        assert quantity.coverage is None
        assert "no interval" in quantity.note


def test_offset_of_100_microvolt_is_12_milliampere_hours_in_a_night() -> None:
    # 100 uV over 0.1 ohm is 1 mA; twelve hours of it are 12 mAh. It does not average out.
    limits = limits_of(replace(BOARD, sensor=replace(INA219, range_ma=400.0)))
    assert limits is not None
    components = budget(limits, 1200.0, per_ma=12.0, clocked=True)
    offset = next(part for part in components if "offset" in part.source)
    assert offset.standard * math.sqrt(3) == pytest.approx(12.0)


def test_more_rows_do_not_narrow_the_interval() -> None:
    def steady(time_s: Floats) -> Floats:
        return np.full_like(time_s, 100.0)

    few = rundown(board_run(steady, steady, 3600, window_s=10), None).charge
    many = rundown(board_run(steady, steady, 3600, window_s=0.5), None).charge
    assert few.lower == pytest.approx(many.lower)
    assert few.upper == pytest.approx(many.upper)


def test_energy_budget_agrees_with_the_library_uncertainties() -> None:
    rng = np.random.default_rng(7)
    limits = limits_of(replace(BOARD, sensor=INA226))
    assert limits is not None

    def rectangular(limit: float) -> Any:
        return ufloat(0, limit / math.sqrt(3))

    def over_a_span(limit: float) -> Any:
        # A coefficient within limits times a span within limits: u(x y) = u(x) u(y) for means of 0.
        return ufloat(0, limit / 3)

    for _ in range(20):
        current_ma, volt, hours = rng.uniform(1, 800), rng.uniform(2, 12), rng.uniform(0.1, 50)
        current = current_ma * (1 + rectangular(limits.current_gain)) * (
            1 + rectangular(limits.shunt_gain)
        ) + rectangular(limits.current_offset_ma)
        current += rectangular(limits.current_step_ma / 2) + over_a_span(limits.current_drift_ma)
        current += rectangular(limits.current_common_ma)
        current += rectangular(limits.current_supply_ma) + rectangular(limits.current_pin_ma)
        current *= 1 + over_a_span(limits.current_drift_gain)
        voltage = (
            volt * (1 + rectangular(limits.voltage_gain))
            + rectangular(limits.voltage_offset_v)
            + rectangular(limits.voltage_step_v / 2)
            + over_a_span(limits.voltage_drift_v)
            + rectangular(limits.voltage_supply_v)
        )
        voltage *= 1 + over_a_span(limits.voltage_drift_gain)
        energy = current * voltage * hours * (1 + rectangular(limits.clock_gain))
        ours = budget(
            limits,
            current_ma * volt * hours,
            per_ma=volt * hours,
            per_v=current_ma * hours,
            clocked=True,
        )
        assert combined(ours) == pytest.approx(energy.std_dev, rel=1e-9)


def test_interval_holds_what_the_limits_allow() -> None:
    """Readings with every error drawn from its limits: at least 95 % of the truths lie inside."""
    rng = np.random.default_rng(11)
    limits = limits_of(BOARD)
    assert limits is not None
    true_ma, hours, runs = 80.0, 8.0, 2000

    def drawn(limit: float) -> Floats:
        return rng.uniform(-limit, limit, runs)

    read_ma = true_ma * (1 + drawn(limits.current_gain)) * (1 + drawn(limits.shunt_gain))
    read_ma += drawn(limits.current_offset_ma) + drawn(limits.current_step_ma / 2)
    charges = read_ma * hours * (1 + drawn(limits.clock_gain))
    held = 0
    for charge in charges:
        quantity = interval(
            float(charge), "mAh", budget(limits, float(charge), per_ma=hours, clocked=True)
        )
        assert quantity.lower is not None
        assert quantity.upper is not None
        held += quantity.lower <= true_ma * hours <= quantity.upper
    assert held / runs >= 0.95


def test_cutoff_interval_holds_the_truth_of_a_wrong_voltage_reading() -> None:
    # True voltage falls from 4.5 V by 0.9 V an hour; the sensor reads 0.4 % too much.
    def read(time_s: Floats) -> Floats:
        return 1.004 * (4.5 - 0.9 * time_s / 3600)

    result = rundown(board_run(read, lambda t: np.full_like(t, 100.0), 7200), 3.0)
    true_s = 1.5 / 0.9 * 3600
    assert result.cutoff_time.lower is not None
    assert result.cutoff_time.upper is not None
    assert result.cutoff_time.value != pytest.approx(true_s, abs=30)
    assert result.cutoff_time.lower < true_s < result.cutoff_time.upper


def test_clock_is_taken_from_anchors_where_there_are_some() -> None:
    found = clock_rate(((0.0, 0.0, ""), (36000.0, 36072.0, "")))
    assert found.factor == pytest.approx(1.002, rel=1e-9)
    # Left: how late an anchor may be, and the computer's own quartz.
    assert found.limit == pytest.approx(0.2 / 36000 + 1e-4, rel=1e-9)
    assert "corrected" in found.words
    none = (1.0, 0.005)
    for anchors in ((), ((0.0, 0.0, ""), (5.0, 9.0, "")), ((0.0, 0.0, ""), (36000.0, 70.0, ""))):
        # A simulated board runs ahead of the computer: that is no error of a clock.
        assert (clock_rate(anchors).factor, clock_rate(anchors).limit) == none


def test_a_computer_that_slept_corrects_nothing() -> None:
    slept = tuple((60.0 * n, 60.0 * n - 300.0 * (n > 240), "") for n in range(481))
    found = clock_rate(slept)
    assert found.factor == 1.0
    assert found.limit > 300 / 28800
    assert "not corrected" in found.words


def test_a_resonator_half_a_percent_off_is_corrected_for_in_times_and_sums() -> None:
    # The board counts 0.5 % too few seconds: 100 mA for a true 10 h, a mark after a true hour.
    rate = 1.005
    clock = tuple((3600 / rate * n, 3600.0 * n + 0.01 * (n % 3), "") for n in range(11))
    run = board_run(lambda t: 4.5 - 1e-5 * t, lambda t: 100.0 + 0 * t, round(36000 / rate))
    mark = Event(3600 / rate, "mark", "ride")
    described = replace(run.description, clock=clock, events=(mark,))
    result = rundown(replace(run, description=described), 4.3)
    true_s = 0.2 / 1e-5 * rate
    assert result.duration.value == pytest.approx(36000, rel=1e-5)
    assert result.charge.value == pytest.approx(1000.0, rel=1e-4)
    assert result.mean_current.value == pytest.approx(100.0, rel=1e-6)
    assert result.cutoff_time.value == pytest.approx(true_s, rel=1e-4)
    assert result.duration.upper is not None
    assert result.duration.upper < 36000 * 1.0002
    timed = on_computer_time(replace(run, description=described))
    assert timed.description.events[0].time_s == pytest.approx(3600.0, abs=0.1)
    assert on_computer_time(timed) is timed


def test_mean_current_does_not_hang_on_the_clock() -> None:
    run = board_run(lambda t: 4.0 + 0 * t, lambda t: 100.0 + 0 * t, 3600)
    slow = replace(
        run, description=replace(run.description, clock=((0, 0, ""), (3600.0, 3672.0, "")))
    )
    assert rundown(run, None).mean_current == rundown(slow, None).mean_current
    assert rundown(run, None).charge != rundown(slow, None).charge


def test_gaps_come_on_top_in_full() -> None:
    components = (Component("x", "B", 1.0),)
    plain = interval(100.0, "mAh", components)
    wide = interval(100.0, "mAh", components, less=5.0, more=7.0)
    assert plain.lower is not None
    assert plain.upper is not None
    assert wide.lower == pytest.approx(plain.lower - 5)
    assert wide.upper == pytest.approx(plain.upper + 7)


def test_shares_add_up_to_the_whole() -> None:
    listed = shares((Component("a", "B", 3.0), Component("b", "A", 4.0)))
    assert [source for source, _ in listed] == ["b", "a"]
    assert [share for _, share in listed] == pytest.approx([0.64, 0.36])
