"""Energy of pulsing loads on a source with a resistance, against its closed form: E I - R mean(I^2)."""

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from analysis.doubt.limits import Limits, limits_of
from analysis.doubt.pulsing import Burst, Windows, sag
from analysis.run.draw import draw_of, energy
from analysis.run.row_noise import limits_in_run
from analysis.run.trace import Trace, trace_of
from logger.run.reader import Run
from tests.support.runs_by_formula import BOARD, board_run

Floats = npt.NDArray[np.float64]

EMF_V: Final = 4.5
OHM: Final = 0.6
SHUNT_OHM: Final = 0.1
HALF_S: Final = 532e-6
LOW_MA, HIGH_MA = 10.0, 410.0
PAIRS: Final = 94


def charge_mas(time_s: Floats, hertz: float, duty: float) -> Floats:
    """Integral of a pulse train from time 0."""
    periods = time_s * hertz
    whole = np.floor(periods)
    high_s = (whole * duty + np.minimum(periods - whole, duty)) / hertz
    return LOW_MA * time_s + (HIGH_MA - LOW_MA) * high_s


def pulsing_run(hertz: float, duty: float, windows: int = 3000, pairs: int = PAIRS) -> Run:
    """Alternating conversions, each a mean over its own time: current, then voltage."""
    edges_s: Floats = HALF_S * np.arange(2 * pairs * windows + 1, dtype=np.float64)
    means = np.diff(charge_mas(edges_s, hertz, duty)) / HALF_S
    true_ma, later_ma = (means[part::2].reshape(windows, pairs) for part in (0, 1))
    # Registers of an INA219 with a chip's noise: 0.5 steps of 0.1 mA, 0.3 steps of 4 mV, to the nearest.
    rng = np.random.default_rng(round(hertz))
    amp = 0.1 * np.rint(true_ma / 0.1 + 0.5 * rng.standard_normal(true_ma.shape))
    bus_v = EMF_V - 1e-3 * (OHM + SHUNT_OHM) * later_ma
    bus_v = 4e-3 * np.rint(bus_v / 4e-3 + 0.3 * rng.standard_normal(bus_v.shape))
    volt = bus_v + 1e-3 * SHUNT_OHM * amp
    span_s = 2 * pairs * HALF_S
    samples = pd.DataFrame(
        {
            "time_s": span_s * np.arange(1, windows + 1),
            "sequence": np.arange(windows),
            "boot": np.full(windows, 17),
            "conversions": np.full(windows, pairs),
            "pack_v": volt.mean(axis=1),
            "pack_min_v": volt.min(axis=1),
            "bus_v": bus_v.mean(axis=1),
            "current_ma": amp.mean(axis=1),
            "current_min_ma": amp.min(axis=1),
            "current_max_ma": amp.max(axis=1),
            "charge_mah": np.cumsum(amp.mean(axis=1)) * span_s / 3600,
            "energy_mwh": np.cumsum((amp * volt).mean(axis=1)) * span_s / 3600,
        }
    )
    template = board_run(lambda t: 4.0 + 0 * t, lambda t: 1.0 + 0 * t, 10)
    return replace(template, description=replace(BOARD, window_s=span_s), samples=samples)


def true_mwh(run: Run, hertz: float, duty: float) -> float:
    mean = LOW_MA + duty * (HIGH_MA - LOW_MA)
    square = (1 - duty) * LOW_MA**2 + duty * HIGH_MA**2
    hours = float(run.samples["time_s"].iloc[-1]) / 3600
    return (EMF_V * mean - 1e-3 * OHM * square) * hours


