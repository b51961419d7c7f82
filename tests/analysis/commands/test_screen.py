"""Each screen: the answer in few words, the caution whole the first time, the next command ready to paste."""

import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import drawbench
from analysis.commands.budget import budget_command
from analysis.commands.flex import flex
from analysis.commands.rundown import rundown_command
from analysis.say.words import first_clause
from logger.base.config_folder import FOLDER_VARIABLE
from tests.support.demo import Demo
from tests.support.next_command import read_back
from tests.support.places import ROOT, SAMPLES
from tests.support.word_counts import RUNS, SCREENS, bench_folder, screen_here, words

# Asked for by the bench, not measured anywhere: what a tired person reads at midnight.
RUNDOWN_WORDS = 120
BUDGET_WORDS = 200


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bench_folder(tmp_path_factory.mktemp("bench"))


@pytest.mark.slow
@pytest.mark.parametrize("name", SCREENS)
def test_screens_are_short_and_end_with_a_command_that_works(name: str, bench: Path) -> None:
    """Word counts with every caution at full length; the last command is run as it stands there."""
    shown = screen_here(SCREENS[name], bench)
    most = {"rundown": RUNDOWN_WORDS, "budget": BUDGET_WORDS}.get(SCREENS[name][0])
    if most is not None:
        assert words(shown) <= most, shown
    commands = [line.strip() for line in shown.splitlines() if line.startswith("  drawbench ")]
    assert shown.rstrip().endswith(commands[-1])
    if "start" not in commands[-1]:
        assert screen_here(shlex.split(commands[-1])[1:], bench)
    assert not re.search(r"\de[+-]?\d", shown), "a power of ten in words"
    for line in shown.splitlines():
        assert len(line) <= 80 or "drawbench " in line or "Picture: " in line


@pytest.mark.slow
@pytest.mark.parametrize("need", ["1h", "3h", "6h", "10h"])
@pytest.mark.parametrize("name", RUNS)
def test_with_a_need_the_answer_comes_first_and_is_short(name: str, need: str, bench: Path) -> None:
    """One to three lines of 80 signs, one short sentence below; the next command asks for the same need."""
    shown = screen_here(["rundown", f"runs/{name}", "--need", need], bench)
    assert words(shown) <= RUNDOWN_WORDS, shown
    answered = shown.split("\n\n")[1].splitlines()
    assert answered[0].startswith(f"Needed {need[:-1]} h. ")
    below = [
        number
        for number, line in enumerate(answered)
        if line.startswith(("One pack", "Another pack"))
    ]
    assert (below or [len(answered)])[0] <= 3, shown
    assert len(answered) <= 4
    assert f"--need {need}" in shown.rstrip().splitlines()[-1]


@pytest.mark.slow
def test_the_demo_answers_first_everywhere(made_demo: Demo, tmp_path: Path) -> None:
    """Terminal, report, Markdown, sheet, list, overview, notebook: the same verdict in the first lines; its next command."""
    shutil.copytree(made_demo.folder, tmp_path / "demo")
    assert read_back(made_demo.output.rstrip().splitlines()[-1])
    run = tmp_path / "demo" / "run"
    said = drawbench.rundown(run, 2.7, 60).verdict
    assert said is not None
    assert said.answer == "no"
    assert said.words.startswith("Needed 10 h 30 min. It lasted 9 h ")
    shown = {name: screen_here(["rundown", f"demo/{name}"], tmp_path) for name in ("run", "remedy")}
    assert all(words(text) <= RUNDOWN_WORDS for text in shown.values()), shown
    listed = screen_here(["list", "demo", "--overview", "all"], tmp_path)
    assert listed.startswith(
        "Last as needed: Night-ride vest, ride at 70 % brightness. Do not last as"
    )
    heads = {
        "rundown": shown["run"].split("\n\n")[1],
        "forecast": screen_here(["forecast", "demo/run"], tmp_path).split("\n\n")[1],
        "report": screen_here(["report", "demo/run"], tmp_path).split("\n\n")[0],
        "sheet": screen_here(["sheet", "demo/run"], tmp_path).split("\n\n")[0],
        "page": (tmp_path / "demo" / "report" / "report.html").read_text("utf-8").partition("<nav")[0],
        "markdown": (tmp_path / "demo" / "report" / "report.md").read_text("utf-8").partition("Folded below")[0],
        "notebook": repr(drawbench.rundown(run)).split("\n\n")[0],
    }  # fmt: skip
    missing = [
        name
        for name, text in heads.items()
        if said.words not in " ".join(text.replace("\u00a0", " ").split())
    ]
    assert not missing, heads
    page = (tmp_path / "all" / "overview.html").read_text("utf-8").partition("<table")[0]
    assert "Do not last as needed: Night-ride vest." in page


