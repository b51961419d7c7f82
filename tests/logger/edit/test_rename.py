"""A run's folder under another name: never over anything, with all that is in it."""

import os
from pathlib import Path

import pytest

from logger.base.errors import BenchError
from logger.edit import edit as editing
from logger.edit.edit import description_now
from logger.edit.rename import give_name
from logger.run.format import SAMPLES_NAME
from logger.run.writer import SampleWriter
from tests.support.page_bench import make_run


@pytest.fixture
def run(tmp_path: Path) -> Path:
    run = make_run(tmp_path / "run", state="ended")
    (run / "report").mkdir()
    (run / "report" / "report.html").write_text("page")
    return run


def test_all_goes_along(run: Path) -> None:
    done = give_name(run, "Vest 3 (blue)")
    assert done.folder == run.parent / "Vest 3 (blue)"
    assert (done.folder / "report" / "report.html").read_text() == "page"
    assert not run.exists()
    assert description_now(done.folder)[1].history[-1].changed == {"name": ["run", "Vest 3 (blue)"]}


# Names: Microsoft, "Naming Files, Paths, and Namespaces" (from memory).
@pytest.mark.parametrize(
    "name",
    ["", ".", "..", "a/b", "../x", "a\\b", "nul", "COM1.old", "17:30", "x.", "x ", "a\x1bb", "-x", "x" * 201, "a|b", "a?"],
)  # fmt: skip
def test_names_that_some_system_cannot_hold_are_refused(run: Path, name: str) -> None:
    with pytest.raises(BenchError, match="cannot be called"):
        give_name(run, name)
    assert (run / SAMPLES_NAME).is_file()


def test_a_disk_that_takes_no_history_leaves_the_old_name(
    run: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(editing, "replace_document", full)
    with pytest.raises(BenchError, match="run cannot be given the name vest") as caught:
        give_name(run, "vest")
    assert "No space left" in str(caught.value.evidence)
    assert [item.name for item in run.parent.iterdir()] == ["run"]


def test_nothing_is_written_over(run: Path) -> None:
    taken = [run.parent / name for name in ("folder", "file", "dangling")]
    taken[0].mkdir()
    taken[1].write_text("theirs")
    if os.name == "posix":
        taken[2].symlink_to("nowhere")
    for path in taken[: 3 if os.name == "posix" else 2]:
        with pytest.raises(BenchError, match="already"):
            give_name(run, path.name)
    with pytest.raises(BenchError, match="already"):
        give_name(run, "run")
    assert taken[1].read_text() == "theirs"
    assert (run / SAMPLES_NAME).is_file()


@pytest.mark.skipif(os.name != "posix", reason="links")
def test_a_link_is_not_renamed(run: Path) -> None:
    link = run.parent / "link"
    link.symlink_to(run)
    with pytest.raises(BenchError, match="is a link"):
        give_name(link, "new")


@pytest.mark.slow
def test_what_is_being_recorded_keeps_its_name(tmp_path: Path) -> None:
    run = tmp_path / "run"
    run.mkdir()
    writer = SampleWriter(run)
    try:
        make_run(tmp_path / "other")
        (tmp_path / "other" / "samples.csv-metadata.json").rename(run / "samples.csv-metadata.json")
        with pytest.raises(BenchError, match="is being recorded"):
            give_name(run, "new")
        assert run.is_dir()
    finally:
        writer.close()
