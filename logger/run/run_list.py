"""Runs in a folder."""

import os
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from logger.base.errors import BenchError
from logger.base.safe_files import read_json
from logger.run.description import Description, from_document
from logger.run.edited.part import described_part
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME


def described(folder: Path) -> Description | None:
    """A run's description without its rows, which take far longer to read; None where it cannot be read.

    Of a run that was trimmed: that of the part that counts.
    """
    path = folder / DESCRIPTION_NAME
    try:
        stat = path.stat()
        return _described(
            path, stat.st_dev, stat.st_ino, stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns
        )
    except (OSError, ValueError, AttributeError, TypeError):
        return None


@lru_cache(maxsize=2048)
def _described(path: Path, *state: int) -> Description:
    """Of a file in this state: whoever asks for the runs beside one asks for each of a class as often as there are runs."""
    return described_part(from_document(read_json(path))[0])


def find_runs(paths: tuple[Path, ...]) -> list[Path]:
    """Folders of runs: each path itself, or every run at most two folders below it, by name.

    Raises BenchError if a path is not there or holds no run.
    """
    found: list[Path] = []
    for path in paths:
        if not os.path.exists(path):  # noqa: PTH110 (Path's raises where it may not look)
            raise BenchError(
                f"There is no folder {path}.", next_step="give a run, or a folder of runs."
            )
        if path.name == SAMPLES_NAME:
            path = path.parent
        if os.path.isfile(path / SAMPLES_NAME):  # noqa: PTH113
            found.append(path)
            continue
        inside = sorted(_inside(path, 2))
        if not inside:
            raise BenchError(
                f"{path} holds no run.",
                evidence=f"no {SAMPLES_NAME} in it, nor in the folders below",
                next_step="record one with: drawbench log --page",
            )
        found += inside
    return _once(found)


def _once(found: list[Path]) -> list[Path]:
    """Each folder under one name only: links may show it under several, the shortest that is no link is kept."""
    names: dict[object, list[Path]] = {}
    for path in dict.fromkeys(found):
        try:
            status = path.stat()
        except OSError:
            names[path] = [path]
        else:
            names.setdefault((status.st_dev, status.st_ino), []).append(path)
    return [
        min(same, key=lambda path: (path.is_symlink(), len(path.parts))) for same in names.values()
    ]


def _inside(path: Path, depth: int) -> Iterator[Path]:
    """Folders below that hold samples, or something else of that name; and those that may not be looked into."""
    try:
        with os.scandir(path) as entries:
            folders = [path / entry.name for entry in entries if _is_folder(entry)]
    except OSError:
        return
    for folder in folders:
        if _may_be_run(folder):
            yield folder
        if depth > 1:
            yield from _inside(folder, depth - 1)


def _may_be_run(folder: Path) -> bool:
    try:
        (folder / SAMPLES_NAME).lstat()
    except PermissionError:
        return folder.name != "lost+found"
    except OSError:
        return False
    return True


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:
        return False
