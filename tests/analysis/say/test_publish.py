"""A file that is in the way is left alone, and what is said fits what was to be written."""

from pathlib import Path

import pytest

from analysis.say.publish import publish
from logger.base.errors import BenchError


def test_pictures_are_not_called_a_report(tmp_path: Path) -> None:
    made, target = tmp_path / "made", tmp_path / "pictures"
    for folder in (made, target):
        folder.mkdir()
    (made / "modes.png").write_bytes(b"ours")
    (target / "modes.png").write_bytes(b"theirs")
    with pytest.raises(BenchError, match=r"modes\.png") as foreign:
        publish(made, target, what="The pictures")
    assert (target / "modes.png").read_bytes() == b"theirs"
    taken = tmp_path / "taken"
    taken.write_text("a file", encoding="utf-8")
    with pytest.raises(BenchError, match="The pictures cannot be written") as no_folder:
        publish(made, taken, what="The pictures")
    for told in (foreign, no_folder):
        assert "another folder" in told.value.next_step
        assert "report" not in str(told.value)
