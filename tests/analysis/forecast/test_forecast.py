"""Forecast: thinned history, live against recorded, regulated sources, faults named."""

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.forecast.chemistry_prior import FAMILIES, capacity_prior, mode_table
from analysis.forecast.forecast import Forecast, LiveForecast
from analysis.forecast.future_load import Programme
from analysis.forecast.of_run import forecast_run
from analysis.forecast.passage import local_scatter
from analysis.forecast.stated import parse_programme
from analysis.forecast.words import forecast_line, forecast_words
from analysis.run.history import BINS_MAX, History
from logger.base.errors import BenchError
from logger.base.pack import CHEMISTRIES, Pack
from logger.run.description import Stop
from logger.run.reader import Run
from tests.support.live_runs import play
from tests.support.runs_by_formula import INA219, LIFE_S, VEST, alkaline_v, board_run, sampled_run

Array = NDArray[np.float64]


def vest_run(
    volts: Callable[[Array], Array] = alkaline_v,
    draw_ma: Callable[[Array], Array] = lambda t: np.full(len(t), 110.0),
    hours: float = 10.0,
    **changes: Any,
) -> Run:
    return board_run(volts, draw_ma, hours * 3600, 20.0, parts=2, **changes)


def interval(found: Forecast) -> tuple[float, float]:
    most = found.cutoff_time[1]
    assert most.lower is not None
    assert most.upper is not None
    return most.lower, most.upper


@pytest.mark.parametrize("hold_s", [0.0, 7.0])
def test_history_is_the_same_in_any_portions(hold_s: float) -> None:
    rng = np.random.default_rng(3)
    time_s = np.cumsum(rng.uniform(0.05, 2.0, 20_000))
    volts = 4.5 - time_s / 1e4 + 0.01 * rng.standard_normal(len(time_s))
    current = rng.uniform(20, 200, len(time_s))
    whole, portions = History(hold_s), History(hold_s)
    whole.add(time_s, volts, current)
    begin = 0
    while begin < len(time_s):
        end = begin + int(rng.integers(1, 400))
        portions.add(time_s[begin:end], volts[begin:end], current[begin:end])
        begin = end
    one, other = whole.bins(), portions.bins()
    assert len(one.end_s) <= BINS_MAX + 1
    for name, values in vars(one).items():
        assert values == pytest.approx(getattr(other, name), rel=1e-9), name
    spans = np.diff(time_s, prepend=0.0)
    assert one.charge_mah[-1] == pytest.approx(float((current * spans).sum()) / 3600)
    assert float(one.mean_v @ one.span_s) == pytest.approx(float(volts @ spans))


def test_held_voltage_is_what_a_cutoff_with_hold_time_must_pass() -> None:
    time_s = np.arange(1.0, 601.0)
    pulses = np.where(time_s % 10 < 3, 2.0, 4.0)  # 3 s dips, 7 s between
    short, long = History(0.0), History(20.0)
    for history in (short, long):
        history.add(time_s, pulses, np.full(600, 50.0))
    assert short.bins().held_v.min() == 2.0
    assert long.bins().held_v.min() == 4.0


def test_board_counter_bridges_lost_rows() -> None:
    history = History()
    history.add([10.0, 500.0], [4.0, 3.9], [100.0, 10.0], [0.3, 14.0])
    assert history.bins().charge_mah[-1] == 14.0


@pytest.mark.slow
def test_live_and_recorded_forecast_agree() -> None:
    run = vest_run()
    recorded = forecast_run(run, 3.0, 40.0)
    live = LiveForecast(VEST, 3.0, 40.0)
    samples = run.samples
    for begin in range(0, len(samples), 7):
        part = samples.iloc[begin : begin + 7]
        live.add(part["time_s"], part["pack_v"], part["current_ma"], part["charge_mah"])
    assert live.now().median_s == pytest.approx(recorded.median_s, rel=1e-3)
    assert live.now().draws_s == pytest.approx(live.now().draws_s)  # no flicker


@pytest.mark.slow
def test_forecast_comes_from_rows_before_the_moment_only() -> None:
    whole = forecast_run(vest_run(hours=19), 3.0, 0.0, until_s=5 * 3600.0)
    early = forecast_run(vest_run(hours=5), 3.0, 0.0)
    assert whole.now_s == pytest.approx(early.now_s)
    assert whole.median_s == pytest.approx(early.median_s, rel=1e-6)


