"""Page and forecast follow a run whose folder is moved, and whose file another program takes."""

import os
from pathlib import Path

import pytest

from logger.run.feed import RunFeed
from logger.run.store import write_description
from logger.run.writer import SampleWriter
from tests.logger.run.test_writer import measured
from tests.support.runs_by_formula import BOARD

pytestmark = pytest.mark.skipif(os.name == "nt", reason="an open folder cannot be moved there")


def caught_up(feed: RunFeed) -> int:
    while feed.poll():
        pass
    assert feed.problem == ""
    return feed.rows


def begun(folder: Path) -> tuple[SampleWriter, RunFeed]:
    folder.mkdir()
    writer = SampleWriter(folder)
    write_description(folder, BOARD, ["time_s"])
    return writer, RunFeed(folder)


def test_a_moved_folder_is_followed(tmp_path: Path) -> None:
    writer, feed = begun(tmp_path / "run")
    writer.append(measured(0))
    assert caught_up(feed) == 1
    (tmp_path / "run").rename(tmp_path / "vest")
    (tmp_path / "run").mkdir()  # another run under the old name
    (tmp_path / "run" / "samples.csv").write_text("time_s,pack_v\r\n1.0,2.0\r\n")
    writer.append(measured(1) + measured(2))
    assert caught_up(feed) == 3
    assert feed.folder == tmp_path / "vest"
    assert feed.latest.time_s == 2.1
    writer.close()


def test_rows_are_shown_once_when_their_file_is_replaced(tmp_path: Path) -> None:
    writer, feed = begun(tmp_path / "run")
    for number in range(5):
        writer.append(measured(number))
    assert caught_up(feed) == 5
    path = tmp_path / "run" / "samples.csv"
    (tmp_path / "saved").write_text("time_s;pack_v\r\n1;2\r\n")
    (tmp_path / "saved").replace(path)
    writer.append(measured(5))
    assert caught_up(feed) == 6
    writer.append(measured(6))
    writer.close()  # put together again
    assert caught_up(feed) == 7
    assert feed.latest.time_s == 6.1


def test_a_deleted_folder_that_is_made_again_is_followed(tmp_path: Path) -> None:
    writer, feed = begun(tmp_path / "run")
    writer.append(measured(0))
    assert caught_up(feed) == 1
    for item in (tmp_path / "run").iterdir():
        item.unlink()
    (tmp_path / "run").rmdir()
    writer.append(measured(1))
    writer.append(measured(2))
    caught_up(feed)
    assert caught_up(feed) == 3
    writer.close()
