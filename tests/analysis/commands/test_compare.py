"""Runs side by side, and the commands' faces."""

import json
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

import drawbench
from analysis.commands.compare import compare_command, comparison_json
from analysis.commands.forecast import forecast_command
from analysis.curve.compare import Difference, compare
from analysis.curve.spread import spread_of
from analysis.doubt.quantity import Quantity
from analysis.forecast.discharge import course_of
from analysis.forecast.of_run import forecast_run
from analysis.forecast.stated import parse_programme
from analysis.forecast.words import chance_words
from analysis.run.rundown import rundown
from analysis.run.trace import trace_of
from logger.base.errors import BenchError
from logger.base.pack import Pack
from logger.run.reader import Run
from logger.run.store import create_run_folder, write_description
from tests.support.class_of_runs import write_class
from tests.support.runs_by_formula import board_run, sampled_run

Array = NDArray[np.float64]


def falling(hours: float, draw_ma: float = 100.0, **changes: Any) -> Run:
    """A straight fall from 4.5 V to 3.0 V in so many hours, a little beyond."""
    return board_run(
        lambda t: 4.5 - 1.5 * t / (hours * 3600),
        lambda t: np.full(len(t), draw_ma),
        hours * 3600 * 1.02,
        30.0,
        parts=2,
        **changes,
    )


def store(run: Run, folder: Path) -> Path:
    create_run_folder(folder)
    run.samples.to_csv(folder / "samples.csv", index=False)
    write_description(folder, run.description, list(run.samples.columns))
    return folder


def test_clear_difference_and_its_limits() -> None:
    found = compare([falling(10), falling(8)], ["before washing", "after washing"], 3.0, 10.0)
    (first,) = found.differences
    by_name = {item.name: item for item in first}
    time = by_name["cutoff_time"]
    assert time.difference.value == pytest.approx(-2 * 3600, abs=60)
    assert time.percent == pytest.approx(-20, abs=0.2)
    assert time.clear is True
    assert "20.0 % shorter" in found.sentences[0]
    assert "one run each" in found.sentences[0]


def test_same_run_twice_cannot_be_told_apart() -> None:
    found = compare([falling(10), falling(10.001)], ["A", "B"], 3.0, 10.0)
    assert all(item.clear is not True for item in found.differences[0])
    assert "cannot be told apart" in found.sentences[0]


@pytest.mark.slow
def test_rate_exponent_from_runs_at_different_draws() -> None:
    # t = C / I^1.3: 100 mA 10 h, 200 mA 10 / 2^1.3 h, 300 mA 10 / 3^1.3 h
    runs = [falling(10 / factor**1.3, 100.0 * factor) for factor in (1, 2, 3)]
    found = compare(runs, ["dim", "bright", "full"], 3.0, 10.0)
    assert found.rate_exponent.value == pytest.approx(1.3, abs=0.01)
    assert any("Peukert" in sentence for sentence in found.sentences)
    assert compare(runs[:1] * 2, ["A", "B"], 3.0, 10.0).rate_exponent.value is None


@pytest.mark.slow
def test_runtime_at_another_draw_from_several_runs() -> None:
    # t = C / I^1.3 as above: 150 mA lasts 10 / 1.5^1.3 h
    runs = [falling(10 / factor**1.3, 100.0 * factor) for factor in (1, 2, 3)]
    found = compare(runs, ["dim", "bright", "full"], 3.0, 10.0)
    inside, beyond = found.runtime_at(150.0), found.runtime_at(900.0)
    assert inside.value == pytest.approx(10 / 1.5**1.3, rel=0.01)
    assert inside.lower is not None
    assert "measured" not in inside.note
    assert "beyond the 100 to 300 mA" in beyond.note
    assert compare(runs[:1] * 2, ["A", "B"], 3.0, 10.0).runtime_at(150.0).value is None


@pytest.mark.slow
def test_one_board_compares_better_than_two() -> None:
    run, other = falling(10), falling(10, 103.0)
    assert other.description.board is not None
    foreign = replace(
        other,
        description=replace(
            other.description, board=replace(other.description.board, board="00000001")
        ),
    )

    def half(second: Run) -> float:
        item = {d.name: d for d in compare([run, second], ["A", "B"], 3.0, 10.0).differences[0]}[
            "mean_current"
        ].difference
        assert item.value is not None
        assert item.upper is not None
        return item.upper - item.value

    assert half(other) < 0.6 * half(foreign)


