"""Do the intervals hold the truth as often as they say? 500 simulated runs with planted errors.

Each run is a chip of its own: gain, offset, shunt and voltage errors drawn uniformly from all of the data
sheets' limits (TI SBOS448G 7.5, TI SBOS547B 6.5; the simulator has its own copy of them), with noise,
rounding, a clock and a drift between calibration and run.
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from analysis.doubt.quantity import Quantity
from analysis.run.rundown import rundown
from firmware_probe.twin.sensor import (
    INA219,
    INA226,
    CurrentSensor,
)
from logger.base.sensor_limits import sensor_limits
from logger.calibration.fit import Compared, Prior, fit_line
from logger.run.calibration import Calibration, Line
from logger.run.reader import Run
from tests.support.planted_chips import FallingPack, any_chip, board_of, drifted, read_at
from tests.support.simulated_runs import record, with_calibration

RUNS = 500
CUTOFF_V = 3.0
# References: a bench meter's 0.1 % for current and 0.03 % for voltage, and its last digits.
METER_MA, METER_V = 0.001, 0.0003
DIGIT_MA, DIGIT_V = 0.01, 0.0002
NAMES = ("charge", "mean_current", "cutoff_time")


def calibrated(sensor: CurrentSensor, current_a: float, rng: np.random.Generator) -> Calibration:
    """Zero, two currents and two voltages beside a meter with an error of its own."""
    kind = sensor.kind
    sheet = sensor_limits(kind.name)
    assert sheet is not None
    meter_ma, meter_v = rng.uniform(-METER_MA, METER_MA), rng.uniform(-METER_V, METER_V)
    points, volts = [], []
    for true_a, volt in ((current_a / 3, 4.6), (1.2 * current_a, 2.9)):
        reading = read_at(sensor, volt, true_a, int(rng.integers(1 << 30)))
        shown_ma = 1e3 * true_a * (1 + meter_ma) + rng.uniform(-DIGIT_MA, DIGIT_MA)
        shown_v = volt * (1 + meter_v) + rng.uniform(-DIGIT_V, DIGIT_V)
        points.append(
            Compared(
                reading.current_ma, shown_ma, reading.current_standard_ma, DIGIT_MA / np.sqrt(3)
            )
        )
        volts.append(
            Compared(reading.pack_v, shown_v, reading.pack_standard_v, DIGIT_V / np.sqrt(3))
        )
    none = read_at(sensor, 4.5, 0.0, int(rng.integers(1 << 30)))
    zero = Compared(none.current_ma, 0.0, none.current_standard_ma)
    prior = Prior(
        1e3 * sheet.shunt_offset_v(sensor.range_ma, 0.1) / 0.1, (sheet.current_gain, 0.01)
    )
    return Calibration(
        board="",
        sensor=kind.name,
        shunt_ohm=0.1,
        range_ma=sensor.range_ma,
        done_utc="2027-01-01T00:00:00+00:00",
        current=fit_line(points, prior, METER_MA, zero),
        voltage=fit_line(volts, Prior(sheet.voltage_offset_v, (sheet.voltage_gain,)), METER_V),
        zero_v=4.5,
    )


@dataclass(frozen=True)
class Trial:
    """One run: truths, and the results without and with calibration, in the order of ``NAMES``."""

    truths: tuple[float, ...]
    plain: tuple[Quantity, ...]
    calibrated: tuple[Quantity, ...]


def results(run: Run) -> tuple[Quantity, ...]:
    result = rundown(run, CUTOFF_V, 2.0)
    return tuple(getattr(result, name) for name in NAMES)


def trial(seed: int) -> Trial:
    rng = np.random.default_rng([seed, 7])
    kind = (INA219, INA226)[seed % 2]
    sensor = CurrentSensor(kind, shunt_ohm=0.1, errors=any_chip(kind, rng))
    current_a = float(np.exp(rng.uniform(np.log(0.02), np.log(0.5))))
    calibration = calibrated(sensor, current_a, rng)
    pack = FallingPack(float(rng.uniform(3.6, 3.9)), float(rng.uniform(0.02, 0.03)))
    warm = replace(sensor, errors=drifted(sensor.errors, kind, rng))
    ppm = float(rng.uniform(-200, 200))
    run = record(board_of(warm, pack, current_a, seed, ppm), 50.0)
    description = run.description
    assert description.board is not None
    assert description.counters is not None
    # Anchors as a night gives them: ten hours beside the computer's clock.
    clock = ((0.0, 0.0, ""), (36000.0, 36000.0 / (1 + ppm * 1e-6), ""))
    run = replace(run, description=replace(description, clock=clock))
    begin_s = -description.counters.time_zero_s / (1 + ppm * 1e-6)
    hours = float(run.samples["time_s"].iloc[-1]) / (1 + ppm * 1e-6) / 3600
    fall_s = (pack.start_v - current_a * pack.resistance_ohm - CUTOFF_V) / pack.fall_v_per_s
    return Trial(
        truths=(1e3 * current_a * hours, 1e3 * current_a, fall_s - begin_s),
        plain=results(run),
        calibrated=results(
            with_calibration(run, replace(calibration, board=description.board.board))
        ),
    )


@pytest.fixture(scope="module")
def trials() -> list[Trial]:
    return [trial(seed) for seed in range(RUNS)]


def held(truths: list[float], quantities: list[Quantity]) -> float:
    """Share of the truths that lie in their interval."""
    inside = 0
    for truth, quantity in zip(truths, quantities, strict=True):
        assert quantity.lower is not None
        assert quantity.upper is not None
        inside += quantity.lower <= truth <= quantity.upper
    return inside / len(truths)


def width(quantity: Quantity) -> float:
    assert quantity.lower is not None
    assert quantity.upper is not None
    return quantity.upper - quantity.lower


@pytest.mark.slow
@pytest.mark.parametrize("index", range(len(NAMES)), ids=NAMES)
def test_uncalibrated_intervals_hold_95_of_100_truths(trials: list[Trial], index: int) -> None:
    share = held([t.truths[index] for t in trials], [t.plain[index] for t in trials])
    assert share >= 0.95


@pytest.mark.slow
@pytest.mark.parametrize("index", range(len(NAMES)), ids=NAMES)
def test_calibrated_intervals_hold_93_to_99_and_are_five_times_narrower(
    trials: list[Trial], index: int
) -> None:
    share = held([t.truths[index] for t in trials], [t.calibrated[index] for t in trials])
    narrower = [width(t.plain[index]) / width(t.calibrated[index]) for t in trials]
    assert 0.93 <= share <= 0.99
    assert min(narrower) >= 5.0


def test_calibration_of_a_perfect_chip_changes_nothing() -> None:
    sensor = CurrentSensor(INA226, shunt_ohm=0.1)
    line = fit_line(
        [Compared(100.0, 100.0, 1e-4), Compared(400.0, 400.0, 1e-4)],
        Prior(0.1, (0.001, 0.01)),
        0.001,
        Compared(0.0, 0.0, 1e-4),
    )
    assert isinstance(line, Line)
    assert line.zero == pytest.approx(0.0, abs=1e-6)
    assert line.factor == pytest.approx(1.0, abs=1e-6)
    assert sensor.errors.shunt_gain == 0.0
