"""Budgets against runs of the simulated board, through the command as well."""

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.budget.edit import TEMPLATE
from analysis.budget.file import parse_budget, read_budget
from analysis.budget.measured import modes_of_run
from analysis.budget.modes import find_changes_s
from analysis.budget.story import BudgetStory, _judge_run, tell_budget
from analysis.commands.budget import budget_command
from analysis.electric.demand import Demand
from analysis.run.rundown import rundown
from analysis.run.trace import trace_of
from firmware_probe.twin import vest
from firmware_probe.twin.load import (
    ConstantCurrent,
    ConstantPower,
    Converter,
    LoadProgramme,
    Mode,
    Pulsed,
    Step,
)
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.vest import vest_board, vest_pack, vest_sensor
from logger.base.errors import BenchError
from logger.base.pack import Pack
from logger.run.description import Event
from logger.run.reader import Run, read_run
from tests.support.board_runs import run_of_board
from tests.support.places import ROOT, VEST_BUDGET

pytestmark = pytest.mark.slow  # each fits a budget to a run

AA3 = Pack("alkaline", 3, "AA")


@pytest.fixture(scope="module")
def vest_run() -> Run:
    return run_of_board(vest_board(window_us=1_000_000), 3 * 3600, AA3)


@pytest.fixture(scope="module")
def vest_story(vest_run: Run) -> BudgetStory:
    return tell_budget(read_budget(VEST_BUDGET), vest_run)


def _programme(
    rng: np.random.Generator, hours: float, pulsed: bool
) -> tuple[LoadProgramme, list[float]]:
    """Random modes behind a booster; steps of 10 mA or more at the pack; LEDs pulsed at 25 % duty."""
    steps: list[Step] = []
    changes: list[float] = []
    at_s, level_a = 0.0, 0.06
    while at_s < hours * 3600:
        duration_s = float(np.round(rng.exponential(100) + 12, 1))
        base = ConstantCurrent(0.02)
        lit = (
            Pulsed(ConstantCurrent((level_a - 0.02) / 0.25), 430.0, 0.25)
            if pulsed
            else ConstantCurrent(level_a - 0.02)
        )
        steps.append(Step(Mode(f"mode {len(steps)}", (base, lit)), duration_s))
        at_s += duration_s
        changes.append(at_s)
        # 8.5 mA at 5 V is 10 mA and more at a pack under 4.9 V behind 87 %.
        step_a = float(rng.uniform(0.0085, 0.04)) * float(rng.choice([-1, 1]))
        level_a = level_a + step_a if 0.03 < level_a + step_a < 0.15 else level_a - step_a
    return LoadProgramme(tuple(steps), repeat=False, converter=Converter(minimum_v=1.0)), changes


@pytest.mark.slow
@pytest.mark.parametrize("pulsed", [False, True])
def test_mode_changes_of_the_simulated_board_are_found(pulsed: bool) -> None:
    """At least 98 % of changes of 10 mA or more within one second, fewer than one false per hour."""
    rng = np.random.default_rng(17)
    missed = total = false = 0
    hours = 4.0
    for seed in (1, 2):
        programme, changes = _programme(rng, hours, pulsed)
        board = SimulatedBoard(
            vest_pack(), programme, vest_sensor(seed), seed=seed, window_us=500_000
        )
        run = run_of_board(board, hours * 3600 - 60, AA3)
        trace = trace_of(run)
        assert trace.current_ma is not None
        found = find_changes_s(trace.time_s, trace.current_ma)
        truth = np.array([change for change in changes if change < trace.end_s - 12])
        apart = np.abs(found[:, None] - truth[None, :])
        missed += int((apart.min(axis=0) > 1.0).sum())
        false += int((apart.min(axis=1) > 1.0).sum())
        total += truth.size
    assert total > 100
    assert missed / total <= 0.02
    assert false / (2 * hours) < 1.0


