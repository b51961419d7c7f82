"""Is there room on the disk of a run?"""

import os
from collections import namedtuple
from pathlib import Path

import pytest

from logger.run.disk_need import disk_warning, free_bytes
from logger.run.run_folder import RunFolder


def test_one_answer_by_path_by_handle_and_of_a_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[object] = []
    usage = namedtuple("usage", "total used free")

    def disk(place: object) -> usage:
        asked.append(place)
        return usage(10**9, 0, 12_345_678)

    monkeypatch.setattr("shutil.disk_usage", disk)
    with RunFolder(tmp_path) as folder:
        assert folder.free_bytes() == free_bytes(tmp_path) == 12_345_678
    assert asked[1] == tmp_path


@pytest.mark.skipif(os.name == "nt", reason="what POSIX says of a file system")
def test_room_is_what_a_user_may_take() -> None:
    # A file system that nobody writes to, so that both numbers are of the same moment.
    place = Path("/dev") if Path("/dev").is_dir() else Path("/")
    found = os.statvfs(place)
    assert free_bytes(place) == found.f_bavail * found.f_frsize
    handle = os.open(place, os.O_RDONLY)
    try:
        assert free_bytes(handle) == free_bytes(place)
    finally:
        os.close(handle)


def test_what_cannot_be_told_is_no_warning(tmp_path: Path) -> None:
    assert free_bytes(tmp_path / "gone") is None
    assert disk_warning(tmp_path / "gone", 0.1, 36_000.0) == ""
