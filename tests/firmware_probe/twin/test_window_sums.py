"""Bursts keep PROTOCOL.md and see of a load what the closed form says; an INA228's own counts: the sheet's example."""

import re

import numpy as np
import pytest

from firmware_probe.line_format import command
from firmware_probe.twin import window_sums
from firmware_probe.twin.load import ConstantCurrent, LoadProgramme, Pulsed, constant_load
from firmware_probe.twin.pack import IdealPack
from firmware_probe.twin.sensor import INA219, INA226, NO_ERRORS, CurrentSensor, SensorKind
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.window_sums import (
    DIE_STEP_C,
    OwnCounters,
    current_counts,
    shunt_calibration,
)
from tests.support.board_output import bodies, windows
from tests.support.places import ROOT

SECOND_US = 1_000_000
EVERY_US = 100_000
STEP_A, PERIOD_S = 0.400, 9.973e-3


def bench(
    load: LoadProgramme,
    kind: SensorKind = INA219,
    configuration: int = -1,
    asked_us: int = EVERY_US,
) -> SimulatedBoard:
    """A board on an ideal pack, bursts asked for and started."""
    sensor = CurrentSensor(kind, 0.1, configuration_value=configuration, errors=NO_ERRORS)
    board = SimulatedBoard(IdealPack(5.0), load, sensor, seed=3, window_us=200_000)
    board.advance(0)
    board.receive(command("burst", str(asked_us)) + command("start"))
    return board


def pulses() -> LoadProgramme:
    return constant_load(Pulsed(ConstantCurrent(STEP_A), 1 / PERIOD_S, 0.4))


def lines(output: bytes) -> list[list[int]]:
    found = [body.split(",") for body in bodies(output)]
    return [[int(text) for text in parts[1:]] for parts in found if parts[0] == "burst"]


@pytest.mark.slow
def test_what_bursts_see_of_pulses_is_the_closed_form() -> None:
    # Of two levels, half the mean squared difference of moments u apart is step^2 u / period (two edges a period,
    # u below both stretches). Values d apart, each a mean over s: d - s / 3 where d >= s; pairs by their lag.
    found = lines(bench(pulses()).advance(1200 * SECOND_US))
    count = sum(line[1] for line in found)
    slope = (STEP_A / 1e-4) ** 2 / (PERIOD_S * 1e6)
    pace, short = 133.0, 84.0
    within = sum((4 - lag) * 2 * 2 * slope * (lag * pace - short / 3) for lag in (1, 2, 3))
    between = sum(2 * slope * ((4 + b - a) * pace - short / 3) for a in range(4) for b in range(4))
    assert count > 10_000
    assert sum(line[2] for line in found) / count == pytest.approx(within, rel=0.08)
    assert sum(line[3] for line in found) / count == pytest.approx(between, rel=0.08)


@pytest.mark.slow
def test_a_burst_costs_one_pair_and_keeps_no_beat() -> None:
    output = bench(constant_load(ConstantCurrent(0.1))).advance(400 * SECOND_US)
    found = lines(output)
    assert {line[1] for line in found} == {32}
    gaps_us = np.diff([line[0] for line in found])
    assert gaps_us.mean() == pytest.approx(32 * EVERY_US, rel=0.02)
    assert gaps_us.std() > EVERY_US
    rows = windows(output)
    lost = len(rows) * 200_000 // 1064 - sum(int(row["conversions"]) for row in rows)
    assert lost == pytest.approx(len(rows) * 200_000 / EVERY_US, rel=0.02)


@pytest.mark.parametrize("cut_us", [3_000, 77_777, SECOND_US])
def test_how_time_is_cut_changes_no_byte(cut_us: int) -> None:
    whole = bench(pulses()).advance(20 * SECOND_US)
    board, parts = bench(pulses()), b""
    for begin in range(0, 20 * SECOND_US, cut_us):
        parts += board.advance(min(cut_us, 20 * SECOND_US - begin))
    assert parts == whole


