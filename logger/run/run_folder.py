"""Where is the folder of a run that grows? Held open, so that it is found again under another name.

Whoever renames or moves it while it is recorded takes the recording along; a run that is begun under the old name
afterwards is another folder. Windows lets nobody rename a folder with an open file in it.
"""

import errno
import os
import sys
from enum import StrEnum
from pathlib import Path
from typing import Final

from logger.base.safe_files import Folder, is_leftover
from logger.run.disk_need import free_bytes

_DELETED: Final = " (deleted)"
_PATH_OF_HANDLE: Final = 50  # macOS: F_GETPATH of fcntl.h


class Whereabouts(StrEnum):
    """What a look at the folder's path has shown."""

    SAME = "same"
    MOVED = "moved"
    GONE = "gone"
    UNKNOWN = "unknown"  # still there, but under no name that could be found


class RunFolder(Folder):
    """A ``Folder`` whose ``path`` follows it: ``look`` brings it up to date. Raises OSError."""

    def look(self) -> Whereabouts:
        """Whether the path still leads to this folder; if not, ``path`` is the new one where it can be found."""
        if self._handle is None:
            return Whereabouts.SAME
        held = os.fstat(self._handle)
        if _is_same(held, self.path):
            return Whereabouts.SAME
        named = _name_of_handle(self._handle)
        if held.st_nlink == 0 or named.endswith(_DELETED):
            return Whereabouts.GONE
        found = Path(named) if named else _beside(self.path, held)
        if found is None or not _is_same(held, found):
            return Whereabouts.UNKNOWN
        self.path = found
        return Whereabouts.MOVED

    @property
    def is_held(self) -> bool:
        return self._handle is not None or os.name == "nt"

    def go_to(self, path: Path) -> None:
        """Hold another folder instead: the same one after its disk came back, or one made in its place."""
        fresh = Folder(path)
        self.close()
        self.path, self._handle, fresh._handle = path, fresh._handle, None

    def rename(self, name: str, other: str, *, over: bool = False) -> None:
        """Give a file of this folder another name, which must not be taken unless it is written ``over``."""
        if not over and self.kind(other) is not None:
            raise FileExistsError(errno.EEXIST, f"{other} is there already")
        if self._handle is None:
            Path(self._at(name)).replace(self._at(other))
        else:
            os.rename(name, other, src_dir_fd=self._handle, dst_dir_fd=self._handle)

    def twin(self) -> Folder | None:
        """The same folder for another thread, which closes it; None while it is not held."""
        if not self.is_held:
            return None
        twin = Folder.__new__(Folder)
        twin.path = self.path
        twin._handle = None if self._handle is None else os.dup(self._handle)
        return twin

    def clear_leftovers(self) -> None:
        """Take away half-made files of a program that was killed."""
        for item in self.path.iterdir():
            if is_leftover(item.name):
                self.unlink(item.name)

    def free_bytes(self) -> int | None:
        """Room on its disk; None where that cannot be told."""
        return free_bytes(self.path if self._handle is None else self._handle)


def _is_same(held: os.stat_result, path: Path) -> bool:
    try:
        return os.path.samestat(held, path.stat())
    except OSError:
        return False


def _name_of_handle(handle: int) -> str:
    """The path that the system knows of an open folder; empty where it does not tell."""
    try:
        if sys.platform == "linux":
            return str(Path(f"/proc/self/fd/{handle}").readlink())
        if sys.platform == "darwin":
            import fcntl

            return os.fsdecode(fcntl.fcntl(handle, _PATH_OF_HANDLE, bytes(1024)).rstrip(b"\0"))
    except OSError:
        return ""
    return ""


def _beside(path: Path, held: os.stat_result) -> Path | None:
    """The same folder under another name in the folder it was in."""
    try:
        entries = list(os.scandir(path.parent))
    except OSError:
        return None
    return next((Path(entry) for entry in entries if _is_same(held, Path(entry))), None)
