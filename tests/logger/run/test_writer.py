"""Durable appending, on real file systems: full ones, read-only ones, vanished ones."""

import errno
import os
import resource
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from logger.base.errors import BenchError
from logger.recording.resume import read_last_row
from logger.run.open_file import cut_torn_row
from logger.run.pieces import rows_file
from logger.run.reader import read_run
from logger.run.rescue import RESERVE_NAME
from logger.run.writer import HEADER, SampleWriter

needs_mounting = pytest.mark.skipif(
    sys.platform != "linux" or os.geteuid() != 0 or shutil.which("mkfs.ext4") is None,
    reason="mounts file systems: Linux, root and mkfs.ext4",
)


def rows(first: int, count: int) -> bytes:
    return b"".join(
        b"%d.100000,%d,17,94,4.500000,4.500000,4.495000,50.0000,50.0000,50.0000,%d.000000,0.000000\r\n"
        % (number, number, number)
        for number in range(first, first + count)
    )


def numbers(path: Path) -> list[int]:
    """Sequence numbers in the file; fails on a row that is not whole."""
    lines = path.read_bytes().split(b"\r\n")
    assert lines[0] + b"\r\n" == HEADER
    assert lines[-1] == b""
    assert {line.count(b",") for line in lines[1:-1]} <= {11}
    return [int(line.split(b",")[1]) for line in lines[1:-1]]


def test_rows_are_with_the_system_at_once_and_stay(tmp_path: Path) -> None:
    writer = SampleWriter(tmp_path)
    writer.append(rows(0, 3))
    assert numbers(tmp_path / "samples.csv") == [0, 1, 2]
    writer.sync()
    writer.append(rows(3, 1))
    writer.close()
    assert numbers(tmp_path / "samples.csv") == [0, 1, 2, 3]
    assert [item.name for item in tmp_path.iterdir()] == ["samples.csv"]


def test_a_second_writer_is_refused_and_told_who(tmp_path: Path) -> None:
    writer = SampleWriter(tmp_path)
    code = (
        "from pathlib import Path; import sys; from logger.run.writer import SampleWriter;"
        "SampleWriter(Path(sys.argv[1]), resume=True)"
    )
    other = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert "Another logger is recording" in other.stderr
    assert f"process {os.getpid()}" in other.stderr
    writer.close()
    SampleWriter(tmp_path, resume=True).close()


def test_a_run_is_never_written_over(tmp_path: Path) -> None:
    SampleWriter(tmp_path).close()
    with pytest.raises(BenchError, match="cannot be written"):
        SampleWriter(tmp_path)


def test_resume_cuts_the_torn_row_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "samples.csv"
    path.write_bytes(HEADER + rows(0, 2) + rows(2, 1)[:37])
    writer = SampleWriter(tmp_path, resume=True)
    assert writer.torn == rows(2, 1)[:37]
    last = read_last_row(tmp_path)
    assert last is not None
    assert (last.sequence, last.rows, last.peak_ma) == (1, 2, 50.0)
    writer.append(rows(2, 1))
    writer.close()
    assert numbers(path) == [0, 1, 2]


def test_a_torn_row_is_told_from_a_bad_one(tmp_path: Path) -> None:
    path = tmp_path / "samples.csv"
    path.write_bytes(HEADER + rows(0, 2) + b"1.0,what,17\r\n")
    writer = SampleWriter(tmp_path, resume=True)
    assert writer.torn == b""
    with pytest.raises(BenchError, match=r"last row .* damaged"):
        read_last_row(tmp_path)
    writer.close()
    assert path.read_bytes().endswith(b"1.0,what,17\r\n")