def test_charge_does_not_suffer() -> None:
    rows = windows(bench(constant_load(ConstantCurrent(0.1))).advance(100 * SECOND_US))
    # 100 mA by 1000 whole steps of a noiseless chip; the line's charge has 6 decimals.
    hours = (rows[-1]["time_us"] - rows[0]["time_us"]) / 3.6e9
    assert (rows[-1]["charge_mah"] - rows[0]["charge_mah"]) / 1e6 == pytest.approx(
        100 * hours, rel=1e-6
    )


def test_none_without_the_command_nor_before_start_nor_after_stop() -> None:
    load = constant_load(ConstantCurrent(0.1))
    assert not lines(bench(load, asked_us=0).advance(60 * SECOND_US))
    board = bench(load)
    board.receive(command("stop"))
    assert not lines(board.advance(60 * SECOND_US))


def test_at_the_end_of_the_range_they_are_left_out() -> None:
    assert not lines(bench(constant_load(ConstantCurrent(3.5))).advance(60 * SECOND_US))


@pytest.mark.parametrize(
    ("kind", "configuration", "text"),
    [(INA219, -1, "ok,burst"), (INA226, -1, "ok,burst"), (INA219, 0x1807, "no,burst,fitted")],
)
def test_who_has_shorter_conversions(kind: SensorKind, configuration: int, text: str) -> None:
    board = bench(constant_load(ConstantCurrent(0.1)), kind, configuration)
    said = list(bodies(board.advance(0)))
    assert text in said
    board.receive(b"identify\n")
    (hello,) = [body for body in bodies(board.advance(0)) if body.startswith("hello")]
    assert ("burst_us=" in hello) == (text == "ok,burst")


def test_too_often_is_refused() -> None:
    board = bench(constant_load(ConstantCurrent(0.1)), asked_us=99_999)
    assert "no,burst,range" in list(bodies(board.advance(0)))


def test_numbers_are_the_sketchs() -> None:
    text = (ROOT / "firmware_probe" / "burst.h").read_text("utf-8")
    for name, value in (
        ("BURST_HALF", window_sums.BURST_HALF),
        ("BURSTS_PER_LINE", window_sums.BURSTS_PER_LINE),
        ("BURST_MIN_US", window_sums.BURST_MIN_US),
    ):
        assert re.search(rf"\b{name} = {value}\D", text)


# TI SBOSA20, application example (SOURCES.md C25, from memory): 6 A and 48 V on 16.2 mOhm, 10 A at most.
REGISTER_STEP_A = 10 / 2**19
SHUNT_COUNTS, BUS_COUNTS, CURRENT_COUNTS = 0x4BF00, 0x3C000, 0x4CCCC


def test_worked_example_of_the_data_sheet() -> None:
    calibration = shunt_calibration(REGISTER_STEP_A, 0.0162)
    assert calibration == 0xFD2
    # The sheet reckons with the exact 4050.0, the register is cut: one count in a hundred thousand.
    assert current_counts(SHUNT_COUNTS, calibration) == pytest.approx(CURRENT_COUNTS, rel=3e-5)


def test_an_hour_of_the_worked_example_is_in_the_accumulators() -> None:
    own = OwnCounters(pair_us=1_000_000)
    seconds = np.ones(3600, dtype=np.int64)
    own.add(CURRENT_COUNTS * seconds, BUS_COUNTS * seconds)
    # 21600 C and 1036.8 kJ, in steps of the current and of 16 x 3.2 x that.
    assert own.charge == pytest.approx(0x43800000, rel=1e-5)
    assert own.energy == pytest.approx(0x3F480000, rel=1e-5)


def test_current_that_flows_back_takes_charge_off_but_adds_energy() -> None:
    # CHARGE is signed, POWER and ENERGY are magnitudes (SBOSA20, register map, from memory).
    own = OwnCounters(pair_us=1_000_000)
    own.add(np.array([-1000]), np.array([1 << 18]))
    assert (own.charge, own.energy) == (-1000, 1000)


def test_line_has_the_counts_and_the_dies_temperature() -> None:
    own = OwnCounters(pair_us=1130, clears=7)
    own.add(np.array([10**6]), np.array([0]))
    assert own.body(4, 25.0) == "own,4,7,1130,0,3200"
    assert DIE_STEP_C * 3200 == 25.0


def test_calibration_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="15 bits"):
        shunt_calibration(1.0, 0.1)
