"""Pulsing loads on the compiled sketch: what its bursts see of them, and the energy that the analysis makes of it."""

from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pytest

from analysis.doubt.pulsing import burst_of
from analysis.run.rundown import rundown
from logger.base.sensor_limits import burst_means_ma2, sensor_limits
from logger.run.description import Bursts
from logger.run.reader import Run
from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch
from tests.support.runs_by_formula import BOARD

pytestmark = [pytest.mark.firmware, needs_toolchain]

EMF_V: Final = 4.5
OHM: Final = 0.6
LOW_MA, HIGH_MA = 10.0, 410.0
BURST_US: Final = 100_000
SLOW_US: Final = 9_973
SECONDS: Final = 30.0
NUMBERS: Final = ("pack_v", "pack_min_v", "bus_v", "current_ma", "current_min_ma", "current_max_ma")


def pulsing(
    folder: Path, period_us: int, duty: float, burst_us: int = BURST_US, seconds: float = SECONDS
) -> Outcome:
    """A pulse train on a pack of 4.5 V behind 0.6 ohm, with a noise that spreads readings over the steps."""
    folder.mkdir(parents=True, exist_ok=True)
    table = folder / "load.csv"
    table.write_text(f"0,{HIGH_MA}\n{round(duty * period_us)},{LOW_MA}\n", "ascii")
    script = Script().at(
        0,
        f"pack-v {EMF_V}",
        f"pack-ohm {OHM}",
        f"load-table {period_us} {table}",
        "load-noise 1 7",
        # A converter takes in all of its time (SBOS448: delta-sigma); pulses as short as that show it.
        "sensor-moments 16",
    )
    script.host(0.3, "window", 200_000).host(0.4, "burst", burst_us).host(0.5, "start")
    return run_bench(sketch(), script, folder, seconds)


def bursts_of(outcome: Outcome) -> Bursts:
    sheet = sensor_limits("INA219")
    assert sheet is not None
    found = Bursts()
    for line in outcome.of("burst"):
        _, bursts, within, between = map(int, line.fields)
        found = found.with_line(*burst_means_ma2(sheet, bursts, within, between, 0.1**2))
    return found


def run_of(outcome: Outcome) -> Run:
    """The windows as the logger would keep them."""
    rows = outcome.windows
    charge, energy = (float(rows[0][name]) for name in ("charge_mah", "energy_mwh"))
    samples = pd.DataFrame(
        {
            "time_s": [(int(w["time_us"]) - int(rows[0]["time_us"])) / 1e6 for w in rows[1:]],
            "sequence": [int(w["sequence"]) for w in rows[1:]],
            "boot": [1 for _ in rows[1:]],
            "conversions": [int(w["conversions"]) for w in rows[1:]],
            **{name: [float(w[name]) for w in rows[1:]] for name in NUMBERS},
            "charge_mah": [float(w["charge_mah"]) - charge for w in rows[1:]],
            "energy_mwh": [float(w["energy_mwh"]) - energy for w in rows[1:]],
        }
    )
    described = replace(BOARD, window_s=0.2, bursts=bursts_of(outcome), pack=None)
    return Run(Path("simulated"), described, samples)


@pytest.fixture(scope="module")
def slow_pulses(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    """A burst in five sees an edge: 30 s of them scatter by a seventh, with the sketch's every change of timing."""
    return pulsing(tmp_path_factory.mktemp("pulses"), SLOW_US, 0.4, seconds=110)


@pytest.mark.parametrize(("period_us", "duty"), [(SLOW_US, 0.4), (2_137, 0.5), (1_019, 0.5)])
def test_energy_of_pulses_agrees_with_the_closed_form(
    tmp_path: Path, slow_pulses: Outcome, period_us: int, duty: float
) -> None:
    outcome = slow_pulses if period_us == SLOW_US else pulsing(tmp_path, period_us, duty)
    assert not outcome.void
    assert not outcome.of("fault")
    run = run_of(outcome)
    mean = LOW_MA + duty * (HIGH_MA - LOW_MA)
    square = (1 - duty) * LOW_MA**2 + duty * HIGH_MA**2
    hours = float(run.samples["time_s"].iloc[-1]) / 3600
    # V = E - R I: energy is E mean(I) - R mean(I^2).
    true_mwh = (EMF_V * mean - 1e-3 * OHM * square) * hours
    result = rundown(run, None)
    raw_mwh = float(run.samples["energy_mwh"].iloc[-1])
    assert result.draw.sag is not None
    assert result.draw.sag.measured
    assert result.charge.value == pytest.approx(mean * hours, rel=0.01)
    # Charge of a short run goes by where the pulses fell: energy is judged per charge.
    scale = mean * hours / float(run.samples["charge_mah"].iloc[-1])
    assert result.energy.value is not None
    off = result.energy.value * scale / true_mwh - 1
    raw_off = raw_mwh * scale / true_mwh - 1
    assert abs(off) < max(0.35 * raw_off, 0.006)
    assert result.energy.lower is not None
    assert result.energy.upper is not None
    assert result.energy.lower <= true_mwh <= result.energy.upper


def test_bursts_see_the_pulses_variogram(slow_pulses: Outcome) -> None:
    # Two levels: half the mean squared difference of moments u apart is k u, k = (high - low)^2 x 1 per period.
    seen = bursts_of(slow_pulses)
    slope = (HIGH_MA - LOW_MA) ** 2 / SLOW_US
    assert seen.between_ma2 == pytest.approx(532 * slope, rel=0.2)
    assert seen.within_ma2 == pytest.approx(532 / 3 * slope, rel=0.25)
    found = burst_of(seen)
    assert found is not None
    assert found.standard_ma2 < 0.2 * found.between_ma2


def test_without_the_command_there_are_no_bursts(tmp_path: Path) -> None:
    outcome = pulsing(tmp_path, SLOW_US, 0.4, burst_us=0, seconds=12)
    assert not outcome.of("burst")
    assert outcome.hellos[0]["burst_us"] == "0"


def test_bursts_cost_the_windows_little(slow_pulses: Outcome) -> None:
    conversions = np.array([int(w["conversions"]) for w in slow_pulses.windows])
    # Of 188 in 200 ms: two bursts on average, four at most, each with its own time and a pair that was begun.
    assert conversions.min() >= 188 - 4 * 2.5
    assert conversions.mean() >= 188 - 2 * 2.5
