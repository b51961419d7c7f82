"""A run that is corrected while the page shows it: the page says what it says now."""

from pathlib import Path

from analysis.commands.watch import results_for
from logger.edit.changes import Changes
from logger.edit.edit import edit_run, undo
from logger.page.bench import Bench
from tests.support.hostile_runs import sound_run
from tests.support.page_bench import page_run


def test_the_page_follows_an_edit(tmp_path: Path) -> None:
    folder = sound_run(tmp_path / "run")
    run = page_run(folder, results=results_for)
    bench = Bench([run])
    bench.watch("r1", 1)

    def shown() -> tuple[str, int, float]:
        for _ in range(3):
            bench.poll()
        state = bench.state(run)
        return state["results"]["answer"], state["rows"], state["elapsed_s"]

    answer, rows, last_s = shown()
    assert "15.1 s" in answer
    assert (rows, last_s) == (400, 40.0)
    edit_run(folder, Changes(title="new", trim=("10s", "30s")))
    answer, rows, last_s = shown()
    assert "5.05 s" in answer
    assert (rows, last_s) == (200, 20.0)
    assert bench.state(run)["title"] == "new"
    assert bench.state(run)["results"]["warnings"][0].startswith("Trimmed: ")
    undo(folder)
    assert shown()[1:] == (400, 40.0)
