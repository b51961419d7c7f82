"""``drawbench flex log``: what it leaves behind when it cannot begin."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.base.errors import BenchError
from logger.commands.flex_log import flex_log


def test_no_board_no_folder(tmp_path: Path) -> None:
    folder = tmp_path / "runs" / "rig"
    arguments = [
        str(folder),
        "--specimen",
        "a=solid",
        "--cycles",
        "5",
        "--port",
        str(tmp_path / "no-port"),
    ]
    with pytest.raises(BenchError):
        CliRunner().invoke(flex_log, arguments, catch_exceptions=False)
    assert not folder.exists()
    assert not folder.parent.exists()


def test_a_taken_folder_is_refused_before_a_board_is_looked_for(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(BenchError, match="is not empty"):
        CliRunner().invoke(
            flex_log,
            [str(tmp_path), "--specimen", "a=solid", "--port", "no-port"],
            catch_exceptions=False,
        )
    assert (tmp_path / "letter.txt").read_text() == "mine"
