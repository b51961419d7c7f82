"""Durable appending, on real file systems: full ones, read-only ones, vanished ones."""

import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.base.errors import BenchError
from logger.recording.resume import read_last_row
from logger.run.writer import HEADER, RESERVE_NAME, SampleWriter, cut_torn_row

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


@pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be removed there")
def test_a_removed_file_that_cannot_come_back_yet(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    writer = SampleWriter(folder)
    writer.append(rows(0, 5))
    writer.sync()
    shutil.rmtree(folder)
    folder.write_text("in the way")
    writer.append(rows(5, 5))
    writer.sync()
    writer.sync()
    assert writer.trouble
    writer.append(rows(10, 5))
    folder.unlink()
    writer.sync()
    assert not writer.trouble
    assert numbers(folder / "samples.csv") == list(range(15))
    writer.close()


@pytest.mark.skipif(sys.platform == "win32", reason="an open folder cannot be moved there")
def test_a_moved_folder_is_noted_once(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    writer = SampleWriter(folder)
    folder.rename(tmp_path / "elsewhere")
    for number in range(3):
        writer.append(rows(number, 1))
        writer.sync()
    writer.close()
    assert numbers(tmp_path / "elsewhere" / "samples.csv") == [0, 1, 2]
    assert len(writer.notices) == 1


def test_a_full_disk_by_rlimit_keeps_what_fits(tmp_path: Path) -> None:
    """RLIMIT_FSIZE gives EFBIG (and SIGXFSZ, which Python ignores) in the middle of a row."""
    limit = 20_000
    code = f"""
import resource, sys
from pathlib import Path
from logger.run.writer import SampleWriter
from tests.logger.run.test_writer import rows
writer = SampleWriter(Path(sys.argv[1]))
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
for number in range(1000):
    writer.append(rows(number, 1))
assert writer.full
print(writer.notices[-1])
writer.close()
"""
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "disk is full" in done.stdout
    kept = numbers(tmp_path / "samples.csv")
    assert kept == list(range(len(kept)))
    assert limit - len(rows(999, 1)) <= (tmp_path / "samples.csv").stat().st_size <= limit
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
def test_a_small_disk_that_fills(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    with mounted(disk, "-t", "tmpfs", "-o", "size=256k", "tmpfs"):
        writer = SampleWriter(disk)
        number = 0
        while not writer.full:
            writer.append(rows(number, 7))
            number += 7
        kept = numbers(disk / "samples.csv")
        assert kept == list(range(len(kept)))
        assert len(kept) < number
        assert not (disk / RESERVE_NAME).exists()
        # The reserve was given back: there is room for the description.
        (disk / "samples.csv-metadata.json").write_bytes(b"x" * 40_000)
        writer.close()


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
            assert "kept in memory" in writer.notices[0]
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
            assert writer.rows_dropped == 0
    finally:
        subprocess.run(["losetup", "-d", device], check=False)


@needs_mounting
def test_a_disk_that_never_returns_has_its_rows_rescued(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rescue = tmp_path / "rescue"
    rescue.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(rescue))
    disk = tmp_path / "disk"
    with mounted(disk, "-t", "tmpfs", "tmpfs"):
        writer = SampleWriter(disk, buffer_max_bytes=20 * len(rows(1000, 1)))
        writer.append(rows(1000, 10))
        writer.sync()
        os.close(writer._fd)  # as if the device under it were gone: EBADF
        writer._fd = os.open("/dev/full", os.O_RDONLY)
        for number in range(1010, 1060):
            writer.append(rows(number, 1))
    writer.sync()
    writer.close()
    assert writer.rows_dropped == 30
    assert len(numbers(next(rescue.glob("*.csv")))) == 20
    assert "put into" in writer.notices[-1]
