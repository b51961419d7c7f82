"""Several runs of one piece: the interval for the next, held against a textbook's worked prediction interval;
and the same sentence on every screen."""

import json
import shutil
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner
from matplotlib.text import Text

import drawbench
from analysis.commands.forecast import forecast_command
from analysis.commands.list_runs import list_command
from analysis.commands.pictures import sheet_command
from analysis.commands.report import report_command
from analysis.commands.rundown import rundown_command
from analysis.commands.watch import page_run, results_for
from analysis.report.digest import digest_of
from analysis.report.same_piece import (
    Lasted,
    earlier_runs,
    together_at,
    together_of,
    usual_of,
)
from analysis.report.sheet import sheet_figure
from analysis.run.rundown import rundown
from analysis.say.figures import figure_style
from logger.base.pack import parse_pack
from logger.run.description import Board
from logger.run.format import DESCRIPTION_NAME
from logger.run.reader import read_run
from tests.support import runs_by_formula
from tests.support.runs_by_formula import VEST, board_run, stop_at

H = 3600.0


def runs(*hours: float, ended: bool = True) -> list[Lasted]:
    return [Lasted(Path(str(n)), h * H, ended) for n, h in enumerate(hours)]


def words(found: list[Lasted], need_s: float | None) -> str:
    told = together_of(found, need_s)
    return "" if told is None else told.words


def test_prediction_interval_of_a_normal_sample() -> None:
    """Five runs, mean 10 h, s = 0.5 h: t(0.95, 4) = 2.132 (table of Student's t), so 10 ± 2.132 * 0.5 * sqrt(1.2) = ±1.168 h."""
    told = together_of(runs(9.5, 10.5, 9.5, 10.5, 10.0), None)
    assert told is not None
    assert told.next_time.lower == pytest.approx((10 - 1.168) * H, abs=3.6)
    assert told.next_time.upper == pytest.approx((10 + 1.168) * H, abs=3.6)
    assert told.words == (
        "5 runs of this piece on such packs lasted 9 h 30 min to 10 h 30 min; the next 9 h to 11 h (9 in 10)."
    )


def test_equal_runs_are_no_surer_than_each_of_them_was_measured() -> None:
    alike = [Lasted(Path(str(n)), 9 * H, True, 180.0) for n in range(3)]
    assert "the next 8 h 57 min to 9 h 3 min" in words(alike, None)


@pytest.mark.parametrize(
    ("need_h", "end"),
    [
        (8.0, "Needed 8 h: yes."),
        (10.2, "Needed 10 h 12 min: 2 of 5 lasted so long, too close to call for the next."),
        (13.0, "Needed 13 h: no."),
    ],
)
def test_verdict_from_all_of_them(need_h: float, end: str) -> None:
    assert words(runs(9.5, 10.5, 9.5, 10.5, 10.0), need_h * H).endswith(end)


def test_one_run_is_not_several_and_open_ones_give_no_interval() -> None:
    assert words(runs(9.0), 8 * H) == ""
    told = words([*runs(9.0), *runs(9.5, ended=False)], 8 * H)
    assert "9 in 10" not in told
    assert told.endswith(
        "1 of them not to the end. Needed 8 h: 2 of 2 lasted so long, not shown for the next."
    )
    one = usual_of(runs(9.0))
    assert one is not None
    assert (one.time_s, one.words) == (9 * H, "An earlier run of this piece lasted 9 h")
    assert usual_of([]) is None


TITLE, NEED_S = "vest of felt", 6 * H


def stored(folder: Path, hours: float, **changes: Any) -> Path:
    """4.5 V falling in a straight line, 3.0 V after ``hours``; 80 mA of three AA."""
    run = board_run(
        lambda t: 4.5 - 1.5 * t / (hours * H), lambda t: 80.0 + 0 * t, 1.1 * hours * H, 60.0,
        parts=4, **{"title": TITLE, "need_s": NEED_S, "pack": VEST, "stop": stop_at(3.0, 60.0), **changes},
    )  # fmt: skip
    return runs_by_formula.stored(folder, run)


@pytest.fixture
def season(tmp_path: Path) -> Path:
    for number, hours in enumerate((6.9, 7.1, 7.0)):
        stored(
            tmp_path / "runs" / f"night-{number}",
            hours,
            started_utc=f"2026-03-0{number + 1}T20:00:00Z",
        )
    stored(tmp_path / "runs" / "another", 4.0, title="another piece")
    return tmp_path / "runs"