def test_cut_torn_row_of_a_file_without_a_line(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_bytes(b"time_s,seq")
    fd = os.open(path, os.O_RDWR)
    assert cut_torn_row(fd) == b"time_s,seq"
    os.close(fd)
    assert path.read_bytes() == b""


@pytest.mark.parametrize("content", [None, b"", b"time_s,sequ"])
def test_a_run_that_died_before_its_first_row(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "samples.csv"
    if content is not None:
        path.write_bytes(content)
    writer = SampleWriter(tmp_path, resume=True)
    assert read_last_row(tmp_path) is None
    writer.append(rows(0, 2))
    writer.close()
    assert numbers(path) == [0, 1]


@pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be removed there")
def test_a_removed_file_is_written_anew(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    writer = SampleWriter(folder)
    writer.append(rows(0, 5))
    writer.sync()
    shutil.rmtree(folder)
    writer.append(rows(5, 5))
    writer.sync()
    assert numbers(folder / "samples.csv") == list(range(10))
    assert "nothing is lost" in writer.notices[-1]
    writer.append(rows(10, 1))
    writer.close()
    assert numbers(folder / "samples.csv") == list(range(11))


posix = pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be moved there")


@posix
@pytest.mark.parametrize("noticed_by", ["sync", "append"])
@pytest.mark.parametrize("error", [None, errno.ENOSPC, errno.EIO])
def test_all_files_of_a_folder_are_removed_but_not_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, noticed_by: str, error: int | None
) -> None:
    """Both copies have lost their names: what they hold is written anew, also if the disk takes it only later."""
    writer = SampleWriter(tmp_path)
    writer.append(rows(0, 5))
    writer.sync()
    writer.append(rows(5, 5))
    for item in list(tmp_path.iterdir()):
        item.unlink()

    def fail(fd: int, data: bytes) -> int:
        raise OSError(error, os.strerror(error or 0))

    with monkeypatch.context() as patch:
        if error:
            patch.setattr("os.write", fail)
        if noticed_by == "append":
            writer.append(rows(10, 2))
        writer.sync()
        writer.sync()
        assert bool(writer.trouble) == bool(error)
    if noticed_by == "sync":
        writer.append(rows(10, 2))
    writer.sync()
    assert not writer.trouble
    writer.append(rows(12, 2))
    writer.close()
    assert numbers(tmp_path / "samples.csv") == list(range(14))
    assert [item.name for item in tmp_path.iterdir()] == ["samples.csv"]
    assert writer.rows_lost == 0


def test_a_deleted_folder_whose_name_is_taken(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    writer = SampleWriter(folder)
    writer.append(rows(0, 5))
    shutil.rmtree(folder)
    folder.write_text("in the way")
    writer.append(rows(5, 5))
    writer.append(rows(10, 5))
    second = tmp_path / "run-rescued-1" / ".samples.second.csv"
    assert numbers(second) == list(range(15))
    writer.close()
    assert folder.read_text() == "in the way"
    assert writer.folder.path == tmp_path / "run-rescued-1"
    assert numbers(tmp_path / "run-rescued-1" / "samples.csv") == list(range(15))
    assert "was deleted while recording; the recording is in" in writer.notices[0]


@posix
def test_a_run_whose_files_were_removed_from_a_full_disk_is_rescued_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, elsewhere = _made(tmp_path / "run"), _made(tmp_path / "elsewhere")
    monkeypatch.setattr("tempfile.tempdir", str(elsewhere))
    monkeypatch.setattr("logger.run.rescue._device", lambda path: 0)
    writer = SampleWriter(folder)
    writer.append(rows(0, 5))
    writer.sync()
    for item in list(folder.iterdir()):
        item.unlink()

    def fail(fd: int, data: bytes) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr("os.write", fail)
        writer.append(rows(5, 2))
        writer.close()
    assert Path(writer.rescued).parent == elsewhere
    assert numbers(Path(writer.rescued)) == list(range(7))
    assert "7 rows could not be written" in writer.notices[-1]


@posix
def test_a_file_that_is_replaced_at_the_very_end(tmp_path: Path) -> None:
    """After the last look and before the second copy is taken away."""
    writer = SampleWriter(tmp_path)
    writer.append(rows(0, 5))
    writer.sync()
    look = writer._copies.look

    def last_look() -> None:
        look()
        _replace(tmp_path / "samples.csv")

    writer._copies.look = last_look  # type: ignore[method-assign]
    writer.close()
    assert numbers(tmp_path / "samples.csv") == list(range(5))
    assert "samples.csv holds the rows as they were recorded again" in writer.notices[-1]


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC])
@pytest.mark.parametrize("then_full", [False, True])
def test_rows_that_a_sync_did_not_bring_to_the_disk_are_written_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, then_full: bool
) -> None:
    """After a failed fsync the system may have thrown the pages away (fsync(2): EIO, ENOSPC)."""
    writer = SampleWriter(tmp_path)
    path = tmp_path / "samples.csv"
    writer.append(rows(0, 5))
    writer.sync()
    durable = path.stat().st_size
    writer.append(rows(5, 5))

    def fail(fd: int, *more: object) -> int:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr("os.fsync", fail)
        writer.sync()
    os.truncate(path, durable)  # thrown away
    writer.append(rows(10, 2))
    if then_full:
        with monkeypatch.context() as patch:
            patch.setattr("os.pwrite", fail)
            writer.sync()
        assert writer.trouble
    writer.sync()
    assert not writer.trouble
    for first in (12, 14):
        writer.append(rows(first, 2))
        writer.sync()
    writer.close()
    assert numbers(path) == list(range(16))
    assert [item.name for item in tmp_path.iterdir()] == ["samples.csv"]
    assert writer.notices[-1] == "the disk takes rows again; none was lost"