@pytest.mark.slow
def test_compare_command_writes_a_picture_and_json(tmp_path: Path) -> None:
    folders = [store(falling(10), tmp_path / "before"), store(falling(9), tmp_path / "after")]
    stem = tmp_path / "picture.png"
    arguments = [*map(str, folders), "--cutoff", "3.0", "--hold", "10s", "--plot", str(stem)]
    shown = CliRunner().invoke(compare_command, arguments, catch_exceptions=False)
    assert shown.exit_code == 0
    assert "10.0 % shorter" in " ".join(shown.output.split())
    assert stem.exists()
    assert stem.with_suffix(".svg").exists()
    as_json = CliRunner().invoke(compare_command, [*arguments, "--json"], catch_exceptions=False)
    result = json.loads(as_json.output)
    part = result["differences"]["after"]["cutoff_time"]
    assert part["clear"] is True
    assert set(part["difference"]) >= {"value", "unit", "lower", "upper", "coverage"}
    assert isinstance(result["warnings"], list)


def test_what_cannot_be_compared_says_what_is_missing() -> None:
    """The reason is that of the run without the result, not the note of the other one."""
    run = falling(10)
    early = replace(run, samples=run.samples.iloc[: len(run.samples) // 2])
    found = compare([run, early], ["A", "B"], 3.0, 10.0)
    item = {difference.name: difference for difference in found.differences[0]}["charge_to_cutoff"]
    assert item.first.value is not None
    assert item.difference.value is None
    assert item.difference.note == item.second.note
    assert "coverage factor" not in item.difference.note


def test_compare_needs_two_runs(tmp_path: Path) -> None:
    folder = store(falling(10), tmp_path / "one")
    with pytest.raises(BenchError, match="at least two"):
        compare_command.main([str(folder)], standalone_mode=False)


@pytest.fixture
def unfinished(tmp_path: Path) -> Path:
    return store(falling(10), tmp_path / "vest")


def forecast(folder: Path, *options: str) -> str:
    result = CliRunner().invoke(
        forecast_command, [str(folder), "--cutoff", "2.9", *options], catch_exceptions=False
    )
    assert result.exit_code == 0
    return result.output


@pytest.mark.slow
def test_forecast_command_answers_in_plain_words(unfinished: Path) -> None:
    text = " ".join(forecast(unfinished, "--until", "6h", "--need", "8h", "--details").split())
    assert "Nine times in ten" in text
    assert "That it lasts 8 h" in text
    assert "0.8 V per cell" in text


@pytest.mark.slow
def test_forecast_command_json(unfinished: Path) -> None:
    result = json.loads(forecast(unfinished, "--until", "6h", "--need", "8h", "--json"))
    half, most = result["forecast"]["cutoff_time"]
    assert half["coverage"] == 0.5
    assert most["coverage"] == 0.9
    assert most["lower"] < half["lower"] < half["value"] < half["upper"] < most["upper"]
    assert 0 <= result["forecast"]["chance_needed"]["value"] <= 1
    # the run is a straight line, which no alkaline cell is
    assert ["does not behave like alkaline" in text for text in result["warnings"]] == [True]


@pytest.mark.parametrize(
    ("options", "happened"),
    [
        (("--until", "1s"), "two rows"),
        (("--capacity", "2000", "--pack", "porridge"), "not understood"),
        (("--load", "bright"), "not understood"),
    ],
)
def test_forecast_command_says_what_is_wrong(
    unfinished: Path, options: tuple[str, ...], happened: str
) -> None:
    with pytest.raises(BenchError, match=happened):
        forecast_command.main([str(unfinished), "--cutoff", "2.9", *options], standalone_mode=False)


def test_forecast_needs_a_cutoff(unfinished: Path) -> None:
    with pytest.raises(BenchError, match="No cutoff"):
        forecast_command.main([str(unfinished)], standalone_mode=False)


@pytest.mark.slow
def test_forecast_of_a_damaged_run(unfinished: Path, tmp_path: Path) -> None:
    damaged = tmp_path / "damaged"
    shutil.copytree(unfinished, damaged)
    text = (damaged / "samples.csv").read_text().splitlines()
    text[20:25] = ["garbage"] * 5
    (damaged / "samples.csv").write_text("\n".join(text)[:-30])
    assert "left out" in " ".join(forecast(damaged, "--until", "6h").split())


@pytest.mark.parametrize(
    ("text", "steps"),
    [
        ("80mA", ((3600.0, 80.0),)),
        ("0,5 A", ((3600.0, 500.0),)),
        ("20min@180mA,40min@40mA", ((1200.0, 180.0), (2400.0, 40.0))),
        ("20 min@0,5A; 1h30@40 mA", ((1200.0, 500.0), (5400.0, 40.0))),
        ("0,5h@1,5mA, 40 min@40mA", ((1800.0, 1.5), (2400.0, 40.0))),
    ],
)
def test_a_load_to_come(text: str, steps: tuple[tuple[float, float], ...]) -> None:
    assert parse_programme(text).steps == steps


@pytest.mark.parametrize(
    "text",
    [
        "soon",
        "80",
        "20@180mA",
        "1.800mA",
        "6,5h@80",
        "20min@",
        "80mA,40mA",
        "20min@9mA,40mA,1h@5mA",
    ],
)
def test_a_load_that_may_be_another_is_refused(text: str) -> None:
    with pytest.raises(BenchError, match="is not understood"):
        parse_programme(text)


def test_chances_never_claim_certainty() -> None:
    assert "100 in 100" not in chance_words(1.0)
    assert "almost certain" in chance_words(1.0)
    assert "hardly" in chance_words(0.0)
    assert "open" in chance_words(0.5)


@pytest.mark.slow
def test_odd_options_are_refused_or_told(unfinished: Path, tmp_path: Path) -> None:
    for capacity in ("-5", "0", "nan", "1e9"):
        with pytest.raises(
            (BenchError, click.BadParameter), match=r"no capacity|is not above 0|not understood"
        ):
            forecast_command.main(
                [str(unfinished), "--cutoff", "2.9", f"--capacity={capacity}"],
                standalone_mode=False,
            )
    assert "rows up to 10 h" in " ".join(forecast(unfinished, "--until", "1d").split())
    other = store(falling(9), tmp_path / "again" / "vest")
    with pytest.raises(BenchError, match="given twice"):
        compare_command.main([str(unfinished), str(unfinished)], standalone_mode=False)
    plot = ["--plot", str(tmp_path / "picture")]
    shown = CliRunner().invoke(
        compare_command, [str(unfinished), str(other), "--cutoff", "3.0", "--json", *plot]
    )
    assert shown.exit_code == 0, repr(shown.exception)
    assert list(json.loads(shown.output)["differences"]) == [str(other)]
    with pytest.raises(BenchError, match=r"first: The cutoff of 4\.6 V"):
        compare([falling(10), falling(9)], ["first", "second"], 4.6, 10.0)


@pytest.mark.slow
def test_more_charge_than_such_a_pack_holds_is_told() -> None:
    # a coin cell of 225 mAh (makers' sheets) at 5 mA that has not sagged after 300 mAh
    pack = Pack("lithium-coin", 1, "CR2032")
    run = board_run(
        lambda t: 2.9 - 1e-6 * t,
        lambda t: np.full(len(t), 5.0),
        60 * 3600,
        60.0,
        parts=1,
        pack=pack,
    )
    found = forecast_run(run, 2.0, 10.0)
    told = found.basis != "curve" or any("do not rely on it" in text for text in found.warnings)
    assert told, found


def test_doubt_of_resistance_shared_by_one_board_is_only_the_sensors() -> None:
    def run(seed: int) -> Run:
        noise = 0.02 * np.random.default_rng(seed).standard_normal(600)

        def draw(time_s: Array) -> Array:
            return np.where(time_s % 20 < 10, 60.0, 180.0)

        return board_run(
            lambda t: 4.5 - 0.4 * draw(t) / 1e3 + noise[: len(t)], draw, 600.0, 1.0, parts=1
        )

    found = compare([run(1), run(2)], ["A", "B"], None, 10.0)
    item = next(part for part in found.differences[0] if part.name == "internal_resistance")
    assert item.difference.upper is not None
    assert item.difference.value is not None
    assert item.first.upper is not None
    assert item.first.value is not None
    # scatter dominates and is not shared: the difference is less known than either
    assert item.difference.upper - item.difference.value > item.first.upper - item.first.value


@pytest.fixture(scope="module")
def twelve(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("twelve") / "runs"
    write_class(folder, 12, step_s=120.0)
    return folder


@pytest.mark.slow
def test_a_class_is_compared_as_a_heap(twelve: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    shown = CliRunner().invoke(compare_command, [str(twelve)], catch_exceptions=False)
    assert shown.exit_code == 0
    text = " ".join(shown.output.split())
    assert text.startswith("Lasted: 3 h 52 min to 6 h 54 min (9 of 11 runs to their end)")
    assert "Odd: Vest Firefly lasted 3 h 52 min, the others 6 h" in text
    assert f"Left out: {twelve}" in text
    assert "against" not in text, "no pairs in a class"
    rows = [line for line in shown.output.splitlines() if line.startswith("Vest ")]
    assert len(rows) == 11
    assert max(map(len, rows)) <= 80
    assert rows[-1].rstrip().endswith("odd")
    assert "Vest Firefly" in rows[-1]
    assert (twelve / "compare.png").exists()
    assert (twelve / "compare-each.svg").exists()
    assert shown.output.rstrip().splitlines()[-1].endswith(f"compare {twelve} --details")


@pytest.mark.slow
def test_a_class_in_json_and_in_a_notebook(twelve: Path) -> None:
    folders = sorted(path for path in twelve.iterdir() if path.is_dir())
    found = drawbench.compare(folders)
    assert found.spread is not None
    assert len(found.names) == 11
    assert found.names[found.spread.odd[0].number] == "Vest Firefly"
    assert found.warnings[0].startswith("Left out: ")
    assert found.plot().get_legend() is not None
    spread = comparison_json(found)["spread"]
    assert spread["odd"][0]["run"] == "Vest Firefly"
    assert spread["ended"] == 9
    assert spread["shortest_longest"][1] == max(q.value or 0 for q in found.spread.lasted)


@pytest.mark.slow
def test_where_most_were_stopped_those_that_ended_are_not_the_middle() -> None:
    """Two gave up after 6 h, six were still working when they were stopped after 8 h: the two are no odd ones by that."""
    going = falling(10)
    stopped = replace(going, samples=going.samples.iloc[: 8 * 120])
    results = [rundown(run, 3.0, 10.0) for run in (falling(6), falling(6.1), *[stopped] * 6)]
    found = spread_of([f"vest {number}" for number in range(8)], results)
    assert found.median_s is None
    assert found.half is None
    assert "lifetime" not in {measure.name for measure in found.judged}
    told = found.sentences()
    assert told[0].startswith("2 of 8 runs were recorded to their end: 6 h to 6 h 6 min")
    assert told[1] == "The longest cannot be told: 6 runs went on beyond that."


@pytest.mark.slow
def test_a_run_of_a_meter_that_nobody_knows_is_not_shorter_beyond_its_doubt() -> None:
    results = [rundown(falling(hours), 3.0, 10.0) for hours in (6, 6.1, 6, 6.1, 6, 8)]
    names = [f"vest {number}" for number in range(6)]
    assert spread_of(names, results).sentences()[1].endswith("doubt over the next.")
    life = results[0].lifetime
    bare = replace(life, time=Quantity(life.time.value, "s"))
    found = spread_of(names, [replace(results[0], lifetime=bare), *results[1:]])
    assert found.level == (0,)
    told = found.sentences()[1]
    assert told.startswith("Longest: vest 5, 8 h")
    assert told.endswith("the measurement's doubt is not known of every run.")


def test_of_two_runs_a_broken_one_is_refused(twelve: Path) -> None:
    with pytest.raises(BenchError, match="no usable row"):
        drawbench.compare([twelve / "vest-01", twelve / "vest-03"])


@pytest.mark.slow
def test_several_differences_are_clear_together() -> None:
    """Just more than the doubt against one run; not any more where it is one of five differences."""
    same = falling(10)
    runs = [same] * 4
    alone = compare([same, falling(10, 101.2)], ["A", "B"], 3.0, 10.0)
    item = {d.name: d for d in alone.differences[0]}["mean_current"]
    assert item.difference.value is not None
    assert item.difference.upper is not None
    half = item.difference.upper - item.difference.value
    just = 100.0 + 1.1 * half
    names = [str(number) for number in range(6)]
    pair = compare([same, falling(10, just)], ["A", "B"], 3.0, 10.0)
    many = compare([*runs, falling(10, just)], names[:5], 3.0, 10.0)

    def clear(part: Sequence[Difference]) -> bool | None:
        return {d.name: d for d in part}["mean_current"].clear

    assert clear(pair.differences[0]) is True
    assert clear(many.differences[-1]) is False


def test_the_first_sample_of_an_import_stands_for_itself() -> None:
    """It lasts no time: its mean was 0 V, in pictures and fits."""
    time_s = np.arange(0.0, 6000.0, 60.0)
    run = sampled_run(time_s, 4.5 - time_s / 10_000)
    _, volts, *_ = course_of(trace_of(run))
    assert volts[0] == pytest.approx(4.5)