@pytest.mark.slow
def test_interval_narrows_and_holds() -> None:
    truth = float(
        np.interp(-3.0, -alkaline_v(np.arange(0, LIFE_S, 20.0)), np.arange(0, LIFE_S, 20.0))
    )
    widths = []
    for share in (0.25, 0.5, 0.75, 0.9):
        found = forecast_run(vest_run(hours=20), 3.0, 0.0, until_s=share * truth)
        low, high = interval(found)
        assert low < truth < high
        widths.append(high - low)
    assert widths == sorted(widths, reverse=True)


@pytest.mark.slow
def test_measured_cutoff_is_not_forecast() -> None:
    found = forecast_run(vest_run(hours=20), 3.6, 60.0)
    assert found.basis == "reached"
    truth = float(
        np.interp(-3.6, -alkaline_v(np.arange(0, LIFE_S, 20.0)), np.arange(0, LIFE_S, 20.0))
    )
    assert found.median_s == pytest.approx(truth, abs=30)
    assert found.capacity_mah.value == pytest.approx(110 * truth / 3600, rel=0.01)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("exponent", "word"),
    [(-1.0, "booster"), (0.0, "constant current"), (1.0, "resistor"), (2.5, "LEDs")],
)
def test_kind_of_load_is_told_in_words(exponent: float, word: str) -> None:
    def draw(time_s: Array) -> Array:
        noise = 1 + 0.005 * np.random.default_rng(1).standard_normal(len(time_s))
        return np.asarray(100 * (alkaline_v(time_s) / 4.5) ** exponent * noise)

    found = forecast_run(vest_run(draw_ma=draw), 3.0, 0.0)
    value = found.load_exponent
    assert value.lower is not None
    assert value.upper is not None
    assert value.lower - 0.1 <= exponent <= value.upper + 0.1
    assert value.upper - value.lower < 0.5
    assert word in found.load_text


@pytest.mark.slow
def test_pulses_do_not_pass_for_a_booster() -> None:
    def bright(time_s: Array) -> Array:
        return np.asarray(time_s % 1200 < 400)

    def draw(time_s: Array) -> Array:
        return np.where(bright(time_s), 200.0, 40.0)

    def volts(time_s: Array) -> Array:
        return alkaline_v(time_s) - 0.6 * draw(time_s) / 1e3

    found = forecast_run(vest_run(volts, draw), 3.0, 60.0)
    assert found.load_exponent.value == pytest.approx(0.0, abs=0.1)
    assert "modes" in found.load_text


@pytest.mark.slow
def test_stated_programme_changes_the_forecast() -> None:
    run = vest_run(hours=5)
    as_it_was = forecast_run(run, 3.0, 10.0)
    dimmed = forecast_run(run, 3.0, 10.0, programme=parse_programme("55mA"))
    assert dimmed.median_s is not None
    assert as_it_was.median_s is not None
    left, left_dimmed = as_it_was.median_s - as_it_was.now_s, dimmed.median_s - dimmed.now_s
    assert 1.7 < left_dimmed / left < 2.6
    modes = parse_programme("20min@180mA,40min@40mA")
    assert modes.mean_ma == pytest.approx(86.67, abs=0.01)
    assert modes.heaviest_ma(60.0) == 180.0
    with pytest.raises(BenchError, match="not understood"):
        parse_programme("bright")


def test_only_a_power_bank_is_said_to_hold_its_voltage() -> None:
    """Of alkaline cells it is known: too short a run to foresee from is no reason to say it."""
    short = vest_run(lambda t: np.full(len(t), 4.7), lambda t: np.full(len(t), 0.0), 0.01)
    assert "switch off" not in " ".join(forecast_run(short, 2.7, 0.0).warnings)


def test_power_bank_answers_from_rated_capacity() -> None:
    bank = Pack("usb-bank", 1, "", 5000.0)
    flat = vest_run(lambda t: np.full(len(t), 5.05), lambda t: np.full(len(t), 300.0), 2, pack=bank)
    found = forecast_run(flat, 4.5, 0.0)
    assert found.basis == "rated capacity"
    prior = capacity_prior(bank, 300.0)
    assert found.median_s == pytest.approx(prior.median_mah / 300 * 3600, rel=0.06)
    open_end = forecast_run(
        replace(flat, description=replace(flat.description, pack=replace(bank, capacity_mah=None))),
        4.5,
        0.0,
    )
    assert open_end.basis == "none"
    most = open_end.cutoff_time[1]
    assert most.value is None
    assert most.upper is None
    assert most.lower == pytest.approx(2 * 3600)
    assert "open" in forecast_words(open_end)[0]