@posix
def test_a_moved_folder_is_followed_and_said_once(tmp_path: Path) -> None:
    folder, there = tmp_path / "run", tmp_path / "elsewhere" / "deep"
    folder.mkdir()
    there.parent.mkdir()
    writer = SampleWriter(folder)
    folder.rename(there)
    next_run = SampleWriter(_made(folder))
    for number in range(3):
        writer.append(rows(number, 1))
        writer.sync()
    next_run.close()
    writer.close()
    assert numbers(there / "samples.csv") == [0, 1, 2]
    assert numbers(folder / "samples.csv") == []
    assert list(writer.notices) == [
        f"the run's folder was moved while recording; the recording goes on in {there}"
    ]
    assert sorted(item.name for item in there.iterdir()) == ["samples.csv"]


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def _replace(path: Path) -> None:
    """As a spreadsheet saves: another file takes the name."""
    fresh = path.with_name("~saved")
    fresh.write_bytes(b"time_s;pack_v\r\n1;2\r\n")
    fresh.replace(path)


def _cut(path: Path) -> None:
    os.truncate(path, 300)


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _written_to(path: Path) -> None:
    with path.open("ab") as stream:
        stream.write(b"total;;;\r\n")


def _changed_in_place(path: Path) -> None:
    data = path.read_bytes()
    path.write_bytes(data[:200] + b"9" + data[201:])


SPOILS = [_replace, _cut, _empty, _written_to, _changed_in_place]