def variograms_ma2(hertz: float, duty: float) -> tuple[float, float]:
    """Means of g between a current conversion and the voltage conversion behind it, and within one."""
    at = (np.arange(400) + 0.5) / 400
    phase = np.linspace(0, 1 / hertz, 997, endpoint=False)
    p = ((np.add.outer(phase, HALF_S * at) * hertz) % 1 < duty).mean(axis=1)
    q = ((np.add.outer(phase, HALF_S * (1 + at)) * hertz) % 1 < duty).mean(axis=1)
    # 1/2 E (a - b)^2 of two levels, over all pairs of moments
    square = (HIGH_MA - LOW_MA) ** 2
    return float(np.mean(p * (1 - q) + q * (1 - p)) / 2) * square, float(
        np.mean(p * (1 - p))
    ) * square


@pytest.mark.parametrize(
    ("hertz", "duty"), [(23.7, 0.2), (23.7, 0.8), (163.0, 0.2), (163.0, 0.8), (490.0, 0.5)]
)
def test_energy_of_pulses_that_conversions_can_follow(hertz: float, duty: float) -> None:
    run = pulsing_run(hertz, duty)
    true = true_mwh(run, hertz, duty)
    found = energy(draw_of(*_of(run)))
    raw = float(run.samples["energy_mwh"].iloc[-1])
    assert found.value is not None
    # At 490 Hz the product catches nothing: pulses shorter than a conversion would look the same.
    assert (found.lower is None) == (hertz > 400)
    assert found.upper is not None
    assert found.upper >= true
    assert raw >= true
    assert abs(found.value - true) <= max(0.6 * (raw - true), 0.004 * true)
    # Without the sensor's own limits: what remains of the sag holds the truth.
    missed = draw_of(*_of(run)).sag
    assert missed is not None
    assert raw - missed.total_mwh - missed.less_mwh - 3 * missed.standard_mwh <= true
    assert true <= raw - missed.total_mwh + missed.more_mwh + 3 * missed.standard_mwh


@pytest.mark.parametrize("hertz", [163.0, 490.0, 980.0, 1700.0])
def test_bursts_tell_what_conversions_cannot_follow(hertz: float) -> None:
    run = pulsing_run(hertz, 0.5)
    true = true_mwh(run, hertz, 0.5)
    between, within = variograms_ma2(hertz, 0.5)
    burst = Burst(between, within, 1.0)
    missed = draw_of(*_of(run), burst).sag
    assert missed is not None
    assert missed.source is not None
    assert missed.measured
    raw = float(run.samples["energy_mwh"].iloc[-1])
    # The identity with the true resistance: exact but for the pulses cut at the run's end.
    power_mw = 1e-3 * (OHM * between + SHUNT_OHM * (between - within))
    exact = raw - power_mw * float(run.samples["time_s"].iloc[-1]) / 3600
    assert exact == pytest.approx(true, rel=3e-4)
    assert abs(raw - missed.total_mwh - true) <= 2.5 * missed.standard_mwh + 1e-3 * true


@pytest.mark.parametrize("hertz", [0.91, 2.3, 4.7])
def test_resistance_by_the_sag_of_rare_pulses(hertz: float) -> None:
    """Pulses of 2 ms: with few of them in a window hardly a sag lacks the shunt's drop, with more the deepest nearly does.

    At 4.7 Hz a period is 199.97 pairs of conversions: all of a window's pulses are cut alike.
    """
    # Windows of a second, as the sketch's own.
    run = pulsing_run(hertz, 0.002 * hertz, windows=300, pairs=940)
    missed = draw_of(*_of(run)).sag
    assert missed is not None
    assert missed.source is not None
    assert abs(missed.source.ohm - OHM) <= 2 * missed.source.standard_ohm
    assert missed.source.standard_ohm < 0.08 * OHM


def test_a_steady_load_is_left_alone() -> None:
    rows = np.full(100, 100.0)
    steady = Windows(rows, rows, rows, rows / 25, rows / 25, rows / 100, rows > 0, 0 * rows)
    assert sag(steady, 4e-3, SHUNT_OHM) is None


def _of(run: Run) -> tuple[Trace, Limits | None]:
    trace = trace_of(run)
    return trace, limits_in_run(trace, limits_of(run.description))