@pytest.mark.slow
def test_the_vest_s_wrong_figure_is_found(vest_story: BudgetStory) -> None:
    """The simulated LEDs draw 1.0 mA when dark; the budget guesses 0.3 mA."""
    rows = vest_story.figure_rows()
    assert [rows[index][0] for index in vest_story.culprits] == ["LEDs: off"]
    after = rows[vest_story.culprits[0]][2]
    assert after.lower is not None
    assert after.upper is not None
    assert after.lower <= 1.0 <= after.upper
    assert vest_story.comparison is not None
    explained = {item.estimate.mode: item.explained for item in vest_story.comparison.modes}
    assert explained == {"ride": True, "glow": True, "parked": False}


@pytest.mark.slow
def test_means_of_the_modes_agree_with_marks(vest_run: Run) -> None:
    """Modes from the current's jumps and modes from typed marks give the same means."""
    budget = read_budget(VEST_BUDGET)
    trace = trace_of(vest_run)
    found = modes_of_run(budget, trace, ())
    marks = tuple(
        Event(start + 1.0, "mark", name or "something else") for name, start, _ in found.stretches
    )
    marked = modes_of_run(budget, trace, marks)
    assert "marked" in marked.how
    for one, other in zip(found.measured, marked.measured, strict=True):
        assert one.mode == other.mode
        assert one.current_ma == pytest.approx(other.current_ma, rel=0.03)


def test_stretches_cover_the_run_once(vest_run: Run) -> None:
    found = modes_of_run(read_budget(VEST_BUDGET), trace_of(vest_run), ())
    for (_, _, end), (_, start, _) in pairwise(found.stretches):
        assert start == pytest.approx(end)


def test_a_mode_that_the_run_lacks_is_told(vest_run: Run) -> None:
    text = VEST_BUDGET.read_text(encoding="utf-8")
    extra = (
        text
        + '\n[[mode]]\nname = "disco"\nparts.LEDs = { ride = 0.0, brake = 1.0 }\nparts.microcontroller = "active"\n'
    )
    marks = (Event(0.0, "mark", "ride"), Event(400.0, "mark", "parked"))
    run = replace(vest_run, description=replace(vest_run.description, events=marks))
    story = tell_budget(parse_budget(extra), run)
    assert any("'disco'" in warning for warning in story.warnings)


def test_a_run_without_current_or_modes_is_refused(vest_run: Run) -> None:
    budget = read_budget(VEST_BUDGET)
    without = replace(vest_run, samples=vest_run.samples.drop(columns="current_ma"))
    with pytest.raises(BenchError, match="no current"):
        tell_budget(budget, without)
    tiny = vest_run.samples.assign(current_ma=0.01)
    with pytest.raises(BenchError, match="None of the budget's modes"):
        tell_budget(budget, replace(vest_run, samples=tiny))


@pytest.mark.slow
def test_remedied_run_confirms_the_predicted_runtime(vest_story: BudgetStory) -> None:
    """The remedy is carried out on the simulated vest: ride at 70 % brightness, fresh cells."""
    remedy = next(
        item for item in vest_story.changes if item.words.startswith("LEDs: ride at 70 %")
    )
    board = vest_board(window_us=10_000_000, brightness=0.7)
    run = run_of_board(board, 15 * 3600, AA3)
    lasted_s = rundown(run, vest.CUTOFF_V, 60.0).cutoff_time.value
    assert remedy.runtime.lower is not None
    assert remedy.runtime.upper is not None
    assert lasted_s is not None
    assert remedy.runtime.lower <= lasted_s / 3600 <= remedy.runtime.upper
    # And it did help: the vest as it was lasts less than ten hours.
    assert lasted_s > 10 * 3600


