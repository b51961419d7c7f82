"""Resistance from load steps, and what was left when the circuit gave up."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.curve.resistance import internal_resistance
from analysis.doubt.uncertainty import limits_of
from analysis.forecast.discharge import discharge
from analysis.forecast.of_run import forecast_seen, seen
from analysis.forecast.stranded import Stranded, stranded
from analysis.forecast.words import forecast_json
from analysis.run.trace import trace_of
from logger.base.pack import Pack
from logger.run.calibration import Calibration, Line
from logger.run.reader import Run
from tests.support.runs_by_formula import board_run
from tests.support.simulated_runs import with_calibration

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


def any_chip(run: Run, noise_v: float, rounded: bool, rng: np.random.Generator) -> Run:
    """The run as a chip with errors from anywhere within the data sheet's limits would tell it."""
    limits = limits_of(run.description)
    assert limits is not None

    def within(*greatest: float) -> float:
        return 1 + float(sum(rng.uniform(-limit, limit) for limit in greatest))

    volt_gain = within(limits.voltage_gain, limits.voltage_drift_gain)
    current_gain = within(limits.shunt_gain, limits.current_gain, limits.current_drift_gain)
    rows = len(run.samples)
    offset_v = rng.uniform(-limits.voltage_offset_v, limits.voltage_offset_v)
    read_v = run.samples["pack_v"] * volt_gain + offset_v + noise_v * rng.standard_normal(rows)
    step_v = limits.voltage_step_v
    samples = run.samples.assign(
        pack_v=np.round(read_v / step_v) * step_v if rounded else read_v,
        current_ma=run.samples["current_ma"] * current_gain + 0.05 * rng.standard_normal(rows),
    )
    return replace(run, samples=samples)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("steps", "rows_between", "noise_v", "rounded"),
    [
        (4, 4, 0.003, False),
        (10, 1, 0.003, True),
        (40, 4, 0.0003, True),
        (300, 1, 0.003, True),
        (100, 4, 0.02, False),
    ],
)
def test_the_interval_holds_the_true_resistance(
    steps: int, rows_between: int, noise_v: float, rounded: bool
) -> None:
    # limits: TI SBOS448G 7.5 and a 1 % shunt; planted here, so that the truth is known
    def square(time_s: Array) -> Array:
        return np.where(time_s // rows_between % 2 < 1, 60.0, 180.0)

    rng = np.random.default_rng(steps)
    held, trials = 0, 200
    for _ in range(trials):
        start_v, ohm = 4.5 - rng.uniform(0, 0.1), float(rng.uniform(0.2, 0.8))
        clean = board_run(
            lambda t, start_v=start_v, ohm=ohm: start_v - 1e-4 * t - ohm * square(t) / 1e3,  # type: ignore[misc]
            square,
            max(steps * rows_between + 1, 12),
            1.0,
            parts=1,
        )
        chip = any_chip(clean, noise_v, rounded, rng)
        found = internal_resistance(trace_of(chip), limits_of(chip.description)).overall
        assert found.lower is not None
        assert found.upper is not None
        assert found.coverage == 0.95
        held += found.lower <= ohm <= found.upper
    # 95 % of 200 is 190; 182 or fewer would be a chance of less than 1 in 100
    assert held >= 183


def test_a_calibrated_probe_has_the_narrower_interval() -> None:
    run = stepping_run(0.45)
    line = Line(zero_standard=0.001, factor_standard=0.0005, high=500.0, points=2)
    board = run.description.board
    assert board is not None
    calibration = Calibration(
        board=board.board,
        sensor="INA219",
        shunt_ohm=0.1,
        range_ma=3200.0,
        done_utc="2026-01-01T00:00:00+00:00",
        current=line,
        voltage=line,
    )
    exact = with_calibration(run, calibration)
    plain, narrow = (
        internal_resistance(trace_of(each), limits_of(each.description)).overall
        for each in (run, exact)
    )
    assert plain.lower is not None
    assert plain.upper is not None
    assert narrow.lower is not None
    assert narrow.upper is not None
    assert narrow.upper - narrow.lower < 0.5 * (plain.upper - plain.lower)


def test_rounded_voltages_do_not_pull_the_resistance_to_a_rung() -> None:
    # 54 mV of drop read in steps of 4 mV: 52 or 56, never 54
    run = stepping_run(0.45)
    samples = run.samples.assign(pack_v=np.round(run.samples["pack_v"] / 0.004) * 0.004)
    found = internal_resistance(trace_of(replace(run, samples=samples)), limits_of(run.description))
    assert found.overall.value == pytest.approx(0.45, rel=0.01)


def test_a_few_faulty_steps_do_not_count() -> None:
    run = stepping_run(0.45)
    volts = run.samples["pack_v"].to_numpy().copy()
    volts[::211] -= 1.0
    found = internal_resistance(
        trace_of(replace(run, samples=run.samples.assign(pack_v=volts))), limits_of(run.description)
    )
    assert found.overall.value == pytest.approx(0.45, rel=0.01)


def test_resistance_against_depth() -> None:
    run = stepping_run(0.3, growth=1.5)
    found = internal_resistance(trace_of(run), None)
    assert len(found.depth) == 10
    assert found.ohm == pytest.approx(0.3 * (1 + 1.5 * found.depth), rel=0.03)
    assert "limits are not known" in found.overall.note
    assert found.overall.coverage is None
    assert found.coverage is None


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
    assert found.two_step.lower is not None
    assert found.two_step.upper is not None
    # gains of 1, 0.5 and 0.5 % at least, and two readings to 4 mV over 1.6 A
    assert 0.0008 < (found.two_step.upper - found.two_step.lower) / 2 < 0.006


def left_in(run: Run, cutoff_v: float) -> Stranded | None:
    rows = seen(run)
    return stranded(rows, forecast_seen(rows, cutoff_v, 0.0), cutoff_v, 0.0)


@pytest.mark.slow
def test_stranded_energy_is_measured_where_the_run_went_on() -> None:
    run = board_run(
        lambda t: 4.5 - 2.25 * t / 36000, lambda t: np.full(len(t), 100.0), 36000, 10.0, parts=2
    )
    left = left_in(run, 3.0)
    assert left is not None
    # by hand: 3.0 V after 24000 s, 2.4 V (3 x 0.8 V) after 33600 s, 100 mA, mean 2.7 V
    assert left.charge.value == pytest.approx(100 * 9600 / 3600, rel=0.01)
    assert left.energy.value == pytest.approx(100 * 9600 / 3600 * 2.7, rel=0.01)
    assert left.lower_cutoff.value == pytest.approx(9600 / 3600, rel=0.01)
    # a fourth cell: each may go to 0.75 V, held at its floor of 0.8 V
    assert left.one_cell_more.value == pytest.approx(9600 / 3600, rel=0.01)


@pytest.mark.slow
def test_stranded_energy_beyond_the_run_is_an_estimate() -> None:
    run = board_run(
        lambda t: 4.4 - 1.5 * t / 36000, lambda t: np.full(len(t), 150.0), 34000, 20.0, parts=2
    )
    left = left_in(run, 3.0)
    assert left is not None
    assert "estimated" in left.charge.note
    assert left.charge.lower is not None
    assert left.charge.upper is not None
    assert 0 <= left.charge.lower < left.charge.upper
    assert left_in(run, 2.0) is None


@pytest.mark.slow
def test_everything_of_the_issue_is_in_json() -> None:
    whole = discharge(stepping_run(0.45), 3.75, 10.0)
    result = {"forecast": forecast_json(whole.forecast), **whole.as_json()}
    for name in ("internal_resistance", "load_exponent", "rate_exponent", "stranded_energy"):
        assert {"value", "unit", "lower", "upper", "coverage"} <= set(result[name])
    assert len(result["forecast"]["cutoff_time"]) == 2
    assert result["model"]["parameters"]
    assert result["model"]["why"]
