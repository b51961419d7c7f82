"""One open file that only we write: is it still what we wrote, under its own name, and who else may write?"""

import contextlib
import errno
import os
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError
from logger.base.holders import holders
from logger.run.run_folder import RunFolder

FULL: Final = (errno.ENOSPC, errno.EFBIG, errno.EDQUOT)
# Another program holds it: on Windows whoever has it open for itself alone, or has locked a part of it.
_HELD: Final = (errno.EACCES, errno.EPERM, errno.EBUSY, errno.ETXTBSY)
_BLOCK: Final = 1 << 20


class TakenError(Exception):
    """Another program has the file in its hands; the text says what it did, as in "was replaced"."""


class OpenFile:
    """``size`` and ``crc`` are of what we wrote. Used by one thread at a time."""

    def __init__(self, folder: RunFolder, name: str, fd: int) -> None:
        self.folder = folder
        self.name = name
        self.fd = fd
        self.size = 0
        self.crc = 0
        self._mark_ns = 0
        self._is_suspect = False

    @classmethod
    def new(cls, folder: RunFolder, name: str) -> "OpenFile":
        """A file that is not there yet. Raises OSError, BenchError (locked)."""
        return cls._locked(folder, name, folder.create(name))

    @classmethod
    def old(cls, folder: RunFolder, name: str, *, create: bool = False) -> "OpenFile":
        """A file that is there; ``accept`` what stands in it. Raises OSError, BenchError (locked)."""
        return cls._locked(folder, name, folder.append_to(name, create=create))

    @classmethod
    def again(cls, folder: RunFolder, name: str, size: int, crc: int) -> "OpenFile":
        """A file of ours that begins with ``size`` bytes of this sum. Raises OSError if it does not, BenchError."""
        found = cls.old(folder, name)
        found.size, found.crc = size, crc
        if os.fstat(found.fd).st_size < size or not found.verify():
            found.close()
            raise OSError(errno.ESTALE, f"another {name} stands there now")
        return found

    @classmethod
    def _locked(cls, folder: RunFolder, name: str, fd: int) -> "OpenFile":
        try:
            lock_file(fd, folder.path / name)
            made = cls(folder, name, fd)
            made._mark()
        except BaseException:
            os.close(fd)
            raise
        return made

    def accept(self) -> None:
        """What stands in it now counts as ours."""
        self.size = self.crc = 0
        for block in _blocks(self.fd, None):
            self.size += len(block)
            self.crc = zlib.crc32(block, self.crc)
        self._mark()

    def append(self, data: bytes) -> None:
        """Write all or nothing. Raises TakenError, OSError."""
        self.check()
        try:
            write_all(self.fd, data)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(self.fd, self.size)
            if error.errno in _HELD:
                raise TakenError(f"is held by another program ({error.strerror})") from error
            raise
        self.size += len(data)
        self.crc = zlib.crc32(data, self.crc)
        self._mark()

    def cut_to(self, size: int, crc: int) -> None:
        """Take back what was appended since it had this size and sum. Raises OSError."""
        os.ftruncate(self.fd, size)
        self.size, self.crc = size, crc
        self._mark()

    def copy_from(self, other: "OpenFile") -> None:
        """The same rows as in another file. Raises OSError, TakenError if they are not there any more."""
        crc = 0
        for block in _blocks(other.fd, other.size):
            write_all(self.fd, block)
            crc = zlib.crc32(block, crc)
        if crc != other.crc:
            raise TakenError("was changed")
        self.size, self.crc = other.size, crc
        self._mark()

    def check(self) -> None:
        """Raises TakenError if it is not ours any more, OSError if the disk does not tell."""
        found = os.fstat(self.fd)
        named = self.folder.kind(self.name)
        if named is None:
            raise TakenError("was removed" if found.st_nlink == 0 else "was moved away")
        if not os.path.samestat(named, found):
            raise TakenError("was replaced by another program")
        if found.st_size < self.size:
            raise TakenError("was cut by another program")
        if found.st_size > self.size:
            raise TakenError("was written to by another program")
        # Our next row would set the time again.
        self._is_suspect |= found.st_mtime_ns != self._mark_ns

    @property
    def is_nameless(self) -> bool:
        """It was removed everywhere: only we still hold what is in it, and lose it when we close it."""
        try:
            return os.fstat(self.fd).st_nlink == 0
        except OSError:
            return False

    def blocks(self) -> Iterator[bytes]:
        """What we wrote, as far as it is there, block by block."""
        return _blocks(self.fd, self.size)

    @property
    def is_touched(self) -> bool:
        """Somebody else may have written to it: its time is not that of our last row."""
        return self._is_suspect or os.fstat(self.fd).st_mtime_ns != self._mark_ns

    def verify(self) -> bool:
        """Whether it holds what we wrote; reads all of it."""
        size, expected, crc = self.size, self.crc, 0
        mark_ns = os.fstat(self.fd).st_mtime_ns
        for block in _blocks(self.fd, size):
            crc = zlib.crc32(block, crc)
        self._mark_ns, self._is_suspect = mark_ns, False
        return crc == expected

    def write_again(self, data: bytes) -> None:
        """Put bytes back behind ours that a failing disk may have lost, without cutting the file. Raises OSError."""
        place, rest = self.size, data
        if sys.platform == "win32":
            os.ftruncate(self.fd, place)
            write_all(self.fd, data)
        else:
            import fcntl

            flags = fcntl.fcntl(self.fd, fcntl.F_GETFL)
            fcntl.fcntl(self.fd, fcntl.F_SETFL, flags & ~os.O_APPEND)  # else pwrite appends (Linux)
            try:
                while rest:
                    written = os.pwrite(self.fd, rest, place)
                    place, rest = place + written, rest[written:]
            finally:
                fcntl.fcntl(self.fd, fcntl.F_SETFL, flags)
            os.ftruncate(self.fd, place)
        self.size += len(data)
        self.crc = zlib.crc32(data, self.crc)
        self._mark()

    def rename(self, name: str) -> None:
        """Give it another name, which is free. Windows renames no open file."""
        try:
            self.folder.rename(self.name, name)
        except PermissionError:
            self.close()
            self.folder.rename(self.name, name)
            self.fd = self.folder.append_to(name)
            lock_file(self.fd, self.folder.path / name)
        self.name = name

    def sync(self) -> None:
        os.fsync(self.fd)

    def close(self) -> None:
        fd, self.fd = self.fd, -1  # its number may be another file's at once
        if fd >= 0:
            with contextlib.suppress(OSError):
                os.close(fd)

    def _mark(self) -> None:
        self._mark_ns = os.fstat(self.fd).st_mtime_ns