@pytest.mark.slow
def test_a_measured_pack_predicts_its_own_run() -> None:
    """A pack judged by its own rundown, for the same steady power: the run's own length, checked by formula."""
    power_mw = 800.0
    programme = LoadProgramme((Step(Mode("steady", (ConstantPower(power_mw / 1000),)), 1e6),))
    board = SimulatedBoard(vest_pack(), programme, vest_sensor(), window_us=10_000_000)
    run = run_of_board(board, 12 * 3600, AA3)
    lasted_s = rundown(run, 2.7, 60.0).cutoff_time.value
    demand = Demand(power_mw, 0.0, 0.0, power_mw, 0.0, 2.7, 0.0, 0.0)
    answer = _judge_run(run, demand)
    assert lasted_s is not None
    assert answer.runtime.value == pytest.approx(lasted_s / 3600, rel=0.03)
    assert "as in" in answer.name


def test_mixed_cells_are_refused() -> None:
    with pytest.raises(BenchError, match="mixes cells"):
        parse_budget(TEMPLATE.replace("3x AA alkaline", "2x AA alkaline + 1x AA nimh"))


@pytest.mark.slow
def test_command_line(tmp_path: Path) -> None:
    runner = CliRunner()
    path = tmp_path / "vest.toml"
    assert runner.invoke(budget_command, ["new", str(path)]).exit_code == 0
    shown = runner.invoke(budget_command, [str(path), "--pack", "4x AA nimh"])
    assert shown.exit_code == 0
    assert "would last about" in shown.output
    assert "4x AA nimh" in shown.output
    assert "Caution" in shown.output
    result = json.loads(runner.invoke(budget_command, [str(path), "--json"]).output)
    assert set(result["estimated_current"]) == {"ride", "parked"}
    assert set(result["packs"][0]["runtime"]) >= {"value", "unit", "lower", "upper", "coverage"}
    again = runner.invoke(budget_command, ["new", str(path)])
    assert isinstance(again.exception, BenchError)
    assert path.read_text(encoding="utf-8") == TEMPLATE
    unmeasured = runner.invoke(
        budget_command, [str(path), "--corrected", str(tmp_path / "new.toml")]
    )
    assert isinstance(unmeasured.exception, BenchError)


@pytest.mark.slow
def test_corrected_file_through_the_command_explains_its_own_run(tmp_path: Path) -> None:
    """Budget and a run on disk in, corrected file out; read again, it fits the run and keeps the layout."""
    corrected = tmp_path / "corrected.toml"
    run_folder = ROOT / "sample_runs" / "vest-evening"
    arguments = [str(VEST_BUDGET), str(run_folder), "--corrected", str(corrected)]
    first = CliRunner().invoke(budget_command, arguments)
    assert first.exit_code == 0, first.output
    assert "Most likely wrong: LEDs: off" in first.output
    text = corrected.read_text(encoding="utf-8")
    assert "was 0.3" in text
    assert "# the LEDs lose colour under this" in text
    budget = read_budget(corrected)
    off = next(figure for figure in budget.figures if figure.label == "LEDs: off")
    # The simulated LEDs draw 1.0 mA when dark; the tolerance written is that of the answer.
    assert abs(off.current_ma - 1.0) <= off.tolerance * off.current_ma
    assert off.tolerance < 0.2
    second = CliRunner().invoke(budget_command, [str(corrected), str(run_folder), "--details"])
    assert "not shown to hold, though no figure has to be wrong" in " ".join(second.output.split())
    assert second.output.count("no difference beyond") == len(budget.modes)
    assert "run together" not in second.output
    again = CliRunner().invoke(budget_command, arguments)
    assert isinstance(again.exception, BenchError)
    assert corrected.read_text(encoding="utf-8") == text


def test_windows_too_long_for_the_modes_are_told() -> None:
    """Twenty seconds a row blur a vest that changes its mode every minute."""
    run = read_run(ROOT / "sample_runs" / "night-ride-vest")
    story = tell_budget(read_budget(VEST_BUDGET), run)
    assert any("run together" in warning for warning in story.warnings)


