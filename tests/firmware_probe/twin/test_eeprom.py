"""What a simulated board remembers, in a file whose name the user typed."""

import os
from pathlib import Path

import pytest

from firmware_probe.twin.eeprom import Eeprom, load_eeprom, save_eeprom


def test_old_or_new_and_nothing_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "board.json"
    save_eeprom(path, Eeprom("7F3A91C2", boot=1))

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        save_eeprom(path, Eeprom("7F3A91C2", boot=2))
    assert load_eeprom(path).boot == 1
    assert [item.name for item in tmp_path.iterdir()] == ["board.json"]


@pytest.mark.skipif(os.name == "nt", reason="links and pipes of POSIX")
def test_a_link_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "board.json"
    for leads_to in ("victim", "not-there"):
        (tmp_path / "victim").write_text("mine")
        path.symlink_to(tmp_path / leads_to)
        with pytest.raises(OSError, match="a link"):
            save_eeprom(path, Eeprom())
        assert (tmp_path / "victim").read_text() == "mine"
        assert not (tmp_path / "not-there").exists()
        path.unlink()


@pytest.mark.skipif(os.name == "nt", reason="links and pipes of POSIX")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "board.json"
    os.mkfifo(path)
    with pytest.raises(ValueError, match="not a file"):
        load_eeprom(path)
    with pytest.raises(OSError, match="no file"):
        save_eeprom(path, Eeprom())


@pytest.mark.parametrize("content", [b"[" * 100_000, b"\xff", b"[1]", b'{"no": 1}', b" " * 70_000])
def test_what_is_no_memory_is_said(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "board.json"
    path.write_bytes(content)
    with pytest.raises(ValueError, match="does not hold"):
        load_eeprom(path)