def test_wash_names_the_joint_that_failed_first(tmp_path: Path) -> None:
    """One joint of five went from 1.2 to 9 ohm: it is named in the first words, and no mean says it was chance."""
    head = "specimen,resistance_before_ohm,resistance_after_ohm\n"
    rows = "A,1.2,1.25\nB,1.2,9\nC,1.1,1.12\nD,1.3,1.31\nE,1.2,1.2\n"
    (tmp_path / "washed.csv").write_text(head + rows)
    shown = CliRunner().invoke(flex, ["wash", str(tmp_path / "washed.csv")]).output
    assert shown.startswith("B failed: its resistance is 7.5 times that before.")
    assert "may be chance" not in shown


@pytest.mark.slow
def test_the_budget_goes_by_the_run_of_its_own_pack(bench: Path) -> None:
    """A measured run of this very pack counts without being named, and is named on the screen."""
    assert "by your own run of it" in " ".join(screen_here(["budget", "vest.toml"], bench).split())


@pytest.mark.slow
def test_what_is_folded_is_still_there(bench: Path) -> None:
    for name in RUNS:
        whole = screen_here(["rundown", f"runs/{name}", "--details"], bench)
        assert "mean current" in whole
        assert "95 % sure to lie in" in whole
    whole = screen_here(["budget", "vest.toml", "--details"], bench)
    assert "not 2x AAA alkaline" in whole
    assert "what to change" in whole


def rundown(folder: Path, *more: str) -> Result:
    result = CliRunner().invoke(rundown_command, [str(folder), *more])
    assert result.exit_code == 0, result.output
    return result


@pytest.fixture
def lamp(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SAMPLES / "bench-lamp-li-ion", tmp_path / "lamp of mine"))


def test_a_caution_is_whole_once_and_then_one_line(
    lamp: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "kept"))
    first, second = (" ".join(rundown(lamp).stdout.split()) for _ in range(2))
    assert "Caution, 1x li-ion: Protected cell only. Never leave it alone" in first
    assert "Caution, 1x li-ion: Never alone without a hardware cutoff; stop at 3.0 V" in second
    assert "Protected cell only" not in second
    assert "Protected cell only" in " ".join(rundown(lamp, "--details").stdout.split())


def test_commands_are_quoted_for_the_shell(lamp: Path) -> None:
    last = rundown(lamp).stdout.rstrip().splitlines()[-1].strip()
    assert shlex.split(last)[:3] == ["drawbench", "report", str(lamp)]


@pytest.mark.slow
def test_budget_and_its_tolerances_agree(tmp_path: Path) -> None:
    """A mode beyond its tolerances and "all stay within their tolerances" never stand on one screen."""
    for tolerance in range(10, 100, 10):
        path = tmp_path / f"vest-{tolerance}.toml"
        text = (ROOT / "firmware_probe" / "twin" / "vest_budget.toml").read_text(encoding="utf-8")
        lines = [
            f"tolerance_percent = {tolerance}" if line.startswith("tolerance_percent") else line
            for line in text.splitlines()
        ]
        path.write_text("\n".join(lines), encoding="utf-8")
        arguments = [str(path), str(SAMPLES / "vest-evening"), "--pack-run", "none"]
        result = CliRunner().invoke(budget_command, arguments)
        assert result.exit_code == 0, result.output
        shown = " ".join(result.output.split())
        assert not ("do not explain" in shown and "has to be wrong" in shown), shown
        assert not ("edge of their tolerances" in shown and "all stay within" in shown), shown


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("3 gaps, together 15 min; the longest began late. More.", "3 gaps, together 15 min."),
        ("Stop at 3.0 V. Then charge it.", "Stop at 3.0 V."),
        ("It has no end", "It has no end."),
        ("Is it wet? Dry it.", "Is it wet."),
    ],
)
def test_first_clause(text: str, first: str) -> None:
    assert first_clause(text) == first
