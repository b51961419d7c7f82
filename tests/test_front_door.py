"""``import drawbench`` from a notebook: light, typed, and of one mind with the commands."""

import ast
import doctest
import inspect
import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import matplotlib
import pandas as pd
import pytest
from click.testing import CliRunner
from matplotlib import pyplot
from matplotlib.axes import Axes

import analysis.run.rundown
import drawbench
import logger.run.reader
from analysis.flex.section import flex_json
from analysis.forecast.words import forecast_json
from tests.support.places import ROOT, SAMPLES, VEST_BUDGET

VEST: Final = SAMPLES / "night-ride-vest"
EVENING: Final = SAMPLES / "vest-evening"
JOINTS: Final = SAMPLES / "vest-joints-by-hand.csv"
FUNCTIONS: Final = (
    "read_run", "rundown", "forecast", "compare", "budget", "flex_life", "report", "import_text",
)  # fmt: skip


@pytest.fixture(autouse=True)
def own_pictures() -> Iterator[None]:
    matplotlib.use("Agg")
    yield
    pyplot.close("all")


@pytest.fixture(scope="module")
def run() -> drawbench.Run:
    return drawbench.read_run(VEST)


@pytest.fixture(scope="module")
def rundown(run: drawbench.Run) -> drawbench.Rundown:
    return drawbench.rundown(run)


@pytest.fixture(scope="module")
def forecast(run: drawbench.Run) -> drawbench.Forecast:
    return drawbench.forecast(run, until_s=7200.0, need_s=9 * 3600.0)


@pytest.fixture(scope="module")
def comparison(run: drawbench.Run) -> drawbench.Comparison:
    return drawbench.compare([run, EVENING], 2.7, 60.0)


@pytest.fixture(scope="module")
def story() -> drawbench.BudgetStory:
    return drawbench.budget(VEST_BUDGET, EVENING)


@pytest.fixture(scope="module")
def joints() -> drawbench.FlexLife:
    return drawbench.flex_life(JOINTS, cycles=1200, reference="solid")


def to_ten_digits(document: Any) -> Any:
    """A result's last digits hang on where its arrays lie in memory (numpy adds in parallel lanes)."""
    if isinstance(document, dict):
        return {key: to_ten_digits(value) for key, value in document.items()}
    if isinstance(document, list):
        return [to_ten_digits(value) for value in document]
    return float(f"{document:.10g}") if isinstance(document, float) else document


def command_json(*words: str | Path) -> dict[str, Any]:
    told = CliRunner().invoke(drawbench.cli, [*map(str, words), "--json"], catch_exceptions=False)
    document = json.loads(told.output)
    assert isinstance(document, dict)
    return document


# The door itself


def test_every_public_name_is_there_and_typed() -> None:
    """What is handed out at run time is what a type checker sees, and what the documentation says."""
    stub = ast.parse((ROOT / "analysis" / "door" / "public.pyi").read_text(encoding="utf-8"))
    typed = {
        (alias.asname, f"{node.module}.{alias.name}")
        for node in stub.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    handed = {
        (name, f"{value.__module__}.{value.__name__}")
        for name in drawbench.__all__
        for value in [getattr(drawbench, name)]
    }
    assert handed == typed
    assert {*FUNCTIONS, "BenchError", "Quantity"} <= set(drawbench.__all__) <= set(dir(drawbench))


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        getattr(drawbench, "nonsense")  # noqa: B009 (mypy knows that there is none)


def in_fresh_python(code: str) -> str:
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    ).stdout.strip()


def test_import_loads_nothing_heavy() -> None:
    heavy = "{'numpy', 'pandas', 'scipy', 'matplotlib', 'jinja2', 'serial', 'rich'}"
    assert in_fresh_python(f"import sys, drawbench; print({heavy} & set(sys.modules))") == "set()"


@pytest.mark.slow
def test_numbers_alone_need_no_pictures() -> None:
    """Reading and running down a run loads no matplotlib: it is what takes longest to load."""
    code = f"import sys, drawbench; drawbench.rundown({str(VEST)!r}); print('matplotlib' in sys.modules)"
    assert in_fresh_python(code) == "False"


