"""Names that a stranger prepared: nothing is written through them, nothing is waited for."""

import errno
import os
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.base import safe_files
from logger.base.safe_files import (
    Folder,
    create_file,
    is_leftover,
    open_to_read,
    read_whole,
    replace_file,
)

pytestmark = pytest.mark.skipif(os.name != "posix", reason="plants POSIX links and pipes")


def names(folder: Path) -> list[str]:
    return sorted(item.name for item in folder.iterdir())


@pytest.fixture
def outside(tmp_path: Path) -> Iterator[Path]:
    """Somebody else's file, which must stay as it is."""
    path = tmp_path / "theirs.txt"
    path.write_bytes(b"theirs")
    path.chmod(0o640)
    yield path
    assert path.read_bytes() == b"theirs"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


@pytest.fixture
def run(tmp_path: Path) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    return folder


@pytest.fixture(params=["by handle", "by path"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Windows has no handles of folders."""
    monkeypatch.setattr(safe_files, "_BY_HANDLE", request.param == "by handle")
    return str(request.param)


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("plant", [os.symlink, os.link])
def test_a_link_or_second_name_is_replaced_itself(
    run: Path, outside: Path, plant: Callable[[Path, Path], None]
) -> None:
    plant(outside, run / "report.md")
    replace_file(run / "report.md", b"ours")
    assert (run / "report.md").read_bytes() == b"ours"
    assert not (run / "report.md").is_symlink()
    assert names(run) == ["report.md"]


@pytest.mark.usefixtures("way")
def test_a_dangling_link_makes_no_file_elsewhere(run: Path, tmp_path: Path) -> None:
    (run / "a").symlink_to(tmp_path / "new")
    (run / "b").symlink_to(tmp_path / "new")
    replace_file(run / "a", b"ours")
    with pytest.raises(FileExistsError):
        create_file(run / "b", b"ours")
    with Folder(run) as folder, pytest.raises(OSError, match="a link to another file"):
        folder.append_to("b", create=True)
    assert not (tmp_path / "new").exists()


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("plant", [os.mkfifo, os.mkdir])
def test_a_pipe_or_a_folder_is_refused_in_words_at_once(
    run: Path, plant: Callable[[Path], None]
) -> None:
    plant(run / "x")
    with pytest.raises(OSError, match=r"x is a (pipe \(FIFO\)|folder), not a file"):
        replace_file(run / "x", b"ours")
    with pytest.raises(OSError, match="not a file"):
        read_whole(run / "x")
    with Folder(run) as folder:
        with pytest.raises(OSError, match="not a file"):
            folder.append_to("x", create=True)
        with pytest.raises(OSError, match="not a file"):
            folder.open_to_read("x")
    assert names(run) == ["x"]


@pytest.mark.usefixtures("way")
def test_nothing_is_appended_to_a_file_that_has_another_name(run: Path, outside: Path) -> None:
    os.link(outside, run / "samples.csv")
    with Folder(run) as folder, pytest.raises(OSError, match="hard link"):
        folder.append_to("samples.csv")


@pytest.mark.usefixtures("way")
def test_a_file_of_ours_is_appended_to(run: Path) -> None:
    for text in (b"one", b"two"):
        with Folder(run) as folder, os.fdopen(folder.append_to("x", create=True), "ab") as stream:
            stream.write(text)
    assert (run / "x").read_bytes() == b"onetwo"


@pytest.mark.usefixtures("way")
def test_a_folder_that_is_a_link_is_not_entered(run: Path, tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    (run / "report").symlink_to(tmp_path / "home")
    with Folder(run) as folder, pytest.raises(OSError, match="a link to another folder"):
        folder.inside("report")
    with Folder(run) as folder, folder.inside("sheet") as sheet:
        sheet.replace("a.pdf", b"ours")
    assert (run / "sheet" / "a.pdf").read_bytes() == b"ours"


def test_a_folder_exchanged_while_it_is_open_is_left_alone(run: Path, tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    with Folder(run) as folder:
        run.rename(tmp_path / "away")
        run.symlink_to(tmp_path / "home")
        folder.replace("report.md", b"ours")
    assert names(tmp_path / "home") == []
    assert (tmp_path / "away" / "report.md").read_bytes() == b"ours"


@pytest.mark.usefixtures("way")
def test_a_failure_leaves_the_old_file_and_nothing_else(run: Path) -> None:
    (run / "x").write_bytes(b"old")

    def fail() -> None:
        with Folder(run) as folder, folder.replacing("x") as stream:
            stream.write(b"half")
            assert [name for name in names(run) if is_leftover(name)]
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert names(run) == ["x"]
    assert (run / "x").read_bytes() == b"old"


def test_a_name_that_a_user_typed_is_left_alone_where_it_is_a_link(
    run: Path, outside: Path
) -> None:
    (run / "out.csv").symlink_to(outside)
    with pytest.raises(OSError, match="a link"):
        replace_file(run / "out.csv", b"ours", own=False)
    assert (run / "out.csv").is_symlink()


def test_a_device_is_never_opened_nor_replaced(run: Path) -> None:
    for path in (Path("/dev/null"), Path("/dev/zero")):
        with pytest.raises(OSError, match="a device, not a file"):
            read_whole(path)
        with pytest.raises(OSError, match="a device, not a file"):
            replace_file(path, b"ours")
        assert stat.S_ISCHR(path.stat().st_mode)


def test_reading_follows_a_link_and_stops_at_a_length(run: Path, outside: Path) -> None:
    (run / "x").symlink_to(outside)
    assert read_whole(run / "x") == b"theirs"
    with open_to_read(run / "x") as stream:
        assert stream.read() == b"theirs"
    with pytest.raises(OSError, match="longer than 5 bytes") as raised:
        read_whole(run / "x", 5)
    assert raised.value.errno == errno.EFBIG


def test_a_path_is_no_name(run: Path) -> None:
    with Folder(run) as folder:
        for name in ("", ".", "..", "../x", "/x"):
            with pytest.raises(OSError, match="not the name of a file"):
                folder.replace(name, b"ours")


def test_every_name_is_announced(run: Path) -> None:
    heard: list[str] = []
    listening = [True]

    def hook(event: str, told: tuple[object, ...]) -> None:
        if listening and event == safe_files.MADE:
            heard.append(str(told[0]))

    sys.addaudithook(hook)
    replace_file(run / "a", b"")
    create_file(run / "b", b"")
    listening.clear()
    assert heard == [str(run / "a"), str(run / "b")]