def _stepped_run(vest_run: Run) -> Run:
    """An hour of 120 s at 150 mA and 60 s at 40 mA, over and over, in rows of a second."""
    time_s = np.arange(1.0, 3601.0)
    current_ma = np.where((time_s - 0.5) % 180 < 120, 150.0, 40.0)
    samples = vest_run.samples.iloc[:3600].assign(time_s=time_s, current_ma=current_ma, pack_v=3.7)
    return replace(vest_run, samples=samples)


STEPS = """
[[step]]
mode = "ride"
duration_s = 120
[[step]]
mode = "parked"
duration_s = 60
"""


def test_modes_by_the_load_programme(vest_run: Run) -> None:
    """Steps of the budget file give the modes their rows, even where levels alone would mislead."""
    budget = parse_budget(TEMPLATE + STEPS)
    run = _stepped_run(vest_run)
    found = modes_of_run(budget, trace_of(run), ())
    assert "load programme" in found.how
    assert [item.mode for item in found.measured] == ["ride", "parked"]
    assert [item.current_ma for item in found.measured] == pytest.approx([150.0, 40.0])
    assert not any("follow" in warning for warning in found.warnings)
    # Typed marks are surer than the file.
    marks = (Event(0.0, "mark", "ride"), Event(100.0, "mark", "end"))
    assert "marked" in modes_of_run(budget, trace_of(run), marks).how


def test_a_run_that_does_not_follow_the_programme_is_told(vest_run: Run) -> None:
    late = TEMPLATE + STEPS.replace("120", "47").replace("= 60", "= 31")
    found = modes_of_run(parse_budget(late), trace_of(_stepped_run(vest_run)), ())
    assert any("does not follow" in warning for warning in found.warnings)


def test_a_step_of_no_mode_is_refused() -> None:
    with pytest.raises(BenchError, match="did you mean 'ride'"):
        parse_budget(TEMPLATE + STEPS.replace('"ride"', '"rode"'))


def test_every_number_of_the_json_is_an_object(vest_story: BudgetStory) -> None:
    """Units go with every number; bare numbers are only those of the object form itself."""

    def bare(item: object, path: str) -> list[str]:
        if isinstance(item, dict):
            if {"value", "unit", "lower", "upper", "coverage"} <= set(item):
                return []
            return [found for key, value in item.items() for found in bare(value, f"{path}.{key}")]
        if isinstance(item, list):
            return [found for value in item for found in bare(value, path)]
        return [path] if isinstance(item, int | float) and not isinstance(item, bool) else []

    estimate_only = tell_budget(read_budget(VEST_BUDGET)).as_json()
    for document in (vest_story.as_json(), estimate_only):
        assert bare(document, "") == []
        assert {"prior", "posterior"} <= set(document["parts"][0])
        assert document["packs"][0]["runtime"]["unit"] == "h"
        json.dumps(document, allow_nan=False)
    assert set(vest_story.as_json()["measured_current"]) == {"ride", "glow", "parked"}


def test_a_run_of_one_mode_leaves_the_others_as_they_were(vest_run: Run) -> None:
    marks = (Event(0.0, "mark", "parked"),)
    dark = vest_run.samples[vest_run.samples["current_ma"] < 60].iloc[:200]
    dark = dark.assign(time_s=np.arange(1.0, len(dark) + 1))
    run = replace(vest_run, samples=dark, description=replace(vest_run.description, events=marks))
    story = tell_budget(read_budget(VEST_BUDGET), run)
    assert list(story.as_json()["measured_current"]) == ["parked"]
    assert sum("was not found" in warning for warning in story.warnings) == 2
    rows = {label: (before, after) for label, before, after in story.figure_rows()}
    before, after = rows["LEDs: brake"]
    assert after.value == pytest.approx(before.value, rel=0.05)


