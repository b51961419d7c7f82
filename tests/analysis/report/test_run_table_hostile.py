"""A stranger's stick: one bad run costs its own row, never the list, the page, the report or the forecast."""

import json
import os
import random
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from analysis.commands.watch import Found
from analysis.forecast.earlier_runs import earlier_runs
from analysis.report import digest
from analysis.report.run_table import as_csv, read_lines, shown
from logger.base.errors import BenchError
from logger.page.bench import Bench, Known
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME
from logger.run.reader import read_run
from logger.run.run_list import described, find_runs
from tests.support.hostile_runs import IS_ROOT, STRANGE, hostile_runs, odd_descriptions, sound_run

pytestmark = pytest.mark.skipif(os.name != "posix", reason="plants pipes, sockets and devices")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of runs, all of them bad but the first."""
    folder = tmp_path_factory.mktemp("stick")
    sound = sound_run(folder / "sound")
    shelf = folder / "shelf"
    shutil.copytree(sound, shelf / "a-sound")
    assert len(list(hostile_runs(shelf, sound))) > 30
    return shelf


def within(seconds: float, work: Callable[[], Any]) -> Any:
    """What ``work`` gives; fails if it takes longer, as a pipe that is waited for would for ever."""
    found: list[Any] = []

    def do() -> None:
        try:
            found.append(work())
        except BaseException as error:  # noqa: BLE001 (raised again below)
            found.append(error)

    thread = threading.Thread(target=do, daemon=True)
    thread.start()
    thread.join(seconds)
    assert found, "it hangs"
    if isinstance(found[0], BaseException):
        raise found[0]
    return found[0]


@pytest.mark.slow
def test_every_bad_run_is_a_row(shelf: Path) -> None:
    folders = find_runs((shelf,))
    lines = within(60, lambda: read_lines(folders))
    problems = {line.name: line.problem for line in lines}
    assert problems.pop("a-sound") == ""
    for kind in STRANGE:
        assert problems[f"{SAMPLES_NAME}-{kind}"].startswith("cannot be read: ")
        assert problems[f"{DESCRIPTION_NAME}-{kind}"] == "", "its rows can be read by their header"
    assert problems[f"{SAMPLES_NAME}-pipe"] == (
        "cannot be read: samples.csv is a pipe (FIFO), not a file"
    )
    assert "longer than 4096 MiB" in problems["sparse-samples"]
    table = as_csv(lines)
    assert table.count("\r\n") == len(lines) + 1
    assert all(shown(line, "run") for line in lines)


def test_the_page_shows_them_all(shelf: Path) -> None:
    bench = Bench(Found((shelf,)).look())
    bench.watched = dict.fromkeys(bench.runs, 1)

    def look() -> dict[str, Any]:
        for _ in range(3):
            bench.poll()
        return {
            run.feed.folder.name: json.loads(bench.message(run, Known()) or b"{}")
            for run in bench.runs.values()
        }

    told = within(60, look)
    assert told["a-sound"]["run"]["phase"] == "ended"
    pipe = told[f"{SAMPLES_NAME}-pipe"]["run"]
    assert pipe["phase"] == "cannot be read"
    assert "a pipe (FIFO), not a file" in pipe["trouble"]
    lines = {line.name for line in read_lines(find_runs((shelf,))) if line.problem}
    page = {name for name, state in told.items() if state["run"]["phase"] == "cannot be read"}
    # The page shows the last figures of a row; the list needs enough of them to say something.
    too_few = {f"{SAMPLES_NAME}-{kind}" for kind in ("huge", "one-row", "quotes", "same-time")}
    assert page == lines - too_few


def test_reading_one_is_refused_in_words(shelf: Path) -> None:
    for kind in STRANGE:
        with pytest.raises(BenchError):
            within(10, partial(read_run, shelf / f"{SAMPLES_NAME}-{kind}"))


def test_what_is_not_a_file_is_said_without_numbers_of_errors(shelf: Path) -> None:
    with pytest.raises(BenchError, match="is a pipe") as refused:
        read_run(shelf / f"{SAMPLES_NAME}-pipe")
    assert "that is no recording" in refused.value.next_step
    (said,) = (
        text for text in read_run(shelf / f"{DESCRIPTION_NAME}-pipe").problems if "pipe" in text
    )
    assert "Errno" not in said


def test_a_folder_that_links_show_again_is_one_run(tmp_path: Path) -> None:
    run = sound_run(tmp_path / "runs" / "b")
    (tmp_path / "runs" / "again").symlink_to(tmp_path / "runs")
    (tmp_path / "runs" / "a").symlink_to(run)
    assert find_runs((tmp_path / "runs",)) == [run]
    assert find_runs((tmp_path / "runs" / "a",)) == [tmp_path / "runs" / "a"]


def test_earlier_runs_pass_them_over(shelf: Path) -> None:
    here = described(shelf / "a-sound")
    assert here is not None
    assert within(30, lambda: earlier_runs(shelf / "a-sound", here)) is not None


@pytest.mark.slow
def test_any_field_may_hold_anything(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A few of all pairs of field and oddity, others in every run of the test; all of them: SHARE=1."""
    monkeypatch.setattr(digest, "_keep", lambda *_: None)
    run = sound_run(tmp_path / "run")
    documents = list(odd_descriptions(run))
    share = float(os.environ.get("SHARE", "0.03"))
    assert len(documents) > 700
    for name, document in random.sample(documents, int(share * len(documents))):
        (run / DESCRIPTION_NAME).write_text(json.dumps(document), encoding="utf-8")
        [line] = read_lines([run])
        assert not line.problem, (name, line.problem)
        bench = Bench(Found((run,)).look())
        bench.poll()
        assert bench.message(next(iter(bench.runs.values())), Known()), name