@posix
@pytest.mark.parametrize("spoil", SPOILS)
def test_another_program_has_its_hands_on_the_file(
    tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    """Said at the next sync, nothing lost or doubled, and what it had saved is kept."""
    writer = SampleWriter(tmp_path)
    path = tmp_path / "samples.csv"
    for number in range(10):
        writer.append(rows(number, 1))
    writer.sync()
    spoil(path)
    theirs = path.read_bytes()
    writer.sync()
    assert (
        "while recording; the rows go into samples.recorded.csv now, nothing is lost"
        in (writer.notices[0])
    )
    assert rows_file(tmp_path)[0].name == "samples.recorded.csv"
    writer.append(rows(10, 5))
    assert numbers(rows_file(tmp_path)[0]) == list(range(15))
    spoil(tmp_path / "samples.recorded.csv")  # and once more
    writer.append(rows(15, 5))
    writer.close()
    assert numbers(path) == list(range(20))
    kept = sorted(tmp_path.glob("samples.saved-by-another-*.csv"))
    assert theirs in [each.read_bytes() for each in kept]
    assert sorted(tmp_path.iterdir()) == [path, *kept]
    assert rows_file(tmp_path) == (path, "")


@posix
@pytest.mark.parametrize("spoil", SPOILS)
@pytest.mark.parametrize("noticed", [False, True])
def test_a_crash_while_another_program_has_the_file(
    tmp_path: Path, spoil: Callable[[Path], None], noticed: bool
) -> None:
    """Killed before or after it was noticed: read as one run, and taken up again as one."""
    if (child := os.fork()) == 0:
        try:
            writer = SampleWriter(tmp_path)
            for number in range(0, 200, 4):
                writer.append(rows(number, 4))
            spoil(tmp_path / "samples.csv")
            if noticed:
                writer.sync()
                writer.append(rows(200, 3))
        finally:
            os.kill(os.getpid(), signal.SIGKILL)
    os.waitpid(child, 0)
    stored = list(range(203 if noticed else 200))
    found = read_run(tmp_path)
    assert found.samples["sequence"].tolist() == stored
    writer = SampleWriter(tmp_path, resume=True)
    writer.append(rows(300, 1))
    writer.close()
    assert numbers(tmp_path / "samples.csv") == [*stored, 300]
    assert "holds the rows as they were recorded again" in writer.notices[0]


def test_a_file_that_windows_lends_to_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A spreadsheet holds it: writing is refused; at the end it still cannot be renamed."""
    writer = SampleWriter(tmp_path)
    writer.append(rows(0, 3))
    held = (tmp_path / "samples.csv").stat().st_ino
    real_write, real_rename = os.write, os.rename

    def write(fd: int, data: bytes) -> int:
        if os.fstat(fd).st_ino == held:
            raise PermissionError(errno.EACCES, "Permission denied")
        return real_write(fd, data)

    def rename(name: str, other: str, **folders: int) -> None:
        if "samples.csv" in (name, other):
            raise PermissionError(errno.EACCES, "Permission denied")
        real_rename(name, other, **folders)

    monkeypatch.setattr("os.write", write)
    monkeypatch.setattr("os.rename", rename)
    writer.append(rows(3, 3))
    assert "samples.csv is held by another program" in writer.notices[0]
    writer.append(rows(6, 1))
    writer.close()
    assert "stay in samples.recorded.csv" in writer.notices[-1]
    monkeypatch.undo()
    assert read_run(tmp_path).samples["sequence"].tolist() == list(range(7))
    writer = SampleWriter(tmp_path, resume=True)
    writer.close()
    assert numbers(tmp_path / "samples.csv") == list(range(7))


@pytest.mark.slow
def test_a_full_disk_by_rlimit_keeps_rows_in_memory(tmp_path: Path) -> None:
    """RLIMIT_FSIZE gives EFBIG (and SIGXFSZ, which Python ignores) in the middle of a row."""
    limit = 20_000
    code = f"""
import resource, sys
from pathlib import Path
from logger.run.writer import SampleWriter
from tests.logger.run.test_writer import numbers, rows
writer = SampleWriter(Path(sys.argv[1]))
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, resource.RLIM_INFINITY))
for number in range(1000):
    writer.append(rows(number, 1))
    if number % 100 == 0: writer.sync()
print(writer.words)
kept = numbers(Path(sys.argv[1]) / "samples.csv")
assert kept == list(range(len(kept))), kept
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
writer.sync()
print(writer.notices[-1])
writer.append(rows(1000, 1))
writer.close()
"""
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    words, last = done.stdout.splitlines()
    assert words.startswith("The disk is full (File too large): make room on it.")
    assert "rows wait in memory" in words
    assert last == "the disk takes rows again; none was lost"
    assert numbers(tmp_path / "samples.csv") == list(range(1001))
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] == resource.RLIM_INFINITY


@contextmanager
def mounted(folder: Path, *arguments: str) -> Iterator[None]:
    folder.mkdir(exist_ok=True)
    subprocess.run(["mount", *arguments, str(folder)], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False, stderr=subprocess.DEVNULL)


@needs_mounting
def test_a_small_disk_that_fills_and_is_made_room_on(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    with mounted(disk, "-t", "tmpfs", "-o", "size=512k", "tmpfs"):
        ballast = disk / "ballast"
        ballast.write_bytes(b"x" * 200_000)
        writer = SampleWriter(_made(disk / "run"))
        number = 0
        while not writer.trouble:
            writer.append(rows(number, 7))
            number += 7
        writer.append(rows(number, 100))
        kept = numbers(disk / "run" / "samples.csv")
        assert kept == list(range(len(kept)))
        assert len(kept) < number
        # The reserve was given back: there is room for the description.
        assert not (disk / "run" / RESERVE_NAME).exists()
        (disk / "run" / "samples.csv-metadata.json").write_bytes(b"x" * 40_000)
        writer.sync()
        assert writer.trouble
        ballast.unlink()
        writer.sync()
        assert not writer.trouble
        writer.close()
        assert numbers(disk / "run" / "samples.csv") == list(range(number + 100))


@needs_mounting
def test_a_disk_that_stays_full_has_its_rows_rescued_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder for temporary files lies on the same full disk: another one is found."""
    disk, home = tmp_path / "disk", _made(tmp_path / "home")
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.chdir(home)
    with mounted(disk, "-t", "tmpfs", "-o", "size=256k", "tmpfs"):
        monkeypatch.setattr("tempfile.tempdir", str(disk))
        writer = SampleWriter(_made(disk / "run"))
        writer.append(rows(0, 4000))
        writer.append(rows(4000, 10))
        writer.close()
        stored = numbers(disk / "run" / "samples.csv")
    rescued = Path(writer.rescued)
    assert rescued.parent == home
    assert sorted(stored + numbers(rescued)) == list(range(4010))
    assert "were put into" in writer.notices[-1]


