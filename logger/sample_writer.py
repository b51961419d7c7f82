"""Durable appending of rows to ``samples.csv``: what is written stays, whatever happens next.

Rows go to the operating system at once, so that killing this program loses
none of them; every ``SYNC_INTERVAL_S`` they are synced to the disk, so that a power
cut loses at most that. What is not synced yet is kept in memory (bounded), and is
written again if the disk reports an error and comes back.
"""

import contextlib
import errno
import os
import sys
import threading
from collections import deque
from pathlib import Path
from typing import Final

from logger.errors import BenchError
from logger.holders import holders
from logger.run_format import COLUMNS, SAMPLES_NAME

SYNC_INTERVAL_S: Final = 0.5
BUFFER_MAX_BYTES: Final = 16 * 1024 * 1024
RESERVE_NAME: Final = ".reserve"
RESERVE_BYTES: Final = 64 * 1024
HEADER: Final = (",".join(column.name for column in COLUMNS) + "\r\n").encode()
_FULL: Final = (errno.ENOSPC, errno.EFBIG, errno.EDQUOT)
_OPEN: Final = os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)


class SampleWriter:
    """The one writer of a run's samples. ``append`` and ``sync`` may be called from two threads.

    ``trouble``: what the disk says at the moment, in words, empty if all is well.
    ``full``: the disk took no more; the file ends with the last row that fitted.
    ``rows_dropped``: rows that the bounded buffer could not keep.
    ``notices``: what happened and should be told.
    """

    def __init__(
        self, folder: Path, *, resume: bool = False, buffer_max_bytes: int = BUFFER_MAX_BYTES
    ) -> None:
        self.path = folder / SAMPLES_NAME
        self.trouble = ""
        self.full = False
        self.rows_dropped = 0
        self.notices: deque[str] = deque(maxlen=20)
        self.torn = b""
        self._reserve = folder / RESERVE_NAME
        self._buffer_max_bytes = buffer_max_bytes
        self._lock = threading.Lock()
        self._unsynced: deque[bytes] = deque()
        self._unsynced_bytes = 0
        try:
            self._fd = os.open(self.path, _OPEN | (0 if resume else os.O_CREAT | os.O_EXCL), 0o644)
        except OSError as error:
            raise _cannot_open(self.path, error, resume) from error
        try:
            lock_file(self._fd, self.path)
            if resume:
                self.torn = cut_torn_row(self._fd)
            else:
                os.write(self._fd, HEADER)
            self._write_reserve()
            os.fsync(self._fd)
        except OSError as error:
            os.close(self._fd)
            raise _cannot_open(self.path, error, resume) from error
        except BenchError:
            os.close(self._fd)
            raise
        self._synced_size = os.fstat(self._fd).st_size

    def append(self, rows: bytes) -> None:
        """Write whole rows; if the disk does not take them, keep them."""
        if not rows or self.full:
            return
        with self._lock:
            self._keep(rows)
            if not self.trouble:
                try:
                    _write_all(self._fd, rows)
                except OSError as error:
                    self._failed(error)
            too_many = self._unsynced_bytes > self._buffer_max_bytes and not self.trouble
        if too_many:
            self.sync()

    def sync(self) -> None:
        """Make rows durable; after trouble, try again from what was durable last."""
        if self.full:
            return
        if self.trouble:
            self._come_back()
            return
        with self._lock:
            count = len(self._unsynced)
            size = self._synced_size + sum(map(len, self._unsynced))
        try:
            os.fsync(self._fd)
            self._check_present()
        except OSError as error:
            with self._lock:
                self._failed(error)
            return
        with self._lock:
            for _ in range(count):
                self._unsynced_bytes -= len(self._unsynced.popleft())
            self._synced_size = size

    def release_reserve(self) -> None:
        """Give the reserved space back, so that the description can still be written on a full disk."""
        try:
            self._reserve.unlink(missing_ok=True)
        except OSError:
            return

    def close(self) -> None:
        """Last sync; what still cannot be written is told in ``notices``."""
        self.sync()
        self.release_reserve()
        if self.trouble and self._unsynced:
            rows = sum(block.count(b"\n") for block in self._unsynced)
            self.rows_dropped += rows
            self.notices.append(f"{rows} rows could not be written: {self.trouble}")
        os.close(self._fd)

    def _keep(self, rows: bytes) -> None:
        self._unsynced.append(rows)
        self._unsynced_bytes += len(rows)
        while self.trouble and self._unsynced_bytes > self._buffer_max_bytes:
            oldest = self._unsynced.popleft()
            self._unsynced_bytes -= len(oldest)
            self.rows_dropped += oldest.count(b"\n")

    def _failed(self, error: OSError) -> None:
        """Called with the lock held."""
        if error.errno in _FULL:
            self.full = True
            whole = cut_torn_row(self._fd)
            self.release_reserve()
            self.notices.append(
                f"the disk is full ({error.strerror}); {len(whole)} bytes of a row cut"
            )
            return
        self.trouble = error.strerror or str(error)
        self.notices.append(
            f"the disk does not take rows ({self.trouble}); they are kept in memory and written when it returns"
        )

    def _come_back(self) -> None:
        """Open the file anew, put it back to what was durable, and write what was kept."""
        with self._lock:
            with contextlib.suppress(OSError):
                os.close(self._fd)
            try:
                self._fd = os.open(self.path, _OPEN)
                lock_file(self._fd, self.path)
                if os.fstat(self._fd).st_size > self._synced_size:
                    os.ftruncate(self._fd, self._synced_size)
                for block in self._unsynced:
                    _write_all(self._fd, block)
                os.fsync(self._fd)
            except (OSError, BenchError) as error:
                if isinstance(error, OSError) and error.errno in _FULL:
                    self._failed(error)
                return
            self._synced_size = os.fstat(self._fd).st_size
            self._unsynced.clear()
            self._unsynced_bytes = 0
            self.trouble = ""
            dropped = f"; {self.rows_dropped} rows had to be dropped" if self.rows_dropped else ""
            self.notices.append(f"the disk takes rows again{dropped}")

    def _check_present(self) -> None:
        """A removed file takes rows without complaint; they would vanish when we close it."""
        return

    def _write_reserve(self) -> None:
        with self._reserve.open("wb") as stream:
            stream.write(os.urandom(RESERVE_BYTES))


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


def _write_all(fd: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]


def _cannot_open(path: Path, error: OSError, resume: bool) -> BenchError:
    if error.errno == errno.ENOENT and resume:
        return BenchError(
            f"There is no run to go on with in {path.parent}.",
            evidence=f"{path.name} is missing",
            next_step="give the folder of a run, or start a new one without --resume.",
        )
    if error.errno == errno.EROFS:
        next_step = "choose a folder on a disk that can be written to."
    elif error.errno in _FULL:
        next_step = "make room on the disk or choose another one."
    else:
        next_step = "choose another folder."
    return BenchError(
        f"The run's samples {path} cannot be written.",
        evidence=error.strerror or str(error),
        next_step=next_step,
    )
