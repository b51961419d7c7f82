"""Charge, energy, draw and cutoff of runs whose answers a formula or scipy.integrate gives."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.integrate
from click.testing import CliRunner

from analysis.commands.rundown import rundown_command
from analysis.run.integration import weighted_percentiles
from analysis.run.lifetime import End
from analysis.run.rundown import rundown
from analysis.run.trace import trace_of
from logger.base.errors import BenchError
from logger.base.pack import Pack
from logger.commands.check import check_command
from logger.run.description import Event
from logger.run.reader import Run
from tests.support.runs_by_formula import Floats, board_run, sampled_run, stop_at, stored

EXACT = 1e-4  # the acceptance figure of analytically known runs: 0.01 %


def falling(time_s: Floats) -> Floats:
    """4.5 V to 2.7 V in two hours."""
    return 4.5 - 1.8 * time_s / 7200


def steady(time_s: Floats) -> Floats:
    return np.full_like(time_s, 100.0)


def dead_rows(run: Run, rows: slice | list[int]) -> Run:
    samples = run.samples.copy()
    samples.loc[samples.index[rows], ["pack_v", "current_ma"]] = 0.0
    return replace(run, samples=samples)


# --- charge and energy


def test_constant_current_and_falling_voltage_of_a_board_run() -> None:
    result = rundown(board_run(falling, steady, 7200), 3.0)
    assert result.charge.value == pytest.approx(200.0, rel=EXACT)
    # 0.1 A at a mean of 3.6 V for two hours.
    assert result.energy.value == pytest.approx(720.0, rel=EXACT)
    assert result.duration.value == pytest.approx(7200.0, rel=EXACT)
    assert result.mean_current.value == pytest.approx(100.0, rel=EXACT)
    # A straight line passes 3.0 V at 6000 s.
    assert result.cutoff_time.value == pytest.approx(6000.0, rel=EXACT)
    assert result.charge_to_cutoff.value == pytest.approx(6000 / 36, rel=EXACT)


def test_resistor_on_a_capacitor_against_its_formula_and_scipy() -> None:
    # V = V0 exp(-t/tau), I = V/R: Q = V0 tau/R (1 - exp(-T/tau)); E = V0^2 tau/(2R) (1 - exp(-2T/tau)).
    v0, ohm, tau, end = 4.5, 45.0, 3000.0, 9000.0

    def volt(time_s: Floats) -> Floats:
        return v0 * np.exp(-time_s / tau)

    time_s = np.linspace(0, end, 9001)
    charge = v0 * tau / ohm * (1 - np.exp(-end / tau)) / 3.6
    energy = v0**2 * tau / (2 * ohm) * (1 - np.exp(-2 * end / tau)) / 3.6
    by_scipy = scipy.integrate.simpson(1e3 * volt(time_s) / ohm / 3600, x=time_s)
    assert charge == pytest.approx(by_scipy, rel=1e-9)
    samples = sampled_run(time_s, volt(time_s), 1e3 * volt(time_s) / ohm)
    windows = board_run(volt, lambda t: 1e3 * volt(t) / ohm, end)
    for run in (samples, windows):
        result = rundown(run, 2.0)
        assert result.charge.value == pytest.approx(charge, rel=EXACT)
        assert result.energy.value == pytest.approx(energy, rel=EXACT)
        assert result.cutoff_time.value == pytest.approx(tau * np.log(v0 / 2.0), rel=EXACT)


def test_uneven_samples_integrate_as_scipy_does() -> None:
    rng = np.random.default_rng(5)
    time_s = np.cumsum(rng.uniform(0.5, 1.5, 5000))
    current_ma = rng.uniform(10, 300, 5000)
    result = rundown(sampled_run(time_s, None, current_ma), None)
    assert result.charge.value == pytest.approx(
        scipy.integrate.trapezoid(current_ma, time_s) / 3600, rel=1e-12
    )


def test_counters_carry_the_charge_over_lost_lines() -> None:
    rng = np.random.default_rng(1)
    keep = rng.random(7200) > 0.05
    keep[-1] = True

    # Four whole pulses in each window: what a lost row held does not depend on chance.
    def pulsed(time_s: Floats) -> Floats:
        return np.where(time_s % 0.25 < 0.1, 150.0, 60.0)

    whole = rundown(board_run(falling, pulsed, 7200), None)
    run = board_run(falling, pulsed, 7200, keep=keep)
    result = rundown(run, None)
    assert result.charge.value == pytest.approx(whole.charge.value, rel=1e-9)
    assert result.energy.value == pytest.approx(whole.energy.value, rel=1e-9)
    assert "no charge is missing" in " ".join(result.warnings)
    # The rows alone, without counters, come within 0.1 % as well (issue's acceptance figure).
    assert result.draw.charge is not None
    assert result.draw.energy is not None
    assert result.draw.charge.own_total == pytest.approx(whole.charge.value, rel=1e-3)
    assert result.draw.energy.own_total == pytest.approx(whole.energy.value, rel=1e-3)


def test_energy_of_a_pulsed_load_on_a_source_with_resistance() -> None:
    # 20 mA, for a fifth of the time 300 mA, on 4.5 V behind 1 ohm: the mean of V times I.
    def pulsed(time_s: Floats) -> Floats:
        return np.where(time_s % 0.5 < 0.1, 300.0, 20.0)

    run = board_run(lambda t: 4.5 - 1e-3 * pulsed(t), pulsed, 3600, parts=40)
    result = rundown(run, None)
    assert result.energy.value == pytest.approx(0.2 * 4.2 * 300 + 0.8 * 4.48 * 20, rel=EXACT)
    # V times I of the means is 3.9 % more; that is the load, not a damaged counter.
    assert result.draw.energy is not None
    assert result.draw.energy.own_total > 1.03 * result.draw.energy.total
    assert not any("differ" in warning for warning in result.warnings)
    wrong = replace(run, samples=run.samples.assign(energy_mwh=0.95 * run.samples["energy_mwh"]))
    assert any("counter of energy" in warning for warning in rundown(wrong, None).warnings)


def test_damaged_counter_is_told() -> None:
    run = board_run(falling, steady, 7200)
    samples = run.samples.assign(charge_mah=run.samples["charge_mah"] * 1.002)
    result = rundown(replace(run, samples=samples), None)
    assert any(
        "counter of charge" in warning and "+0.2 %" in warning for warning in result.warnings
    )


def test_restart_bounds_what_nobody_counted() -> None:
    run = board_run(falling, steady, 7200)
    away = (run.samples["time_s"] > 3000) & (run.samples["time_s"] <= 3600)
    samples = run.samples[~away].reset_index(drop=True)
    later = samples["time_s"] > 3600
    samples.loc[later, "boot"] = 18
    # The new boot's counter began at 3540 s; the run's own column goes on from the last known value.
    counted = 100 * (samples.loc[later, "time_s"] - 3540) / 3600
    samples.loc[later, "charge_mah"] = 100 * 3000 / 3600 + counted
    result = rundown(replace(run, samples=samples), None)
    assert result.charge.value == pytest.approx(200.0, rel=EXACT)
    assert result.draw.charge is not None
    # Certain: what the new boot counted up to its first row (61 s); the rest of 601 s is not.
    assert result.draw.charge.less == pytest.approx(100 * 540 / 3600, rel=1e-6)
    assert result.draw.charge.more == pytest.approx(0.0, abs=1e-9)
    (told,) = (warning for warning in result.warnings if "restart" in warning)
    assert "Over 1 restart of the board it began again" in told
    assert "e-0" not in told


def test_gap_of_an_import_is_bridged_and_bounded() -> None:
    time_s = np.concatenate((np.arange(0, 3000.0), np.arange(3720, 7200.0)))
    current_ma = np.full(len(time_s), 100.0)
    current_ma[100] = 150.0
    result = rundown(sampled_run(time_s, falling(time_s), current_ma), 3.0)
    assert result.charge.value == pytest.approx(100 * 7199 / 3600 + 50 / 3600, rel=1e-9)
    assert result.draw.charge is not None
    assert result.draw.charge.less == pytest.approx(100 * 721 / 3600)
    assert result.draw.charge.more == pytest.approx(50 * 721 / 3600)
    assert any("1 gap" in warning and "12 min" in warning for warning in result.warnings)


def test_percentiles_are_weighted_by_time() -> None:
    # One minute at 10 mA in one row, 30 s at 300 mA in thirty rows.
    values = np.concatenate(([10.0], np.full(30, 300.0)))
    weights = np.concatenate(([60.0], np.ones(30)))
    assert list(weighted_percentiles(values, weights, (5, 50, 66, 67, 95))) == [
        10,
        10,
        10,
        300,
        300,
    ]


def test_equal_weights_agree_with_numpys_inverted_cdf() -> None:
    values = np.random.default_rng(3).normal(100, 20, 1001)
    expected = np.quantile(values, [0.05, 0.5, 0.95], method="inverted_cdf")
    assert list(weighted_percentiles(values, np.ones(1001), (5, 50, 95))) == list(expected)


def test_peak_is_of_single_conversions() -> None:
    result = rundown(board_run(falling, lambda t: np.where(t % 1.0 < 0.25, 150.0, 60.0), 600), None)
    assert result.peak_current.value == pytest.approx(150.0)
    assert dict(result.current_percentiles)[95].value == pytest.approx(82.5)


# --- the cutoff


def test_loose_contact_is_not_the_cutoff() -> None:
    time_s = np.arange(0, 7200.0)
    run = dead_rows(sampled_run(time_s, falling(time_s), steady(time_s)), [500, 1800, 1801])
    result = rundown(run, 3.0)
    assert result.cutoff_time.value == pytest.approx(6000.0, rel=EXACT)
    assert result.first_touch_time.value == pytest.approx(6000.0, rel=EXACT)
    assert any("loose contact" in warning for warning in result.warnings)


def test_loose_contact_where_only_voltage_was_recorded() -> None:
    time_s = np.arange(0, 7200.0)
    voltage_v = falling(time_s)
    voltage_v[900] = 0.0
    result = rundown(sampled_run(time_s, voltage_v), 3.0)
    assert result.cutoff_time.value == pytest.approx(6000.0, rel=EXACT)
    assert result.charge.value is None


def test_dips_touch_but_do_not_hold() -> None:
    def dipping(time_s: Floats) -> Floats:
        return falling(time_s) - 1.2 * ((time_s % 1000 > 990) & (time_s > 2000))

    result = rundown(board_run(dipping, steady, 7200), 3.0, hold_s=30)
    assert result.cutoff_time.value == pytest.approx(6000.0, abs=11)
    assert result.first_touch_time.value == pytest.approx(2990.0, abs=1.1)
    assert rundown(board_run(dipping, steady, 7200), 3.0, hold_s=0).cutoff_time.value == (
        pytest.approx(2990.0, abs=1.1)
    )


def test_one_low_row_of_a_slow_logger_is_no_hold() -> None:
    time_s = np.arange(0, 7200.0, 60)
    voltage_v = falling(time_s)
    voltage_v[20] = 2.0
    assert rundown(sampled_run(time_s, voltage_v), 3.0).cutoff_time.value == pytest.approx(
        6000.0, rel=EXACT
    )


def test_protection_that_switches_off_is_the_cutoff() -> None:
    time_s = np.arange(0, 3600.0)
    run = sampled_run(time_s, np.full(3600, 3.6), steady(time_s))
    result = rundown(dead_rows(run, slice(3000, None)), 3.0)
    assert result.cutoff_time.value == pytest.approx(3000.0, abs=1)
    assert any("protection" in warning for warning in result.warnings)


def test_pack_that_was_dead_for_most_of_the_night() -> None:
    time_s = np.arange(0, 36000.0)
    run = sampled_run(time_s, np.full(36000, 3.6), steady(time_s))
    result = rundown(dead_rows(run, [*range(500, 503), *range(3000, 36000)]), 3.0)
    assert result.cutoff_time.value == pytest.approx(3000.0, abs=1)
    assert result.last_voltage.value == 3.6


def test_swapped_wires_give_an_answer_not_a_crash() -> None:
    time_s = np.arange(0, 100.0)
    run = sampled_run(time_s, np.full(100, -4.5), -steady(time_s))
    assert rundown(run, None).charge.value == pytest.approx(-2.75)
    with pytest.raises(BenchError, match="first voltage"):
        rundown(run, 3.0)


def test_plug_pulled_at_the_end_is_not_the_cutoff() -> None:
    time_s = np.arange(0, 3600.0)
    run = sampled_run(time_s, np.full(3600, 3.6), steady(time_s))
    result = rundown(dead_rows(run, slice(3598, None)), 3.0)
    assert result.cutoff_time.value is None
    assert any("not reached" in warning for warning in result.warnings)


def test_run_that_ends_before_the_hold_is_told() -> None:
    """What a live view says then: it counts only where the recorder stopped for it, or another meter did."""
    told = "before the hold of 10 s was over"
    result = rundown(board_run(falling, steady, 6004), 3.0, hold_s=10)
    assert result.cutoff_time.value is None
    assert result.lifetime.end is End.RUNNING
    assert any(told in warning for warning in result.warnings)
    stopped = board_run(falling, steady, 6004, end_reason="cutoff")
    result = rundown(stopped, 3.0, hold_s=10)
    assert result.cutoff_time.value == pytest.approx(6000.0, rel=EXACT)
    assert result.lifetime.end is End.CUTOFF
    assert any(told in warning for warning in result.warnings)


def test_cutoff_never_reached() -> None:
    result = rundown(board_run(falling, steady, 3600), 3.0)
    assert result.cutoff_time.value is None
    assert result.as_json()["cutoff_time"]["value"] is None
    assert any("not reached" in warning for warning in result.warnings)


@pytest.mark.parametrize("cutoff_v", [4.6, 0.0, -1.0, float("nan")])
def test_cutoff_that_makes_no_sense(cutoff_v: float) -> None:
    with pytest.raises(BenchError, match="cutoff"):
        rundown(board_run(falling, steady, 600), cutoff_v)


def test_cutoff_without_voltage() -> None:
    with pytest.raises(BenchError, match="no voltage"):
        rundown(sampled_run([0, 1, 2], None, [5, 5, 5]), 3.0)


def test_cutoff_inside_a_gap_says_how_far_apart() -> None:
    keep = np.ones(7200, dtype=bool)
    keep[5700:6300] = False
    result = rundown(board_run(falling, steady, 7200, keep=keep), 3.0)
    assert result.cutoff_time.value == pytest.approx(6000.0, abs=1)
    assert result.cutoff_time.lower == pytest.approx(5700, abs=30)
    assert result.cutoff_time.upper == pytest.approx(6300, abs=30)


# --- what was left


def test_rest_is_measured_when_the_run_went_on_to_the_floor() -> None:
    run = board_run(
        lambda t: 4.5 - 2.7 * t / 7200, steady, 7200
    )  # 2.4 V at 5600 s, 3.0 V at 4000 s
    result = rundown(run, 3.0)
    assert result.left_in_cells.value == pytest.approx(100 * 1600 / 3600, rel=1e-3)
    assert any("under the floor" in warning for warning in result.warnings)


def test_rest_is_a_bound_when_the_run_ended_between() -> None:
    result = rundown(board_run(falling, steady, 7200), 3.0)
    assert result.left_in_cells.value == pytest.approx(100 * 1200 / 3600, rel=1e-3)
    assert result.left_in_cells.lower is not None
    assert result.left_in_cells.upper is None


def test_rest_from_the_label_says_so_or_is_not_given() -> None:
    stopped = board_run(falling, steady, 6010, pack=Pack("alkaline", 3, "AA", 2000.0))
    left = rundown(stopped, 3.0).left_in_cells
    assert left.value == pytest.approx(2000 - 100 * 6000 / 3600, rel=1e-3)
    assert "label" in left.note
    assert rundown(board_run(falling, steady, 6010), 3.0).left_in_cells.value is None


def test_no_rest_of_cells_whose_floor_nobody_knows() -> None:
    """Of a pack that was stated it is not said that it was not."""
    for pack, why in ((None, "not stated"), (Pack("other", 3, "", 2000.0), "another kind")):
        left = rundown(board_run(falling, steady, 7200, pack=pack), 3.0).left_in_cells
        assert left.value is None
        assert why in left.note


# --- rows


def test_columns_written_in_turn_are_bridged() -> None:
    time_s = np.arange(0, 7200.0)
    voltage_v, current_ma = falling(time_s), steady(time_s)
    voltage_v[1::2] = np.nan
    current_ma[0::2] = np.nan
    result = rundown(sampled_run(time_s, voltage_v, current_ma), 3.0)
    assert result.charge.value == pytest.approx(100 * 7197 / 3600, rel=1e-3)
    assert result.cutoff_time.value == pytest.approx(6000, rel=EXACT)
    assert any("column was empty" in warning for warning in result.warnings)


def test_clock_that_ticks_more_slowly_than_the_rows_come() -> None:
    time_s = np.floor(np.arange(0, 600, 0.1))
    result = rundown(sampled_run(time_s, falling(time_s), steady(time_s)), None)
    assert not result.draw.trace.gap.any()
    assert result.charge.value == pytest.approx(100 * 599 / 3600)


def test_counter_with_a_hole_is_not_used_and_that_is_told() -> None:
    run = board_run(falling, steady, 3600)
    run.samples.loc[1000, "charge_mah"] = np.nan
    result = rundown(run, None)
    assert result.charge.value == pytest.approx(100.0)
    assert any("charge_mah" in warning for warning in result.warnings)


def test_long_window_of_a_hung_bus_is_no_gap() -> None:
    run = board_run(falling, steady, 600)
    samples = run.samples.drop(index=range(100, 110)).reset_index(drop=True)
    samples["sequence"] = np.arange(len(samples))
    trace = trace_of(replace(run, samples=samples))
    assert not trace.gap.any()
    assert trace.weight_s[100] == pytest.approx(11.0)


@pytest.mark.parametrize("time_s", [[1.0], [5.0, 5.0, 5.0]])
def test_too_little_to_analyse(time_s: list[float]) -> None:
    values = [4.0] * len(time_s)
    with pytest.raises(BenchError, match="too little"):
        rundown(sampled_run(time_s, values, values), None)


# --- the command


def test_json_has_every_result_as_an_object(tmp_path: Path) -> None:
    folder = stored(tmp_path / "run", board_run(falling, steady, 7200))
    answer = CliRunner().invoke(rundown_command, [str(folder), "--cutoff", "3.0", "--json"])
    assert answer.exit_code == 0
    document = json.loads(answer.stdout)
    for name in (
        "charge", "energy", "duration", "mean_current", "peak_current", "cutoff_time",
        "cutoff_voltage", "first_touch_time", "charge_to_cutoff", "current_p5", "current_p95",
    ):  # fmt: skip
        assert {"value", "unit", "lower", "upper", "coverage"} <= document[name].keys()
        assert document[name]["value"] > 0
    assert document["cutoff_voltage"]["value"] == 3.0
    assert all(isinstance(warning, str) for warning in document["warnings"])


def test_words_answer_first(tmp_path: Path) -> None:
    folder = stored(tmp_path / "run", board_run(falling, steady, 7200, stop=stop_at(3.0)))
    answer = CliRunner().invoke(rundown_command, [str(folder)])
    assert answer.stdout.startswith("The pack fell to 3 V after 1 h 40 min")
    assert "Local codes and licensed practice come first." in " ".join(answer.stdout.split())


def test_command_without_any_cutoff_gives_the_draw_and_asks_for_one(tmp_path: Path) -> None:
    """A few minutes logged to see what a piece draws have an answer as well."""
    folder = stored(tmp_path / "run", board_run(falling, steady, 600))
    answer = CliRunner().invoke(rundown_command, [str(folder), "--details"])
    assert answer.exit_code == 0
    assert "mean current" in answer.stdout
    assert "add --cutoff" in answer.stdout
    short = CliRunner().invoke(rundown_command, [str(folder)])
    assert "--cutoff 3.0\n" in short.stdout
    told = json.loads(CliRunner().invoke(rundown_command, [str(folder), "--json"]).stdout)
    assert told["cutoff_time"]["value"] is None
    assert any("--cutoff" in warning for warning in told["warnings"])


@pytest.mark.parametrize("hold", ["60s", "1min", "1,0 min"])
def test_the_hold_is_given_as_to_the_logger(tmp_path: Path, hold: str) -> None:
    folder = stored(tmp_path / "run", board_run(falling, steady, 7200))
    options = [str(folder), "--cutoff", "3.0", "--hold", hold, "--json"]
    told = json.loads(CliRunner().invoke(rundown_command, options).stdout)
    assert told["hold"]["value"] == 60.0
    for wrong, told_words in (
        ("soon", "write 10h"),
        ("1:30", "1 h 30 min or 1 min 30 s"),
        ("60", "60min or 60s"),
    ):
        refused = CliRunner().invoke(rundown_command, [str(folder), "--hold", wrong])
        assert refused.exit_code == 2
        assert told_words in refused.output


def test_a_restart_without_a_bound_is_told_beside_the_charge() -> None:
    lost = {"charge_lower_mah": 0.0}
    bounded = Event(50.0, "boot", "started again", lost | {"charge_upper_mah": 1.0})
    open_ended = Event(60.0, "boot", "started again", lost)
    for events, told in (((bounded,), False), ((bounded, open_ended), True)):
        warnings = rundown(board_run(falling, steady, 600, events=events), None).warnings
        assert any("for an unknown time" in text for text in warnings) == told


def test_after_a_pause_of_unknown_length_times_and_sums_are_bounds(tmp_path: Path) -> None:
    """A clock that went back tells no pause: no interval, no "no", and every screen says so."""
    events = (Event(600.0, "boot", "started again", {"charge_lower_mah": 0.0}),)
    run = board_run(falling, steady, 7200, events=events, stop=stop_at(3.0), need_s=10 * 3600.0)
    folder = stored(tmp_path / "run", run)
    answer = CliRunner().invoke(rundown_command, [str(folder), "--json"])
    told = json.loads(answer.stdout)
    for name in ("cutoff_time", "lifetime", "duration", "charge", "charge_to_cutoff"):
        assert told[name]["bound"] == "at_least", name
        assert told[name]["upper"] is None
    assert told["verdict"]["answer"] == "not shown"
    assert "away for an unknown time" in told["verdict"]["words"]
    plain = CliRunner().invoke(rundown_command, [str(folder)]).output
    assert "≥ " in plain
    assert "away for an unknown time" in plain
    checked = CliRunner().invoke(check_command, [str(folder)]).output
    assert "1 restart of the board, away for an unknown time" in " ".join(checked.split())
    checked = json.loads(CliRunner().invoke(check_command, [str(folder), "--json"]).stdout)
    assert checked["unknown_pauses"] == 1
    before = replace(run.description, events=(replace(events[0], time_s=7199.9),))
    known = rundown(replace(run, description=before), 3.0)
    assert not known.cutoff_time.at_least  # it was reached before


def test_hostile_text_does_not_reach_the_terminal(tmp_path: Path) -> None:
    run = board_run(falling, steady, 7200)
    folder = stored(tmp_path / "run", run)
    with (folder / "samples.csv").open("a", encoding="utf-8") as stream:
        stream.write("7201,\x1b[2J\x1b]0;owned\x07,,,,,,,,,,\r\n")
    answer = CliRunner().invoke(rundown_command, [str(folder), "--cutoff", "3.0"])
    assert answer.exit_code == 0
    assert "\x1b" not in answer.output


def test_a_restart_of_an_unknown_length_is_no_gap_of_nothing() -> None:
    """An import puts one usual step in: "together 0 s; the longest, 10 s" would say two things."""
    time_s = np.arange(0.0, 1000.0, 10.0)
    run = sampled_run(time_s, np.full(100, 4.0), np.full(100, 50.0))
    run.samples["boot"] = (time_s >= 500).astype(np.int64)
    (told,) = (text for text in rundown(run, None).warnings if "clock" in text or "gap" in text)
    assert told.startswith("1 restart of the clock, the first 8 min 10 s into the run; how long")


def test_the_longest_gap_is_not_longer_than_all_together() -> None:
    time_s = np.concatenate((np.arange(0.0, 500.0, 10.0), np.arange(700.0, 1000.0, 10.0)))
    run = sampled_run(time_s, np.full(80, 4.0), np.full(80, 50.0))
    (told,) = (text for text in rundown(run, None).warnings if "gap" in text)
    assert "together 3 min 20 s; the longest, 3 min 20 s" in told
