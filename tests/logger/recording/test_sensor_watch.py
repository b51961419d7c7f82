"""The sensor's own counters beside ours, a sensor nobody can be sure of, another in its place."""

import dataclasses

import pytest

from analysis.doubt.limits import limits_of
from firmware_probe.twin.faults import FaultPlayer, parse_script
from firmware_probe.twin.load import ConstantCurrent, Pulsed, constant_load
from firmware_probe.twin.pack import IdealPack
from firmware_probe.twin.sensor import (
    INA219,
    INA226,
    INA228,
    NO_ERRORS,
    CurrentSensor,
    SensorKind,
)
from firmware_probe.twin.simulated_board import SimulatedBoard
from logger.run.own_check import own_check
from logger.run.reader import Run
from tests.support.simulated_runs import record


def run_of(
    kind: SensorKind = INA228,
    *,
    ids: str = "",
    script: str = "",
    clock: float = 1.0,
    pulsed: bool = False,
    seconds: float = 300.0,
) -> Run:
    errors = dataclasses.replace(NO_ERRORS, clock=clock)
    part = ConstantCurrent(0.4)
    return record(
        SimulatedBoard(
            IdealPack(4.5),
            constant_load(Pulsed(part, 7.0, 0.4) if pulsed else part),
            CurrentSensor(kind, errors=errors, ids=ids),
            faults=FaultPlayer(parse_script(script)),
            window_us=1_000_000,
        ),
        seconds,
        step_s=2.0,
    )


@pytest.mark.parametrize("pulsed", [False, True])
def test_both_counts_agree(pulsed: bool) -> None:
    run = run_of(pulsed=pulsed)
    own = run.description.own
    assert own is not None
    assert own.seconds == pytest.approx(290, abs=11)
    # Known from the load alone: 400 mA, of which the pulsed one draws four tenths.
    mean_ma = 160 if pulsed else 400
    assert own.own_mah == pytest.approx(mean_ma * own.seconds / 3600, rel=3e-3)
    # 0.4 A over 0.1 ohm off 4.5 V.
    assert own.own_mwh == pytest.approx(mean_ma * 4.46 * own.seconds / 3600, rel=4e-3)
    assert (own.die_least_c, own.die_most_c) == (25.0, 25.0)
    check = own_check(own)
    assert check is not None
    assert check.agrees
    assert abs(check.charge) < 0.003
    assert "that their clocks may differ" in check.text


@pytest.mark.parametrize(("clock", "agrees"), [(1.009, True), (0.991, True), (1.05, False)])
def test_its_clock_may_be_a_percent_off_and_no_more(clock: float, agrees: bool) -> None:
    check = own_check(run_of(clock=clock).description.own)
    assert check is not None
    assert check.charge == pytest.approx(1 / clock - 1, abs=1e-3)
    assert check.agrees is agrees


def test_what_a_hung_bus_hid_is_found_by_the_sensor_itself() -> None:
    """The load stops while nobody reads: the board takes the time for the draw before, the sensor does not."""
    run = run_of(script="100:hang=60,101:contact=58")
    check = own_check(run.description.own)
    assert check is not None
    assert not check.agrees
    assert "do not agree" in check.text
    assert "calibrate" in check.text


def test_board_reset_begins_a_new_stretch() -> None:
    run = run_of(script="100:reset=watchdog")
    own = run.description.own
    assert own is not None
    check = own_check(own)
    assert check is not None
    assert check.agrees
    assert own.seconds < 295


def test_sensor_without_counters_has_none() -> None:
    assert run_of(INA226, seconds=60).description.own is None
    assert own_check(None) is None


def test_identity_that_is_not_confirmed_is_said_in_the_run() -> None:
    run = run_of(INA226, ids="0000.0000", seconds=20)
    assert run.description.sensor is not None
    assert run.description.sensor.identity == "behaviour"
    texts = [event.text for event in run.description.events if event.kind == "warning"]
    assert len(texts) == 1
    assert "not confirmed: it behaves like an INA226 but has no identification" in texts[0]
    sure, unsure = (limits_of(run_of(INA226, ids=ids, seconds=5).description) for ids in ("", "0000.0000"))  # fmt: skip
    assert sure is not None
    assert unsure is not None
    # The doubt is that of the chip as bought, and it is said that nothing confirms it.
    assert unsure.current_offset_ma == sure.current_offset_ma
    assert any("not confirmed" in text for text in unsure.assumptions)
    assert not any("not confirmed" in text for text in sure.assumptions)


def test_ina219_is_as_sure_as_it_can_be() -> None:
    run = run_of(INA219, seconds=10)
    assert not [event for event in run.description.events if event.kind == "warning"]


def test_swapped_sensor_is_named_once_and_the_wider_limits_hold() -> None:
    run = run_of(INA228, script="100:swap=ina219")
    sensor = run.description.sensor
    assert sensor is not None
    assert (sensor.kind, sensor.later) == ("INA228", "INA219 at 40h")
    told = [event.text for event in run.description.events if "another sensor" in event.text]
    assert len(told) == 1
    limits = limits_of(run.description)
    assert limits is not None
    assert limits.current_offset_ma == pytest.approx(2.0)  # 200 uV over 0.1 ohm (SOURCES.md C3)
    assert limits.voltage_offset_v == pytest.approx(4e-3)
    charge = run.samples["charge_mah"].iloc[-1]
    assert charge == pytest.approx(400 * run.samples["time_s"].iloc[-1] / 3600, rel=1e-3)