def shown(command: click.Command, *arguments: object) -> str:
    result = CliRunner().invoke(command, [str(item) for item in arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def flat(text: str) -> str:
    return " ".join(unescape(text).replace("\u00a0", " ").replace("\\", "").split())


@pytest.mark.slow
def test_every_screen_says_the_same_of_all_runs(season: Path, tmp_path: Path) -> None:
    """Terminal, JSON, forecast, report, sheet, list, overview, page and notebook: one sentence."""
    run = season / "night-2"
    said = json.loads(shown(rundown_command, run, "--json"))["same_piece"]
    sentence = said["words"]
    assert sentence.startswith(
        "3 runs of this piece on such packs lasted 6 h 54 min to 7 h 6 min; the next"
    )
    assert sentence.endswith("Needed 6 h: yes.")
    assert said["answer"] == "yes"
    assert json.loads(shown(forecast_command, run, "--json"))["same_piece"] == said
    listed = json.loads(shown(list_command, season, "--json"))
    assert [piece["same_piece"] for piece in listed["pieces"] if piece["same_piece"]] == [said]
    assert drawbench.rundown(run).as_json()["same_piece"] == said
    screens = {
        "rundown": shown(rundown_command, run),
        "rundown, kept": shown(rundown_command, run),
        "forecast": shown(forecast_command, run),
        "report": shown(report_command, run),
        "list": shown(list_command, season, "--overview", tmp_path / "all"),
        "page": (run / "report" / "report.html").read_text(encoding="utf-8"),
        "markdown": (run / "report" / "report.md").read_text(encoding="utf-8"),
        "overview": (tmp_path / "all" / "overview.html").read_text(encoding="utf-8"),
        "overview in Markdown": (tmp_path / "all" / "overview.md").read_text(encoding="utf-8"),
        "sheet": shown(sheet_command, run),
        "served page": page_results(run),
        "notebook": repr(drawbench.rundown(run)),
        "notebook's forecast": repr(drawbench.forecast(run)),
    }
    missing = [name for name, text in screens.items() if sentence not in flat(text)]
    assert not missing, sentence
    with figure_style():
        read = read_run(run)
        printed = sheet_figure(read, rundown(read, 3.0, 60.0))
    assert sentence in flat(" ".join(item.get_text() for item in printed.findobj(Text)))


def page_results(folder: Path) -> str:
    run = page_run("r1", folder)
    while run.feed.poll():
        pass
    return str(results_for(run.feed)["answer"])


@pytest.mark.slow
def test_a_report_is_made_anew_when_another_run_of_the_piece_is_there(season: Path) -> None:
    run = season / "night-2"
    shown(report_command, run)
    assert "left as it is" in shown(report_command, run)
    stored(season / "night-3", 5.0, started_utc="2026-03-09T20:00:00Z")
    assert "left as it is" not in shown(report_command, run)
    assert "4 runs of this piece" in flat((run / "report" / "report.html").read_text("utf-8"))


@pytest.mark.slow
def test_only_runs_of_the_same_piece_count(season: Path) -> None:
    """Another title, pack or cutoff, a simulated board beside a recorded run, a run still being recorded: none of them."""
    stored(season / "x-pack", 9.0, pack=parse_pack("2x AA alkaline"))
    stored(season / "x-cutoff", 9.0, stop=stop_at(2.5, 60.0))
    stored(season / "x-open", 9.0, state="recording")
    stored(season / "x-simulated", 9.0, board=Board("B0", 1, "simulated 1.0"))
    run = season / "night-2"
    found = together_at(run, digest_of(run))
    assert found is not None
    assert [item.folder.name for item in found.runs] == ["night-2", "night-1", "night-0"]
    # What is asked for now is asked of all of them.
    asked = together_at(run, digest_of(run, 3.5, 60.0), 4 * H)
    assert asked is not None
    assert len(asked.runs) == 4  # the run with the other cutoff is held to the same one
    assert asked.need_s == 4 * H


def test_a_run_kept_twice_counts_once(season: Path) -> None:
    """A folder copied for safety, edited since: what was measured once is no second night."""
    for name in ("night-1", "night-2"):
        shutil.copytree(season / name, season / f"{name} copy")
    path = season / "night-1 copy" / DESCRIPTION_NAME
    path.write_text(path.read_text("utf-8").replace(f"{NEED_S}", f"{NEED_S + 60}"), "utf-8")
    for run in (season / "night-2", season / "night-2 copy"):
        found = together_at(run, digest_of(run))
        assert found is not None
        assert len(found.runs) == 3
        assert found.runs[0].folder == run
    for name in ("night-0", "night-1", "night-1 copy"):
        shutil.rmtree(season / name)
    assert together_at(season / "night-2", digest_of(season / "night-2")) is None


@pytest.mark.slow
def test_what_other_runs_said_goes_with_them(season: Path) -> None:
    """What is kept beside a run is its own; a run that was deleted says nothing any more."""
    run = season / "night-2"
    assert "same_piece" in json.loads(shown(rundown_command, run, "--json"))
    assert "same_piece" not in digest_of(run).results
    for other in ("night-0", "night-1"):
        shutil.rmtree(season / other)
    assert "same_piece" not in json.loads(shown(rundown_command, run, "--json"))


@pytest.mark.parametrize("how", ["copied", "linked"])
def test_a_copy_of_a_run_is_no_second_run(tmp_path: Path, how: str) -> None:
    run = stored(tmp_path / "runs" / "one", 9.0)
    twin = tmp_path / "runs" / "one - copy"
    if how == "copied":
        shutil.copytree(run, twin)
    else:
        twin.symlink_to(run)
    assert together_at(run, digest_of(run)) is None
    live = replace(read_run(run).description, started_utc="2027-01-01T18:00:00.000+00:00")
    earlier = earlier_runs(tmp_path / "runs" / "live", live)
    assert [lasted.lasted_s for lasted in earlier] == [9 * H]