@pytest.mark.slow
def test_brown_out_at_the_peak_is_in_the_plain_output(tmp_path: Path) -> None:
    """2.5 A for a moment: the mean is fine, the peak is not; said first, and as a warning."""
    path = tmp_path / "peaky.toml"
    path.write_text(TEMPLATE.replace("active = 40.0", "active = 1500.0"), encoding="utf-8")
    shown = " ".join(CliRunner().invoke(budget_command, [str(path), "--details"]).output.split())
    short = " ".join(CliRunner().invoke(budget_command, [str(path)]).output.split())
    assert "although the mean is fine" in short[: short.index("pack 90 %")]
    assert "! The pack of this budget, 3x AA alkaline: the peak" in short
    assert "although the mean is fine" in shown[: shown.index("mode ")]
    assert "! The pack of this budget, 3x AA alkaline: the peak" in shown
    assert "At the peak its own resistance costs about" in shown


def test_every_pack_is_listed_with_mass_reason_and_caution(tmp_path: Path) -> None:
    path = tmp_path / "vest.toml"
    path.write_text(TEMPLATE, encoding="utf-8")
    arguments = [str(path), "--temperature", "5", "--details"]
    text = CliRunner().invoke(budget_command, arguments).output
    shown = " ".join(text.split())
    for pack in ("3x AA nimh", "2x AAA alkaline", "CR2032", "18650 li-ion", "power bank 10000"):
        assert pack in shown
    assert "69 g, primary" in shown
    assert "at 5 °C" in shown
    assert "a tenth aged" in shown
    # What is offered comes with its caution: a lithium cell without one would be a trap.
    if "g, rechargeable" in shown and "li-ion" in shown:
        assert "Protected cell only" in shown
    assert all(len(line) <= 100 for line in text.splitlines())


def test_estimates_of_a_measured_mode_are_those_it_was_compared_with(
    vest_story: BudgetStory,
) -> None:
    """One estimate per mode, at the voltage of its measurement: page, picture and JSON agree."""
    assert vest_story.comparison is not None
    assert vest_story.simulated
    by_name = {item.mode: item.current.value for item in vest_story.estimates}
    for item in vest_story.comparison.modes:
        assert by_name[item.estimate.mode] == item.estimate.current.value


@pytest.mark.parametrize("temperature", ["-300", "80"])
def test_impossible_temperatures_are_refused(tmp_path: Path, temperature: str) -> None:
    path = tmp_path / "vest.toml"
    path.write_text(TEMPLATE, encoding="utf-8")
    result = CliRunner().invoke(budget_command, [str(path), "--temperature", temperature])
    assert isinstance(result.exception, BenchError)


def test_a_temperature_that_is_no_number_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "vest.toml"
    path.write_text(TEMPLATE, encoding="utf-8")
    result = CliRunner().invoke(budget_command, [str(path), "--temperature", "nan"])
    assert result.exit_code == 2
    assert "'nan' is not understood: write" in result.output


def test_pictures_that_cannot_be_written_are_a_clear_error(tmp_path: Path) -> None:
    path, way = tmp_path / "vest.toml", tmp_path / "file"
    path.write_text(TEMPLATE, encoding="utf-8")
    way.write_text("", encoding="utf-8")
    result = CliRunner().invoke(budget_command, [str(path), "--pictures", str(way / "pictures")])
    assert isinstance(result.exception, BenchError)
    assert "pictures cannot be written" in result.exception.happened


@pytest.mark.slow
def test_a_file_with_a_mark_in_front_is_corrected_all_the_same(tmp_path: Path) -> None:
    marked, corrected = tmp_path / "vest.toml", tmp_path / "corrected.toml"
    marked.write_text(VEST_BUDGET.read_text(encoding="utf-8"), encoding="utf-8-sig")
    run_folder = ROOT / "sample_runs" / "vest-evening"
    arguments = [str(marked), str(run_folder), "--corrected", str(corrected)]
    result = CliRunner().invoke(budget_command, arguments)
    assert result.exit_code == 0, result.exception
    assert read_budget(corrected).parts