@pytest.mark.parametrize("field", ["results", "last", "rows", "course", "warnings", "count"])
def test_a_digest_that_somebody_changed_costs_its_row_at_most(tmp_path: Path, field: str) -> None:
    run = sound_run(tmp_path / "run")
    read_lines([run])
    path = run / digest.DIGEST_NAME
    kept = json.loads(path.read_bytes())
    odds: tuple[Any, ...] = (
        None,
        "x",
        [],
        {},
        [[]],
        1e308,
        {"lifetime": {"value": "x", "end": []}},
    )
    for odd in odds:
        path.write_text(json.dumps({**kept, field: odd}), encoding="utf-8")
        [line] = read_lines([run])
        assert line.name == "run"
        bench = Bench(Found((run,)).look())
        bench.watched = dict.fromkeys(bench.runs, 1)
        bench.poll()
        assert bench.message(next(iter(bench.runs.values())), Known())


@pytest.fixture
def nobody() -> Iterator[Path]:
    """A folder for somebody who is not root, to whom nothing is hidden."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        folder.chmod(0o755)
        try:
            yield folder
        finally:
            if IS_ROOT:
                os.seteuid(0)
            for item in folder.rglob("*"):
                item.chmod(0o700)


def test_a_folder_that_may_not_be_looked_into_is_a_row(nobody: Path) -> None:
    for name in ("a", "b", "c", "group/d"):
        sound_run(nobody / name)
    read_lines([nobody / "a"])  # loads what is needed while it may
    (nobody / "b").chmod(0)
    (nobody / "c" / SAMPLES_NAME).chmod(0)
    (nobody / "group" / "d").chmod(0)
    if IS_ROOT:
        os.seteuid(65534)
    lines = read_lines(find_runs((nobody,)))
    denied = "cannot be read: Permission denied"
    assert [(line.name.split("/")[-1], line.problem) for line in lines] == [
        ("a", ""), ("b", denied), ("c", denied), ("d", denied),
    ]  # fmt: skip
