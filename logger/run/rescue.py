"""What is there for the worst: room that is kept, another folder, another disk?"""

import contextlib
import os
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from logger.run.disk_need import free_bytes
from logger.run.run_folder import RunFolder

_HOMES_MAX: Final = 1000
_ROOM_BYTES: Final = 1024 * 1024
# Gone when the computer is switched off, but better than nothing.
_IN_MEMORY: Final = Path("/dev/shm")
RESERVE_NAME: Final = ".reserve"
RESERVE_BYTES: Final = 64 * 1024


class Reserve:
    """Room for the last description on a disk that fills; without it, a run goes on all the same."""

    def __init__(self, folder: RunFolder) -> None:
        self._folder = folder

    def take(self) -> bool:
        """Whether it is there: if not, the disk is as good as full."""
        try:
            if self._folder.kind(RESERVE_NAME) is None:
                free = self._folder.free_bytes()
                if free is not None and free < RESERVE_BYTES:
                    return False
                self._folder.replace(RESERVE_NAME, os.urandom(RESERVE_BYTES), durable=False)
        except OSError:
            self.release()
            return False
        return True

    def release(self) -> None:
        with contextlib.suppress(OSError):
            self._folder.unlink(RESERVE_NAME)


def new_home(path: Path) -> Path:
    """A folder made for a run whose own was deleted: the same again, or one beside it if that name is taken.

    Raises OSError if there is no place for it.
    """
    number = 0
    while True:
        home = path if not number else path.with_name(f"{path.name}-rescued-{number}")
        try:
            home.parent.mkdir(parents=True, exist_ok=True)
            home.mkdir()
        except FileExistsError:
            number += 1
            if number > _HOMES_MAX:
                raise
            continue
        return home


def rescue(name: str, rows: Sequence[bytes], full: Path) -> Path:
    """A file of these lines, the header first, on another file system if one has room, else wherever there is room.

    ``full``: the folder whose disk took no more. Raises OSError if there is no such place.
    """
    need = sum(map(len, rows)) + _ROOM_BYTES
    last: OSError = OSError("no disk has room")
    for place in _places(full):
        try:
            free = free_bytes(place)
            if free is not None and free < need:
                continue
            handle, path = tempfile.mkstemp(".csv", f"drawbench-{name}-", place)
        except OSError as error:
            last = error
            continue
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.writelines(rows)
                stream.flush()
                os.fsync(stream.fileno())
            return Path(path)
        except OSError as error:
            last = error
            with contextlib.suppress(OSError):
                Path(path).unlink()
    raise last


def _places(full: Path) -> list[Path]:
    """The usual ones, those on another file system first."""
    places = [Path(tempfile.gettempdir())]
    with contextlib.suppress(RuntimeError, OSError):
        places += [Path.home(), Path.cwd(), Path("/var/tmp")]
    theirs = _device(full)
    places = sorted(dict.fromkeys(places), key=lambda place: _device(place) == theirs)
    return [place for place in (*places, _IN_MEMORY) if place.is_dir()]


def _device(path: Path) -> int | None:
    try:
        return path.stat().st_dev
    except OSError:
        return None