def test_cell_with_built_in_regulator_is_recognised() -> None:
    flat = vest_run(lambda t: np.full(len(t), 4.5))
    found = forecast_run(flat, 3.0, 0.0)
    assert found.basis == "none"
    assert any("regulated" in warning for warning in found.warnings)


@pytest.mark.slow
def test_pack_not_stated_gives_a_wider_interval() -> None:
    stated = interval(forecast_run(vest_run(), 3.0, 0.0))
    unknown = forecast_run(vest_run(pack=None), 3.0, 0.0)
    low, high = interval(unknown)
    assert high - low > 1.3 * (stated[1] - stated[0])
    assert any("No pack was stated" in warning for warning in unknown.warnings)


def jump(time_s: Array) -> Array:
    return np.where(np.abs(time_s % 3600 - 1800) < 25, 0.7, 1.0) * alkaline_v(time_s)


def changing(time_s: Array) -> Array:
    """No pack is in for the minute that it takes to put another in."""
    return np.asarray(np.abs(time_s - 4 * 3600) < 30, dtype=np.float64)


FAULTS: dict[str, tuple[Run, float, str]] = {
    "charging": (
        vest_run(lambda t: 3.6 + t / 36000, lambda t: np.full(len(t), -100.0)),
        3.0,
        "charging run",
    ),
    "reversed": (vest_run(draw_ma=lambda t: np.full(len(t), -110.0)), 3.0, "crossed"),
    "half-empty": (vest_run(lambda t: alkaline_v(t + 0.5 * LIFE_S), hours=4), 3.0, "part-used"),
    "swapped": (
        vest_run(
            lambda t: (
                np.where(t < 4 * 3600, alkaline_v(t + 0.45 * LIFE_S), alkaline_v(t - 4 * 3600))
                * (1 - changing(t))
            ),
            lambda t: 110.0 * (1 - changing(t)),
        ),
        3.0,
        "Another pack",
    ),
    "contact": (vest_run(jump), 3.0, "bad contact"),
    "saturated": (
        vest_run(draw_ma=lambda t: np.full(len(t), 400.0), sensor=replace(INA219, range_ma=400.0)),
        3.0,
        "beyond what this probe can see",
    ),
    "too low": (vest_run(), 0.9, "not in reach"),
    "one cell's cutoff": (vest_run(), 4.9, "began below"),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in FAULTS if name != "one cell's cutoff"])
def test_bad_input_is_named(name: str) -> None:
    run, cutoff_v, word = FAULTS[name]
    found = forecast_run(run, cutoff_v, 0.0)
    assert any(word in warning for warning in found.warnings), found.warnings
    if name == "charging":
        assert found.median_s is None


def test_beyond_the_sensors_range_live_and_recorded_say_the_same() -> None:
    run, cutoff_v, _ = FAULTS["saturated"]
    stop = Stop(cutoff_v=cutoff_v)
    run = replace(run, description=replace(run.description, stop=stop))
    recorded, live = forecast_run(run, cutoff_v, 0.0), play(run, 6).found
    assert live is not None
    assert recorded.median_s is None
    assert (live.basis, live.why, live.at_least_s) == (
        recorded.basis,
        recorded.why,
        recorded.at_least_s,
    )


def test_cutoff_above_the_pack_is_refused() -> None:
    run, cutoff_v, _ = FAULTS["one cell's cutoff"]
    with pytest.raises(BenchError, match=r"4\.9"):
        forecast_run(run, cutoff_v, 0.0)


@pytest.mark.slow
def test_reversed_wires_and_contact_faults_do_not_change_the_answer() -> None:
    clean = forecast_run(vest_run(), 3.0, 0.0).median_s
    assert clean is not None
    for name in ("reversed", "contact"):
        found = forecast_run(FAULTS[name][0], 3.0, 0.0)
        assert found.median_s == pytest.approx(clean, rel=0.03), name


@pytest.mark.slow
def test_swapped_pack_counts_from_the_swap() -> None:
    found = forecast_run(FAULTS["swapped"][0], 3.0, 0.0)
    low, high = interval(found)
    assert low < 4 * 3600 + 0.93 * LIFE_S < high


@pytest.mark.slow
def test_clean_run_has_no_warning() -> None:
    assert forecast_run(vest_run(), 3.0, 0.0).warnings == ()