@needs_mounting
def test_a_disk_that_turns_read_only_is_pulled_and_comes_back(tmp_path: Path) -> None:
    """A real ext4 that stops itself after an error, is unmounted, repaired and mounted again."""
    image, disk = tmp_path / "image", tmp_path / "disk"
    with image.open("wb") as stream:
        stream.truncate(16 * 1024 * 1024)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True)
    device = subprocess.run(
        ["losetup", "-f", "--show", str(image)], check=True, capture_output=True, text=True
    ).stdout.strip()
    try:
        with mounted(disk, "-o", "errors=remount-ro", device):
            writer = SampleWriter(disk)
            writer.append(rows(0, 100))
            writer.sync()
            trigger = Path("/sys/fs/ext4") / Path(device).name / "trigger_fs_error"
            trigger.write_text("test")
            for number in range(100, 200):
                writer.append(rows(number, 1))
            writer.sync()
            assert writer.trouble
            assert any("kept in memory" in text for text in writer.notices)
            writer.append(rows(200, 50))
            writer.sync()
            assert writer.trouble
        writer.sync()  # lets go of the old disk
        subprocess.run(["e2fsck", "-fy", device], check=False, capture_output=True)
        with mounted(disk, device):
            writer.append(rows(250, 50))
            writer.sync()
            assert not writer.trouble
            writer.append(rows(300, 1))
            writer.close()
            assert numbers(disk / "samples.csv") == list(range(301))
            assert writer.rows_lost == 0
    finally:
        subprocess.run(["losetup", "-d", device], check=False)


def test_rows_beyond_the_memory_are_joined_and_then_the_run_is_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A night of 10 rows a second on a full disk: means, extremes and counters stay exact."""
    one = len(rows(1000, 1))
    writer = SampleWriter(tmp_path, memory_max_bytes=3000 * one)
    full = OSError(errno.ENOSPC, "No space left on device")

    def refuse(fd: int, data: bytes) -> int:
        raise full

    monkeypatch.setattr("os.write", refuse)
    for number in range(20_000):
        writer.append(measured(number))
    assert not writer.over
    assert "joined with their neighbours" in writer.notices[1]
    monkeypatch.undo()
    writer.sync()
    writer.close()
    table = read_run(tmp_path).samples
    assert len(table) < 3000
    assert table["conversions"].sum() == 20_000 * 94
    assert (table["current_ma"] * table["conversions"]).sum() / (20_000 * 94) == pytest.approx(
        np.mean([10 + n % 7 for n in range(20_000)]), abs=1e-4
    )
    assert table["current_max_ma"].max() == 116.0
    assert table["current_min_ma"].min() == 0.0
    assert table["charge_mah"].tolist() == table["sequence"].tolist()
    assert table["sequence"].iloc[-1] == 19_999


def measured(number: int) -> bytes:
    mean = 10 + number % 7
    return (
        b"%d.100000,%d,17,94,4.500000,4.500000,4.495000,%d.0000,%d.0000,%d.0000,%d.000000,0.000000\r\n"
        % (number, number, mean, mean - 10, mean + 100, number)
    )
