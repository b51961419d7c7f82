"""The caution is whole the first time, whatever happens to the note that it was shown."""

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from logger.base.pack import CHEMISTRIES, Pack, brief_caution
from logger.base.said_tonight import FILE_NAME, caution_words

EVENING = datetime(2026, 1, 10, 20, 0, tzinfo=UTC)
LAMP = Pack("li-ion")


def say(folder: Path, at: datetime, command: str = "rundown", pack: Pack = LAMP) -> str:
    return caution_words(command, str(pack), pack.caution, now=lambda: at, folder=lambda: folder)


def is_whole(words: str) -> bool:
    return LAMP.caution in words


def test_once_per_command_and_evening(tmp_path: Path) -> None:
    assert is_whole(say(tmp_path, EVENING))
    later = say(tmp_path, EVENING + timedelta(hours=11))
    assert not is_whole(later)
    assert later.startswith("Caution, 1x li-ion: Never alone without a hardware cutoff")
    assert is_whole(say(tmp_path, EVENING, "budget"))
    assert is_whole(say(tmp_path, EVENING + timedelta(hours=12)))
    # Another computer's zone, the same moment.
    east = (EVENING + timedelta(hours=13)).astimezone(timezone(timedelta(hours=9)))
    assert not is_whole(say(tmp_path, east))
    # A clock that was set back tells nothing about what was shown.
    assert is_whole(say(tmp_path, EVENING - timedelta(days=400)))


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "3", '{"a": 5}', '{"a": "yesterday"}', '{"a": "2026-01-10T20:00"}']
)
def test_a_damaged_note_hides_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE_NAME).write_text(text)
    assert is_whole(say(tmp_path, EVENING))
    assert not is_whole(say(tmp_path, EVENING))


def test_where_nothing_can_be_kept_it_is_always_whole(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for _ in range(2):
        assert is_whole(say(tmp_path / "file" / "kept", EVENING))
    (tmp_path / FILE_NAME).mkdir()
    for _ in range(2):
        assert is_whole(say(tmp_path, EVENING))


def test_old_notes_are_thrown_away(tmp_path: Path) -> None:
    for day in range(5):
        say(tmp_path, EVENING + timedelta(days=day), pack=Pack("alkaline", day + 1))
    assert len(json.loads((tmp_path / FILE_NAME).read_text("utf-8"))) == 1


def test_every_kind_of_cell_has_its_line() -> None:
    for name, kind in CHEMISTRIES.items():
        line = brief_caution(Pack(name).caution)
        assert line == kind.brief
        assert 20 < len(line) < 100
        assert len(line) < len(kind.caution)
    # What must never be left out of the line.
    assert all("hardware cutoff" in CHEMISTRIES[name].brief for name in ("li-ion", "lifepo4"))
    assert "kill" in CHEMISTRIES["lithium-coin"].brief
    assert brief_caution("It gets hot. Measure it.") == "It gets hot."
