"""A budget's own pack by the run in which it was emptied: found, said which, refused where it does not fit."""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.budget.edit import TEMPLATE
from analysis.commands.budget import budget_command
from analysis.commands.report import report_command
from analysis.door.budget import budget
from logger.base.pack import Pack
from logger.run.description import Board, Description
from tests.support.places import SAMPLES, VEST_BUDGET
from tests.support.runs_by_formula import board_run, stored

# The template's piece: 3x AA alkaline, gives up at 2.7 V; drawn here as the template asks.
MEAN_MA = 175.0
Make = Callable[..., Path]


@pytest.fixture
def make(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Make:
    """Puts a rundown into the folder ``runs`` of where the budget is asked."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "vest.toml").write_text(TEMPLATE, encoding="utf-8")

    def _make(
        name: str, hours: float = 8.0, draw_ma: float = MEAN_MA, end_v: float = 2.6, **changes: Any
    ) -> Path:
        run = board_run(
            lambda t: 4.5 - (4.5 - end_v) * t / (hours * 3600),
            lambda t: np.full_like(t, draw_ma),
            hours * 3600,
            window_s=30.0,
        )  # fmt: skip
        description: Description = replace(
            run.description, state="ended", pack=Pack("alkaline", 3, "AA"), title=name, **changes
        )
        return stored(tmp_path / "runs" / name, replace(run, description=description))

    return _make


def asked(*more: str) -> str:
    result = CliRunner().invoke(budget_command, ["vest.toml", *more])
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


@pytest.mark.slow
def test_the_newest_run_of_the_pack_is_taken_and_named(make: Make) -> None:
    assert "typical cells" not in asked()
    make("old", 6.0, started_utc="2026-01-10T18:00:00Z")
    make("new", 8.0, started_utc="2026-02-10T18:00:00Z")
    shown = asked()
    assert "by your own run of it, 'new' of 2026-02-10; typical cells" in shown
    story = budget("vest.toml")
    assert story.own is not None
    # The same draw as in the run: down to 2.7 V it lasts as long as it did there.
    assert story.own.runtime.value == pytest.approx(8.0 * 1.8 / 1.9, rel=0.05)
    assert json.loads(asked("--json"))["own_pack_run"] == "'new' of 2026-02-10"
    assert "your own run" not in asked("--pack-run", "none")
    assert "'old' of 2026-01-10" in asked("--pack-run", "runs/old")
    assert budget("vest.toml", pack_runs=()).own is None


@pytest.mark.slow
@pytest.mark.parametrize(
    "changes",
    [
        {"pack": Pack("alkaline", 4, "AA")},
        {"pack": Pack("nimh", 3, "AA")},
        {"pack": Pack("alkaline", 3, "AAA")},
        {"pack": None},
        {"state": "recording"},
        {"draw_ma": 3 * MEAN_MA},
        {"draw_ma": MEAN_MA / 3},
        {"end_v": 3.0},
        {"board": Board("7F3A91C2", 17, firmware="simulated-0.1.0")},
    ],
    ids=["cells", "chemistry", "size", "unknown", "unfinished", "fast", "slow", "not empty", "simulated"],
)  # fmt: skip
def test_a_run_that_does_not_stand_for_the_pack_is_left_alone(
    make: Make, changes: dict[str, Any]
) -> None:
    keys = {"pack", "state"} & changes.keys()
    folder = make("other", **{key: item for key, item in changes.items() if key not in keys})
    path = folder / "samples.csv-metadata.json"
    document = json.loads(path.read_text("utf-8"))
    for key in keys:
        item = changes[key]
        document["urn:drawbench:run"][key] = vars(item) if isinstance(item, Pack) else item
    path.write_text(json.dumps(document), encoding="utf-8")
    assert budget("vest.toml").own is None


@pytest.mark.slow
def test_a_recorded_run_comes_before_a_simulated_one(make: Make) -> None:
    board = Board("7F3A91C2", 17, firmware="simulated-0.1.0")
    make("Night-ride vest", board=board, started_utc="2026-03-10T18:00:00Z")
    assert "'Night-ride vest' of 2026-03-10 (SIMULATED)" in asked()
    make("Night-ride vest, recorded", started_utc="2026-01-10T18:00:00Z")
    assert "'Night-ride vest, recorded' of 2026-01-10;" in asked()


@pytest.mark.slow
def test_the_run_it_is_compared_with_comes_first(tmp_path: Path) -> None:
    """Report, command and Python say the same of the sample runs."""
    shutil.copytree(SAMPLES, tmp_path / "runs")
    evening = budget(VEST_BUDGET, tmp_path / "runs" / "vest-evening")
    assert "Night-ride vest" in evening.own_run
    night = budget(VEST_BUDGET, tmp_path / "runs" / "night-ride-vest")
    assert night.own is not None
    assert night.own_run == evening.own_run


@pytest.mark.slow
def test_a_report_is_made_anew_when_such_a_run_comes(make: Make) -> None:
    """What is kept of a report names all that it was made of."""
    make("vest", started_utc="2026-01-10T18:00:00Z", end_v=3.0)
    arguments = ["runs/vest", "--budget", "vest.toml"]
    page = Path("runs/vest/report/report.md")
    for expected in (False, True, False):
        result = CliRunner().invoke(report_command, arguments)
        assert result.exit_code == 0, result.exception
        assert ("Nothing changed" in result.output) == expected
        assert ("your own run" in page.read_text("utf-8")) == (page.parents[2] / "new").exists()
        if expected:
            make("new", started_utc="2026-02-10T18:00:00Z")