def lock_file(fd: int, path: Path) -> None:
    """Let no second logger write here; the system lifts the lock when this program ends, however it ends.

    Raises BenchError naming the holder where that can be found out.
    """
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(fd, 2**62, os.SEEK_SET)  # a byte far behind the end: readers are not kept out
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in (errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK):
            raise
        raise BenchError(
            f"Another logger is recording into {path.parent}.",
            evidence=", ".join(holders(str(path))) or "its samples are locked",
            next_step="wait until it ends, end it, or give this run another folder.",
        ) from error


def cut_torn_row(fd: int) -> bytes:
    """Cut off what stands behind the last line end: a row that was being written; gives what was cut."""
    size = os.lseek(fd, 0, os.SEEK_END)
    start = max(size - 65536, 0)
    os.lseek(fd, start, os.SEEK_SET)
    tail = os.read(fd, size - start)
    torn = tail[tail.rfind(b"\n") + 1 :]
    if torn:
        os.ftruncate(fd, size - len(torn))
    return torn


def write_all(fd: int, data: bytes) -> None:
    """All of it, however many calls that takes."""
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]


def _blocks(fd: int, size: int | None) -> Iterator[bytes]:
    """The first ``size`` bytes of a file, block by block; None: all of it."""
    place = 0
    while data := _read(fd, _BLOCK if size is None else min(_BLOCK, size - place), place):
        yield data
        place += len(data)


def _read(fd: int, count: int, place: int) -> bytes:
    if hasattr(os, "pread"):
        return os.pread(fd, count, place)
    os.lseek(fd, place, os.SEEK_SET)
    return os.read(fd, count)