@pytest.mark.slow
def test_imported_run_without_current_needs_a_stated_load() -> None:
    time_s = np.arange(1e9, 1e9 + 36000, 30.0)
    run = sampled_run(time_s, alkaline_v(time_s - 1e9), pack=VEST)
    with pytest.raises(BenchError, match="current"):
        forecast_run(run, 3.0, 0.0)
    found = forecast_run(run, 3.0, 0.0, programme=Programme(((3600.0, 110.0),)))
    low, high = interval(found)
    assert 10 * 3600 < low < high < 40 * 3600


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(
    chemistry=st.sampled_from([*CHEMISTRIES, None]),
    level=st.floats(0.05, 30),
    slope=st.floats(-1.5, 1.5),
    draw=st.floats(-500, 5000),
    noise=st.floats(0, 1),
    rows=st.integers(1, 300),
)
def test_live_forecast_never_raises(
    chemistry: str | None, level: float, slope: float, draw: float, noise: float, rows: int
) -> None:
    rng = np.random.default_rng(rows)
    pack = Pack(chemistry, 2, "AA") if chemistry else None
    live = LiveForecast(pack, 2.0, 5.0)
    time_s = np.arange(1, rows + 1) * 13.0
    volts = level * (1 + slope * np.linspace(0, 1, rows)) + noise * rng.standard_normal(rows)
    live.add(time_s, volts, draw * (1 + noise * rng.standard_normal(rows)))
    found = live.now()
    for quantity in found.cutoff_time:
        assert quantity.value is None or np.isfinite(quantity.value)
    assert forecast_words(found)
    assert forecast_line(found)


def test_importing_the_plain_modules_does_not_load_scipy() -> None:
    code = "import sys, analysis.doubt.quantity, logger.base.pack; sys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_usual_alkaline_capacity_agrees_with_a_bench_table() -> None:
    # PowerStream, "Discharge tests of AA batteries", 2006-2020: mean of the cells measured at 0.1, 0.5,
    # 1 and 2 A, to 0.1 V (ours: to 0.8 V)
    for amps, measured_ah in ((0.1, (2.13, 2.20)), (0.5, (1.31, 1.30, 1.17, 1.28, 1.84))):
        prior = capacity_prior(Pack("alkaline", 1, "AA"), 1000 * amps)
        assert prior.median_mah == pytest.approx(1000 * np.mean(measured_ah), rel=0.05)
    for amps, measured_ah in (
        (1.0, (0.98, 0.83, 0.93, 0.95, 1.41)),
        (2.0, (0.72, 0.54, 0.7, 0.78, 1.18)),
    ):
        prior = capacity_prior(Pack("alkaline", 1, "AA"), 1000 * amps)
        assert prior.median_mah == pytest.approx(1000 * np.mean(measured_ah), rel=0.05)


@pytest.mark.slow
def test_used_cells_do_not_count_on_the_label() -> None:
    pack = Pack("li-ion", 1, "18650", 2600.0)
    time_s = np.arange(1, 1201) * 10.0
    volts = 4.1 - 0.10 * time_s / time_s[-1]
    fresh, used = (LiveForecast(replace(pack, used=stated), 3.2) for stated in (False, True))
    for live in (fresh, used):
        live.add(time_s, volts, np.full(len(time_s), 130.0))
    as_new, worn = fresh.now(), used.now()
    assert as_new.median_s is not None
    assert worn.median_s is not None
    assert 0.7 < worn.median_s / as_new.median_s < 0.95
    assert "--used" in as_new.why
    label_only = capacity_prior(Pack("alkaline", 1, "AA", 2000.0, used=True), 50.0)
    assert label_only.worn == 0.0  # a primary cell is not worn, it is empty


def test_modes_belong_to_their_family() -> None:
    for family in FAMILIES:
        depth, modes = mode_table(family)
        assert modes.shape == (len(family.modes), len(depth))
        if len(modes):
            assert modes[:, depth >= 1.0] == pytest.approx(0.0, abs=1e-9)
            assert family.spread_v > family.slow_v
        assert 0 < family.trust <= 1


def test_scatter_is_that_of_the_readings() -> None:
    rng = np.random.default_rng(5)
    x = np.sort(rng.uniform(0, 1, 400))
    noise = local_scatter(x, 1.2 - 0.3 * x + 0.01 * rng.standard_normal(400))
    assert np.median(noise) == pytest.approx(0.01, rel=0.1)
    assert local_scatter(x, 1.2 - 0.3 * x) == pytest.approx(0.0, abs=1e-12)
