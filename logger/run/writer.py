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
import tempfile
import threading
import time
from collections import deque
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError
from logger.base.holders import holders
from logger.run.format import COLUMNS, SAMPLES_NAME

SYNC_INTERVAL_S: Final = 0.5
RETRY_S: Final = 0.5
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
        self._moved = False
        self._reserve = folder / RESERVE_NAME
        self._buffer_max_bytes = buffer_max_bytes
        self._lock = threading.Lock()
        self._sync_lock = threading.Lock()
        self._unsynced: deque[bytes] = deque()
        self._unsynced_bytes = 0
        try:
            # A run that died before its first row has no file yet: resuming it begins one.
            how = os.O_CREAT if resume else os.O_CREAT | os.O_EXCL
            self._fd = os.open(self.path, _OPEN | how, 0o644)
        except OSError as error:
            raise _cannot_open(self.path, error) from error
        try:
            lock_file(self._fd, self.path)
            if resume:
                self.torn = cut_torn_row(self._fd)
            if os.fstat(self._fd).st_size == 0:
                os.write(self._fd, HEADER)
            self._write_reserve()
            os.fsync(self._fd)
        except OSError as error:
            os.close(self._fd)
            raise _cannot_open(self.path, error) from error
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
        with self._sync_lock:
            if self.trouble:
                self._come_back()
            elif not self.full:
                self._sync()

    def _sync(self) -> None:
        with self._lock:
            count = len(self._unsynced)
            size = self._synced_size + sum(map(len, self._unsynced))
        try:
            os.fsync(self._fd)
            self._check_present()
        except (OSError, BenchError) as error:
            with self._lock:
                self._failed(error)
            return
        with self._lock:
            if self.trouble or self.full:
                return
            for _ in range(count):
                self._unsynced_bytes -= len(self._unsynced.popleft())
            self._synced_size = size

    def release_reserve(self) -> None:
        """Give the reserved space back, so that the description can still be written on a full disk."""
        try:
            self._reserve.unlink(missing_ok=True)
        except OSError:
            return

    def close(self, *, patience_s: float = 0.0, hurry: threading.Event | None = None) -> None:
        """Last sync. If the disk is in trouble, wait for it; then rescue the rows into another folder."""
        waiting = hurry or threading.Event()
        end_s = time.monotonic() + patience_s
        self.sync()
        while self.trouble and time.monotonic() < end_s and not waiting.wait(RETRY_S):
            self.sync()
        self.release_reserve()
        if self.trouble and self._unsynced:
            self._rescue()
        self._let_go()

    def _let_go(self) -> None:
        fd, self._fd = self._fd, -1  # its number may be another file's at once
        if fd >= 0:
            with contextlib.suppress(OSError):
                os.close(fd)

    def _rescue(self) -> None:
        """Put what is not on the disk into the system's folder for temporary files."""
        rows = sum(block.count(b"\n") for block in self._unsynced)
        try:
            handle, name = tempfile.mkstemp(".csv", f"drawbench-{self.path.parent.name}-")
            with os.fdopen(handle, "wb") as stream:
                if self._is_orphan():
                    rows += self._copy(stream.fileno(), self._synced_size)
                else:
                    stream.write(HEADER)
                stream.flush()
                for block in self._unsynced:
                    stream.write(block)
            self.notices.append(
                f"{rows} rows could not be written ({self.trouble}); they were put into {name}"
            )
        except OSError:
            self.rows_dropped += rows
            self.notices.append(f"{rows} rows could not be written ({self.trouble}) and are lost")

    def _keep(self, rows: bytes) -> None:
        self._unsynced.append(rows)
        self._unsynced_bytes += len(rows)
        while self.trouble and self._unsynced_bytes > self._buffer_max_bytes:
            oldest = self._unsynced.popleft()
            self._unsynced_bytes -= len(oldest)
            self.rows_dropped += oldest.count(b"\n")

    def _failed(self, error: OSError | BenchError) -> None:
        """Called with the lock held."""
        if isinstance(error, BenchError):
            self.trouble = error.happened
        elif error.errno in _FULL:
            self.full = True
            torn = cut_torn_row(self._fd)
            self.release_reserve()
            self.notices.append(
                f"the disk is full ({error.strerror}); {len(torn)} bytes of a row cut off"
            )
            return
        else:
            self.trouble = error.strerror or str(error)
        self.notices.append(
            f"the disk does not take rows ({self.trouble}); they are kept in memory and written when it returns"
        )

    def _come_back(self) -> None:
        """Open the file anew, put it back to what was durable, and write what was kept."""
        with self._lock:
            try:
                if self._is_orphan():
                    self._write_anew()
                else:
                    self._let_go()
                    self._fd = os.open(self.path, _OPEN)
                    lock_file(self._fd, self.path)
                if os.fstat(self._fd).st_size > self._synced_size:
                    os.ftruncate(self._fd, self._synced_size)
                for block in self._unsynced:
                    _write_all(self._fd, block)
                os.fsync(self._fd)
            except (OSError, BenchError) as error:
                if isinstance(error, OSError) and error.errno in _FULL and self._fd >= 0:
                    self._failed(error)
                return
            self._synced_size = os.fstat(self._fd).st_size
            self._unsynced.clear()
            self._unsynced_bytes = 0
            self.trouble = ""
            dropped = f"; {self.rows_dropped} rows had to be dropped" if self.rows_dropped else ""
            self.notices.append(f"the disk takes rows again{dropped}")

    def _check_present(self) -> None:
        """A removed file takes rows without complaint, and they would vanish when we close it."""
        if self._is_orphan():
            with self._lock:
                self._write_anew()
        elif os.name == "posix" and not self._moved and not self.path.exists():
            self._moved = True
            self.notices.append(
                f"{self.path} was moved away; rows still go into the moved file, the description cannot follow"
            )

    def _is_orphan(self) -> bool:
        """The file has no name any more; only we still hold its content."""
        return os.name == "posix" and self._fd >= 0 and os.fstat(self._fd).st_nlink == 0

    def _write_anew(self) -> None:
        """Put a removed file back. Called with the lock held."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        fresh = os.open(self.path, _OPEN | os.O_CREAT | os.O_EXCL, 0o644)
        try:
            lock_file(fresh, self.path)
            self._copy(fresh)
            os.fsync(fresh)
        except (OSError, BenchError):
            os.close(fresh)
            self.path.unlink(missing_ok=True)
            raise
        os.close(self._fd)
        self._fd = fresh
        self.notices.append(
            f"{self.path.name} was removed while recording; it was written anew, nothing is lost"
        )

    def _copy(self, target: int, end: int | None = None) -> int:
        """Copy our file, up to ``end``; gives the count of rows in it."""
        place, lines = 0, 0
        while block := os.pread(self._fd, min(1 << 20, (end or 1 << 62) - place), place):
            _write_all(target, block)
            place += len(block)
            lines += block.count(b"\n")
        return max(lines - 1, 0)

    def _write_reserve(self) -> None:
        """Room for the last description on a disk that fills; without it, the run goes on all the same."""
        try:
            with self._reserve.open("wb") as stream:
                stream.write(os.urandom(RESERVE_BYTES))
        except OSError:
            self.release_reserve()


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


def _cannot_open(path: Path, error: OSError) -> BenchError:
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
