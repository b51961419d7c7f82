"""What an INA228 counts itself, against the data sheet's worked example."""

import numpy as np
import pytest

from firmware_probe.twin.window_sums import (
    DIE_STEP_C,
    OwnCounters,
    current_counts,
    shunt_calibration,
)

# TI SBOSA20, application example (SOURCES.md C25, from memory): 6 A and 48 V on 16.2 mOhm, 10 A at most.
STEP_A = 10 / 2**19
SHUNT_COUNTS, BUS_COUNTS, CURRENT_COUNTS = 0x4BF00, 0x3C000, 0x4CCCC


def test_worked_example_of_the_data_sheet() -> None:
    calibration = shunt_calibration(STEP_A, 0.0162)
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
    own = OwnCounters(pair_us=1130, since_us=7)
    own.add(np.array([10**6]), np.array([0]))
    assert own.body(4, 99, 25.0) == "own,4,99,7,1130,0,3200"
    assert DIE_STEP_C * 3200 == 25.0


def test_calibration_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="15 bits"):
        shunt_calibration(1.0, 0.1)