@pytest.mark.slow
@pytest.mark.parametrize("name", FUNCTIONS)
def test_example_in_the_documentation(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    (example,) = doctest.DocTestFinder(recurse=False).find(getattr(drawbench, name), name, globs={})
    assert len(example.examples) >= 3
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    told: list[str] = []
    # A library of other tests sets how pandas prints, for good.
    with pd.option_context("display.float_format", None, "display.width", 80):
        runner.run(example, out=told.append)
    assert runner.failures == 0, "".join(told)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_documentation_has_its_parts(name: str) -> None:
    # Python 3.13 stores it without its indent, those before with it.
    text = inspect.getdoc(getattr(drawbench, name)) or ""
    for part in ("Parameters", "Returns", "Raises", "Examples"):
        assert re.search(rf"^{part}\n-+$", text, re.MULTILINE), part


USER_SCRIPT: Final = """
from pathlib import Path

import drawbench


def hours(path: Path) -> float:
    result: drawbench.Rundown = drawbench.rundown(drawbench.read_run(path), cutoff_v=2.7, hold_s=60.0)
    time: drawbench.Quantity = result.cutoff_time
    result.plot().set_title("mine")
    return (time.value or 0.0) / 3600


try:
    forecast: drawbench.Forecast = drawbench.forecast("run", until_s=7200.0)
    runs: drawbench.Comparison = drawbench.compare(["run", Path("other")])
    story: drawbench.BudgetStory = drawbench.budget("vest.toml", run="run")
    joints: drawbench.FlexLife = drawbench.flex_life("joints.csv", cycles=1200)
    files: tuple[Path, ...] = drawbench.report("run", "out")
except drawbench.BenchError as error:
    print(error.happened, error.evidence, error.next_step)
"""
WRONG_LINES: Final = {
    "drawbench.nonsense": "attr-defined",
    'drawbench.rundown("run", "three")': "arg-type",
    "drawbench.rundown(3)": "arg-type",
    'drawbench.rundown("run").cutoff_time + 1': "operator",
}


@pytest.mark.slow
def test_a_users_script_is_checked_against_the_wheel(tmp_path: Path) -> None:
    """``mypy --strict`` outside of the tree: a right script passes, each wrong line is seen."""
    tree, site = tmp_path / "tree", tmp_path / "venv"
    tree.mkdir()
    for name in ("pyproject.toml", "README.md", "LICENSE", "drawbench.py"):
        shutil.copy(ROOT / name, tree)
    for name in ("analysis", "logger", "firmware_probe"):
        unused = shutil.ignore_patterns("__pycache__", "build")
        shutil.copytree(ROOT / name, tree / name, ignore=unused)
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel"]
    subprocess.run(build, cwd=tree, check=True, capture_output=True)
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", site], check=True)
    (purelib,) = (
        site.glob("lib/python*/site-packages") if os.name != "nt" else [site / "Lib/site-packages"]
    )
    (wheel,) = (tree / "dist").glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(purelib)
    board = purelib / "firmware_probe" / "micropython"
    assert all((board / name).exists() for name in ("main.py", "README.md", "bench/play.py"))
    shared = [path for path in sys.path if Path(path).name == "site-packages"]
    (purelib / "shared.pth").write_text("\n".join(shared))
    user = tmp_path / "user"
    user.mkdir()
    (user / "right.py").write_text(USER_SCRIPT)
    (user / "wrong.py").write_text("\n".join(["import drawbench", *WRONG_LINES]))
    python = site / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    mypy = [str(python), "-m", "mypy", "--strict", "--cache-dir", str(user / "cache")]
    told = subprocess.run(
        [*mypy, "right.py", "wrong.py"], cwd=user, capture_output=True, text=True, check=False
    )
    assert "right.py" not in told.stdout, told.stdout
    seen = re.findall(r"wrong\.py:(\d+): error: .*\[([\w-]+)\]", told.stdout)
    assert seen == [(str(line), code) for line, code in enumerate(WRONG_LINES.values(), 2)], (
        told.stdout + told.stderr
    )


# One question, one answer: the commands say the same


def test_rundown_as_the_command(rundown: drawbench.Rundown) -> None:
    told = command_json("rundown", VEST)
    assert to_ten_digits(json.loads(json.dumps(rundown.as_json()))) == to_ten_digits(told)
    quantities = {name: quantity.as_json() for name, quantity in rundown.quantities().items()}
    assert to_ten_digits({name: told[name] for name in quantities}) == to_ten_digits(quantities)


def test_another_cutoff_as_the_command() -> None:
    told = command_json("rundown", VEST, "--cutoff", "3.0", "--hold", "10s")
    assert drawbench.rundown(VEST, 3.0, 10).cutoff_time.as_json() == told["cutoff_time"]


@pytest.mark.slow
def test_forecast_as_the_command(forecast: drawbench.Forecast, run: drawbench.Run) -> None:
    told = command_json("forecast", VEST, "--until", "2h", "--need", "9h")
    assert forecast_json(forecast, forecast.need_s) == told["forecast"]
    assert [*forecast.warnings, *run.problems] == told["warnings"]


@pytest.mark.slow
def test_a_forecast_with_what_is_stated_as_the_command() -> None:
    told = command_json(
        *("forecast", VEST, "--until", "1h", "--load", "80mA", "--pack", "3x AA nimh"),
        *("--capacity", "2000", "--used", "--cutoff", "3.0"),
    )
    found = drawbench.forecast(
        VEST, 3.0, until_s=3600, load="80mA", pack="3x AA nimh", capacity_mah=2000, used=True
    )
    assert forecast_json(found) == told["forecast"]


@pytest.mark.slow
def test_compare_as_the_command(comparison: drawbench.Comparison, tmp_path: Path) -> None:
    told = command_json(
        *("compare", VEST, EVENING, "--cutoff", "2.7", "--hold", "60s", "--plot", tmp_path / "both")
    )
    assert list(comparison.sentences) == told["sentences"]
    assert list(comparison.warnings) == told["warnings"]
    for name, part in zip(comparison.names[1:], comparison.differences, strict=True):
        assert {item.name: item.difference.as_json() for item in part} == {
            key: value["difference"] for key, value in told["differences"][name].items()
        }


@pytest.mark.slow
def test_budget_as_the_command(story: drawbench.BudgetStory) -> None:
    assert json.loads(json.dumps(story.as_json())) == command_json("budget", VEST_BUDGET, EVENING)


@pytest.mark.slow
def test_flex_life_as_the_command(joints: drawbench.FlexLife) -> None:
    told = command_json("flex", "life", JOINTS, "--cycles", "1200", "--reference", "solid")
    assert json.loads(json.dumps(flex_json(joints, joints.verdicts, joints.acceleration))) == told


@pytest.mark.slow
def test_flex_life_at_another_radius_as_the_command() -> None:
    told = command_json(
        *("flex", "life", JOINTS, "--wearings", "12", "--at", "hip", "--confidence", "80"),
        *("--wire", "24 stranded", "--bench-radius", "5", "--worn-radius", "15"),
    )
    found = drawbench.flex_life(
        [str(JOINTS)], wearings=12, at="hip", confidence=0.8,
        wire="24 stranded", bench_radius_mm=5, worn_radius_mm=15,
    )  # fmt: skip
    assert json.loads(json.dumps(flex_json(found, (), found.acceleration))) == told


@pytest.mark.slow
def test_report_as_the_command(run: drawbench.Run, tmp_path: Path) -> None:
    """The very same files, byte for byte."""
    shutil.copytree(VEST, tmp_path / VEST.name)
    options = ["--budget", str(VEST_BUDGET), "--flex", str(JOINTS), "--flex-cycles", "1200"]
    told = CliRunner().invoke(
        drawbench.cli,
        ["report", str(tmp_path / VEST.name), "--out", str(tmp_path / "command"), *options],
    )
    assert told.exit_code == 0, told.output
    files = drawbench.report(
        run, str(tmp_path / "door"), budget=VEST_BUDGET, flex=JOINTS, flex_cycles=1200
    )
    made = {file.name: file.read_bytes() for file in files}
    assert {name: (tmp_path / "command" / name).read_bytes() for name in made} == made
    assert "report.html" in made


def test_import_as_the_command(tmp_path: Path) -> None:
    text = tmp_path / "meter.txt"
    text.write_text("t;U;I\n" + "".join(f"{n};4,{900 - n};-0,08\n" for n in range(30)))
    with pytest.raises(drawbench.BenchError, match="--current-unit A"):
        drawbench.import_text(text, tmp_path / "none", time_unit="s")
    assert not (tmp_path / "none").exists()
    with pytest.raises(drawbench.BenchError, match="No such option"):
        drawbench.import_text(text, tmp_path / "none", colour="red")
    for name in ("dry_run", "json", "help"):  # a run would be written in spite of the first
        with pytest.raises(drawbench.BenchError, match="for the terminal only"):
            drawbench.import_text(text, tmp_path / "none", current_unit="A", **{name: True})
    assert not (tmp_path / "none").exists()
    kept = tmp_path / "meter.toml"
    made = drawbench.import_text(
        text, tmp_path / "run", time_unit="s", current_unit="A", leave_out=[], save_mapping=kept
    )
    command_json("import", text, tmp_path / "other", "--mapping", kept)
    assert made.samples.equals(drawbench.read_run(tmp_path / "other").samples)
    assert made.samples["current_ma"].iloc[0] == 80.0


def test_a_file_whose_name_begins_with_a_dash_is_no_option(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("-night.txt").write_text("time_s,pack_v\n0,4.50\n1,4.49\n")
    assert len(drawbench.import_text("-night.txt", "-run").samples) == 2


@pytest.mark.slow
def test_a_run_may_be_given_by_its_path(rundown: drawbench.Rundown, run: drawbench.Run) -> None:
    for given in (VEST, str(VEST), VEST / "samples.csv", logger.run.reader.read_run(VEST)):
        assert drawbench.rundown(given).as_json() == rundown.as_json()


def test_results_are_the_analysis_own(rundown: drawbench.Rundown, run: drawbench.Run) -> None:
    assert isinstance(rundown, analysis.run.rundown.Rundown)
    assert isinstance(run, logger.run.reader.Run)
    with pytest.raises(AttributeError):
        rundown.simulated = False  # type: ignore[misc]


# What a result says


def test_quantities_say_themselves() -> None:
    quantity = drawbench.Quantity
    assert repr(quantity(33834.0, "s", 33642.0, 34028.0, 0.95)) == (
        "9 h 24 min (9 h 21 min to 9 h 27 min at 95 %)"
    )
    assert repr(quantity(189.6, "mA", 186.1, 193.1, 0.95)) == "189.6 mA (186.1 to 193.1 at 95 %)"
    assert repr(quantity(None, "s", note="never reached")) == "none (never reached)"
    assert repr(quantity(2.0, "V")) == "2.00 V (no interval: its doubt is not known)"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fixture", "command"),
    [
        ("rundown", ["rundown", str(VEST)]),
        ("forecast", ["forecast", str(VEST), "--until", "2h", "--need", "9h"]),
        ("story", ["budget", str(VEST_BUDGET), str(EVENING)]),
        ("joints", ["flex", "life", str(JOINTS), "--cycles", "1200", "--reference", "solid"]),
    ],
)
def test_the_answer_is_the_commands(
    fixture: str, command: list[str], request: pytest.FixtureRequest
) -> None:
    result = request.getfixturevalue(fixture)
    told = " ".join(CliRunner().invoke(drawbench.cli, command).output.split())
    first = repr(result).splitlines()[0].removeprefix("SIMULATED. ")
    assert " ".join(first.split()) in told.replace("\u00a0", " ")


@pytest.mark.slow
@pytest.mark.parametrize("fixture", ["run", "rundown", "forecast", "comparison", "story", "joints"])
def test_every_result_says_that_it_is_simulated(
    fixture: str, request: pytest.FixtureRequest
) -> None:
    result = request.getfixturevalue(fixture)
    page = result._repr_html_()
    assert repr(result).startswith("SIMULATED. ")
    assert "<b>SIMULATED" in page
    # as a page the answer stands before the table, which is folded
    assert page.index("<p>") < page.find("<details>") or "<details>" not in page


def test_a_result_warns_where_cells_or_skin_may_suffer(rundown: drawbench.Rundown) -> None:
    page = rundown._repr_html_()
    pack = rundown.run.description.pack
    assert pack is not None
    assert f"Caution: {pack}: {pack.caution}" in page
    trace = rundown.draw.trace
    assert trace.current_ma is not None
    hotter = replace(trace, current_ma=10 * trace.current_ma)
    hot = replace(rundown, draw=replace(rundown.draw, trace=hotter))
    assert "into heat where it is worn" in hot._repr_html_()


def test_foreign_text_is_escaped(run: drawbench.Run) -> None:
    nasty = "<script>alert(1)</script>\x1b[31m"
    named = replace(run, description=replace(run.description, title=nasty), problems=(nasty,))
    assert isinstance(named, drawbench.Run)
    assert "<script" not in named._repr_html_()
    assert "\x1b" not in repr(named) + named._repr_html_()
    assert repr(named).endswith("(1 problem: see .problems)")


# Tables


def test_rundown_as_a_table(rundown: drawbench.Rundown) -> None:
    table = rundown.to_frame()
    time, charge = rundown.cutoff_time, rundown.charge_to_cutoff
    row = table.loc["night-ride-vest"]
    assert row["cutoff_time_s"] == time.value
    assert (row["cutoff_time_lower_s"], row["cutoff_time_upper_s"]) == (time.lower, time.upper)
    assert row["charge_to_cutoff_mah"] == charge.value
    units = ("_s", "_mah", "_mwh", "_ma", "_v", "_ohm")
    assert [name for name in table if not str(name).endswith(units)] == []
    both = pd.concat([table, drawbench.rundown(EVENING).to_frame()])
    assert both.index.to_list() == ["night-ride-vest", "vest-evening"]


def test_a_copy_of_the_samples(run: drawbench.Run) -> None:
    table = run.to_frame()
    pd.testing.assert_frame_equal(table, run.samples)
    table.loc[0, "time_s"] = -1.0
    assert run.samples.loc[0, "time_s"] != -1.0


def test_forecast_as_a_table(forecast: drawbench.Forecast) -> None:
    half, most = forecast.to_frame().to_dict("records")
    assert (half["coverage"], most["coverage"]) == (0.5, 0.9)
    assert half["cutoff_time_s"] == forecast.median_s
    assert most["cutoff_time_upper_s"] == forecast.cutoff_time[1].upper


def test_comparison_as_a_table(comparison: drawbench.Comparison) -> None:
    table = comparison.to_frame()
    item = next(item for item in comparison.differences[0] if item.name == "mean_current")
    later = table.loc[comparison.names[1]]
    assert table.index.to_list() == list(comparison.names)
    assert later["mean_current_ma"] == item.second.value
    assert later["mean_current_difference_ma"] == item.difference.value
    assert later["mean_current_clear"] == item.clear


def test_budget_as_tables(story: drawbench.BudgetStory) -> None:
    assert story.comparison is not None
    modes, figures, packs = (story.to_frame(what) for what in ("modes", "figures", "packs"))
    measured = story.comparison.modes[0]
    assert modes.loc[measured.estimate.mode, "measured_ma"] == measured.measured.value
    label, before, after = story.figure_rows()[0]
    assert list(figures.loc[label, ["before_ma", "after_ma"]]) == [before.value, after.value]
    assert figures.loc["converter efficiency", "before_percent"] == pytest.approx(86.0)
    assert packs.index[0] == story.packs[0].name
    assert packs.iloc[0]["runtime_h"] == story.packs[0].runtime.value


@pytest.mark.slow
def test_joints_as_a_table(joints: drawbench.FlexLife) -> None:
    table = joints.to_frame()
    solid = next(group for group in joints.groups if group.name == "solid")
    assert solid.weibull is not None
    assert list(table.loc["solid", ["specimens", "failures"]]) == [5, 5]
    assert table.loc["solid", "b10_lower_cycles"] == solid.weibull.b10.lower
    assert table.loc["solid", "b10_surely_lower_cycles"] == solid.weibull.b10_lower.lower
    assert table["b10_cycles"].isna().to_dict()["stranded, strain relief"]


# Pictures

DRAWN: Final[dict[str, tuple[str, dict[str, str]]]] = {
    "run": ("run", {}),
    "voltage": ("rundown", {}),
    "current": ("rundown", {"what": "current"}),
    "charge": ("rundown", {"what": "charge"}),
    "current-histogram": ("rundown", {"what": "current-histogram"}),
    "forecast": ("forecast", {}),
    "comparison": ("comparison", {}),
    "modes": ("story", {}),
    "figures": ("story", {"what": "figures"}),
    "packs": ("story", {"what": "packs"}),
    "survival": ("joints", {"group": "solid"}),
    "probability": ("joints", {"what": "probability"}),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", DRAWN)
def test_a_picture_in_a_new_figure_and_in_ones_own(
    name: str, request: pytest.FixtureRequest
) -> None:
    fixture, options = DRAWN[name]
    plot: Callable[..., Axes] = request.getfixturevalue(fixture).plot
    before = dict(matplotlib.rcParams)
    first = plot(**options)
    assert pyplot.fignum_exists(first.figure.number)  # type: ignore[union-attr]
    figure, own = pyplot.subplots()
    assert plot(own, **options) is own
    assert dict(matplotlib.rcParams) == before
    for axes in (first, own):
        assert axes.get_xlabel()
        assert axes.get_ylabel() or axes.get_yticklabels()
        texts = [text.get_text() for text in axes.texts]
        assert "SIMULATED" in texts
    assert len(own.lines) + len(own.collections) + len(own.patches) > 1
    figure.canvas.draw()


def test_the_cutoff_of_the_picture_is_the_one_asked_for() -> None:
    axes = drawbench.rundown(VEST, 3.0, 10.0).plot()
    assert any("cutoff\n3 V" in text.get_text() for text in axes.texts)


def test_joints_a_strip_per_group(joints: drawbench.FlexLife) -> None:
    figure = joints.plot().figure
    assert [axes.get_title(loc="left") for axes in figure.axes] == [
        group.name for group in joints.groups
    ]


# What can be mended is a BenchError


@pytest.fixture
def broken(tmp_path: Path) -> Path:
    folder = tmp_path / "broken"
    folder.mkdir()
    (folder / "samples.csv").write_bytes(bytes(range(256)) * 8)
    return folder


@pytest.mark.parametrize(
    "ask", [drawbench.read_run, drawbench.rundown, drawbench.forecast, drawbench.report]
)
def test_no_run_and_a_broken_one(ask: Callable[[Path], object], broken: Path) -> None:
    for folder in (broken, broken.parent / "none"):
        with pytest.raises(drawbench.BenchError) as caught:
            ask(folder)
        assert caught.value.next_step


@pytest.mark.parametrize("cutoff", [99.0, 0.0, -1.0, float("nan"), float("inf"), "three"])
def test_a_cutoff_that_is_none(cutoff: Any, run: drawbench.Run) -> None:
    for ask in (drawbench.rundown, drawbench.forecast):
        with pytest.raises(drawbench.BenchError) as caught:
            ask(run, cutoff)
        assert caught.value.next_step


@pytest.mark.parametrize("hold", [-1.0, float("nan"), "10s"])
def test_a_hold_that_is_none(hold: Any, run: drawbench.Run) -> None:
    with pytest.raises(drawbench.BenchError, match="hold"):
        drawbench.rundown(run, 2.7, hold)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("ask", "words"),
    [
        (lambda: drawbench.forecast(EVENING), "No cutoff"),
        (lambda: drawbench.forecast(VEST, load="much"), "not understood"),
        (lambda: drawbench.forecast(VEST, capacity_mah=0.0), "no capacity"),
        (lambda: drawbench.compare([VEST]), "at least two"),
        (lambda: drawbench.compare(str(VEST)), "at least two"),
        (lambda: drawbench.compare([VEST, str(VEST)]), "given twice"),
        (lambda: drawbench.budget("none.toml"), "none.toml"),
        (lambda: drawbench.budget(VEST_BUDGET, temperature_c=90), "not worn"),
        (lambda: drawbench.budget(VEST_BUDGET, packs=["a brick"]), "brick"),
        (lambda: drawbench.flex_life("none.csv"), "none.csv"),
        (lambda: drawbench.flex_life(JOINTS, cycles=-5), "-5"),
        (lambda: drawbench.flex_life(JOINTS, wearings=3), "one evening"),
        (lambda: drawbench.flex_life(JOINTS, cycles=100, reliability=90), "reliability"),
        (lambda: drawbench.flex_life(JOINTS, reference="gold"), "no group 'gold'"),
        (lambda: drawbench.flex_life(JOINTS, interval="wide"), "no interval 'wide'"),  # type: ignore[arg-type]
        (lambda: drawbench.flex_life(JOINTS, criterion="bent"), "no criterion 'bent'"),  # type: ignore[arg-type]
        (lambda: drawbench.report(VEST, flex_cycles=100), "flex"),
        (lambda: drawbench.rundown(VEST).plot(what="sound"), "no picture 'sound'"),  # type: ignore[arg-type]
        (lambda: drawbench.budget(VEST_BUDGET).plot(what="modes"), "takes a run"),
        (lambda: drawbench.budget(VEST_BUDGET).to_frame("wires"), "no 'wires'"),  # type: ignore[arg-type]
        (lambda: drawbench.flex_life(JOINTS).plot(pyplot.figure().add_subplot()), "one group"),
    ],
)
def test_a_question_that_cannot_be_answered(ask: Callable[[], object], words: str) -> None:
    with pytest.raises(drawbench.BenchError, match=re.escape(words)):
        ask()


def test_a_picture_of_what_was_not_recorded(tmp_path: Path) -> None:
    (tmp_path / "samples.csv").write_text(
        "time_s,pack_v\n" + "".join(f"{second},{4.5 - second / 100}\n" for second in range(60))
    )
    result = drawbench.rundown(tmp_path)
    with pytest.raises(drawbench.BenchError, match="no current to draw"):
        result.plot(what="current")
    assert pyplot.get_fignums() == []  # no empty picture beside the error
    result.plot()
