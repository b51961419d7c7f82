"""Durable appending of rows to a run: what is written stays, whatever happens next.

Rows go to the operating system at once, so that killing this program loses none of them; every ``SYNC_INTERVAL_S``
they are synced to the disk, so that a power cut loses at most that. What the disk does not take waits in memory
(``kept_rows``), in order, until it does; what another program does to the files is ``two_copies``.
"""

import errno
import os
import threading
import time
from collections import deque
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError, spoken
from logger.base.safe_files import Folder
from logger.run.format import COLUMNS
from logger.run.kept_rows import MEMORY_MAX_BYTES, Join, JoinSamples, KeptRows
from logger.run.open_file import FULL, TakenError
from logger.run.pieces import SAMPLES, Pieces
from logger.run.rescue import Reserve, rescue
from logger.run.run_folder import RunFolder
from logger.run.two_copies import TwoCopies

SYNC_INTERVAL_S: Final = 0.5
RETRY_S: Final = 0.5
LOOK_INTERVAL_S: Final = 10.0
HEADER: Final = (",".join(column.name for column in COLUMNS) + "\r\n").encode()
_FLUSH_ROWS: Final = 1000
_Failure = OSError | TakenError | BenchError


class RowWriter:
    """The one writer of a run's rows. ``append`` and ``sync`` may be called from two threads.

    ``trouble``: what the disk says at the moment, empty if all is well; ``words``: with what to do.
    ``over``: the memory for rows that wait is full, too, and nothing is taken any more.
    ``rows_lost``: rows that are nowhere. ``rescued``: where rows went that the disk did not take to the end.
    ``notices``: what happened and should be told.
    """

    def __init__(
        self,
        folder: Path | RunFolder,
        pieces: Pieces,
        header: bytes,
        *,
        resume: bool = False,
        memory_max_bytes: int = MEMORY_MAX_BYTES,
        join: Join | None = None,
    ) -> None:
        self.trouble = ""
        self.over = False
        self.rescued = ""
        self.notices: deque[str] = deque(maxlen=50)
        self._pieces = pieces
        self._header = header
        self._kept = KeptRows(memory_max_bytes, join)
        self._memory_max_bytes = memory_max_bytes
        self._lock = threading.RLock()
        self._sync_lock = threading.Lock()
        self._unsynced: deque[bytes] = deque()
        self._unsynced_bytes = 0
        self._is_broken = self._is_full = False
        self._joined_said = 0
        self._rows_lost = 0
        self._looked_s = time.monotonic()
        path = (folder if isinstance(folder, Path) else folder.path) / pieces.main
        try:
            self.folder = RunFolder(folder) if isinstance(folder, Path) else folder
            self._copies = TwoCopies(self.folder, pieces, header, self.notices, resume=resume)
        except (OSError, TakenError) as error:
            raise cannot_open(path, error) from error
        self._reserve = Reserve(self.folder)
        self._reserve.take()
        self._moves = self._copies.moves
        self._note_durable()

    @property
    def torn(self) -> bytes:
        """What was cut off the end on resuming: a row that was being written."""
        return self._copies.torn

    @property
    def homes(self) -> int:
        """How often the run got another folder, because its own was deleted."""
        return self._copies.homes

    @property
    def rows_joined(self) -> int:
        """Rows that went into their neighbours, because the memory for those that wait was full."""
        return self._kept.joined

    @property
    def rows_lost(self) -> int:
        return self._rows_lost + self._copies.rows_lost

    @property
    def words(self) -> str:
        """What the disk says, what to do, and what becomes of the rows; empty if all is well."""
        trouble, waiting, kept_bytes = self.trouble, len(self._kept), self._kept.bytes
        if not trouble:
            return ""
        is_away = self._is_broken and not self._is_full
        what = "look at the disk and its cable" if is_away else "make room on it"
        told = "No row is lost"
        if waiting:
            fit = max(self._memory_max_bytes - kept_bytes, 0) * waiting // max(kept_bytes, 1)
            told = f"{waiting} rows wait in memory, {fit} more fit"
        return f"{trouble[:1].upper()}{trouble[1:]}: {what}. {told}."

    def append(self, rows: bytes) -> None:
        """Write whole rows; if the disk does not take them, keep them."""
        if not rows or self.over:
            return
        with self._lock:
            if self.trouble or self._kept:
                self._keep(rows)
                return
            if not self._put(rows):
                self._keep(rows)
            too_many = self._unsynced_bytes > self._memory_max_bytes and not self.trouble
        if too_many:
            self.sync()

    def _put(self, rows: bytes) -> bool:
        """Called with the lock held. Whether the disk takes them."""
        try:
            self._copies.write(rows)
        except (OSError, TakenError, BenchError) as error:
            self._failed(error)
            return False
        self._note_moves()
        self._unsynced.append(rows)
        self._unsynced_bytes += len(rows)
        return True

    def sync(self) -> None:
        """Make rows durable and see whether all is still in its place; after trouble, try again."""
        with self._sync_lock:
            if self.trouble or self._kept:
                self._come_back()
            else:
                self._sync()
            now_s = time.monotonic()
            if not self.trouble and now_s - self._looked_s >= LOOK_INTERVAL_S:
                self._looked_s = now_s
                with self._lock:
                    self._copies.make_second()

    def _sync(self) -> None:
        with self._lock:
            try:
                self._copies.look()
                self._note_moves()
                file, count = self._copies.file, len(self._unsynced)
                size, crc, moves = file.size, file.crc, self._moves
                handle = os.dup(file.fd)  # a reader's thread may close that one meanwhile
            except (OSError, TakenError, BenchError) as error:
                self._failed(error)
                return
        try:
            os.fsync(handle)
        except OSError as error:
            with self._lock:
                self._not_synced(error)
            return
        finally:
            os.close(handle)
        with self._lock:
            if self._moves == moves:
                self._note_durable(count, size, crc)

    def _come_back(self) -> None:
        """Find the file again where it was lost, write what waits, and sync it."""
        with self._lock:
            try:
                if self._is_broken and not self._copies.file.is_nameless:
                    self._find_again()
                else:
                    self._copies.look()
                self._note_moves()
            except (OSError, TakenError, BenchError) as error:
                self._failed(error)
                return
            if self._is_full and not self._reserve.take():
                return  # what little there is belongs to the description
        while self._flush_some():
            pass
        with self._lock:
            if self._kept:
                return
            try:
                self._copies.file.sync()
            except OSError as error:
                self._not_synced(error)
                return
            self._note_durable()
            if self.trouble:
                self.trouble = ""
                joined = f"; {self._kept.joined} rows had been joined" if self._kept.joined else ""
                self.notices.append(f"the disk takes rows again; none was lost{joined}")
                self._reserve.take()

    def _find_again(self) -> None:
        """The file may have lost what was not synced, or the disk was away."""
        self._copies.find_again(self._synced_size, self._synced_crc)
        self._copies.file.write_again(b"".join(self._unsynced))
        self._is_broken = False

    def _flush_some(self) -> bool:
        """Write some of the rows that wait; False if none waits any more, or the disk takes none."""
        with self._lock:
            some = self._kept.texts(_FLUSH_ROWS)
            if not some or not self._put(b"".join(some)):
                return False
            self._kept.take_first(len(some))
            return True

    def _note_durable(self, count: int | None = None, size: int = 0, crc: int = 0) -> None:
        """The first ``count`` blocks are on the disk; None: all of them."""
        if count is None:
            count, size, crc = len(self._unsynced), self._copies.file.size, self._copies.file.crc
        for _ in range(count):
            self._unsynced_bytes -= len(self._unsynced.popleft())
        self._synced_size, self._synced_crc = size, crc

    def _note_moves(self) -> None:
        """What went into another file is synced there; only what was written since is not."""
        if self._moves != self._copies.moves:
            self._moves = self._copies.moves
            self._is_broken = False
            self._note_durable()
            self._reserve.take()

    def _keep(self, rows: bytes) -> None:
        lost = self._kept.dropped
        if not self._kept.add(rows):
            self.over = True
            self._rows_lost += self._kept.dropped - lost
            self.notices.append("the memory for rows that wait is full as well: the run ends here")
        elif self._kept.joined > 2 * self._joined_said:
            self._joined_said = self._kept.joined
            self.notices.append(
                f"{self._kept.joined} rows that wait in memory were joined with their neighbours to make room; "
                "means, least, greatest and the board's counters are exact"
            )

    def _not_synced(self, error: OSError) -> None:
        """Called with the lock held. What was not synced may be lost, whatever the disk says: it is written again."""
        self._failed(error)
        self._is_broken = True

    def _failed(self, error: _Failure) -> None:
        """Called with the lock held. Only ``_find_again`` makes whole what is broken."""
        before, self._is_full = self.trouble, False
        if isinstance(error, OSError):
            self._is_full = error.errno in FULL
            self._is_broken |= not self._is_full
            self.trouble = spoken(error)
            if self._is_full:
                self.trouble = f"the disk is full ({self.trouble})"
                self._reserve.release()
        elif isinstance(error, TakenError):
            self.trouble = f"{self._copies.file.name} {error}"
        else:
            self._is_broken, self.trouble = True, error.happened.rstrip(".")
        if not before:
            self.notices.append(
                f"{self.trouble}: rows are kept in memory and written when the disk takes them"
            )

    def twin(self) -> Folder | None:
        """The run's folder for another thread, which closes it; None while it cannot be found."""
        with self._lock:
            return self.folder.twin()

    def release_reserve(self) -> None:
        """Give the reserved space back, so that the description can still be written on a full disk."""
        self._reserve.release()

    def close(self, *, patience_s: float = 0.0, hurry: threading.Event | None = None) -> None:
        """Last sync. If the disk is in trouble, wait for it; then rescue the rows into another folder."""
        waiting = hurry or threading.Event()
        end_s = time.monotonic() + patience_s
        self.sync()
        while self.trouble and time.monotonic() < end_s and not waiting.wait(RETRY_S):
            self.sync()
        self._reserve.release()
        if self._kept or self.trouble:
            self._rescue()
        self._copies.close()

    def _rescue(self) -> None:
        """Put what is not in the run into a file elsewhere."""
        rows = [self._header, *self._kept.texts()]
        if self._copies.file.is_nameless:
            rows[:1] = self._copies.file.blocks()
        elif self._is_broken:
            rows[1:1] = self._unsynced
        count = sum(block.count(b"\n") for block in rows) - 1
        if count <= 0:
            return
        try:
            path = rescue(self.folder.path.name, rows, self.folder.path)
        except OSError:
            self._rows_lost += count
            self.notices.append(f"{count} rows could not be written ({self.trouble}) and are lost")
            return
        self.rescued = str(path)
        self.notices.append(
            f"{count} rows could not be written ({self.trouble}); they were put into {path}"
        )


class SampleWriter(RowWriter):
    """The one writer of a run's ``samples.csv``."""

    def __init__(
        self,
        folder: Path | RunFolder,
        *,
        resume: bool = False,
        memory_max_bytes: int = MEMORY_MAX_BYTES,
    ) -> None:
        super().__init__(
            folder,
            SAMPLES,
            HEADER,
            resume=resume,
            memory_max_bytes=memory_max_bytes,
            join=JoinSamples(),
        )


def cannot_open(path: Path, error: OSError | TakenError) -> BenchError:
    """Why a run's rows cannot be written, with what to do."""
    number = error.errno if isinstance(error, OSError) else None
    if number == errno.EROFS:
        next_step = "choose a folder on a disk that can be written to."
    elif number in FULL:
        next_step = "make room on the disk or choose another one."
    else:
        next_step = "choose another folder."
    said = spoken(error) if isinstance(error, OSError) else f"it {error}"
    return BenchError(
        f"The run's samples {path} cannot be written.", evidence=said, next_step=next_step
    )
