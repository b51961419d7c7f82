"""A run's rows in two files, so that no other program can take them away: what happens when one of them is not ours any more?

The first has the name that everybody knows. If another program replaces, cuts, removes or locks it, the second copy
goes on in its place: under the same name if that is free, else under one of its own until the recording ends. If the
folder itself is deleted, both go on in another one. Nothing here waits or is threaded.
"""

import contextlib
import time
from collections import deque
from typing import Final

from logger.base.errors import BenchError, spoken
from logger.run.open_file import FULL, OpenFile, TakenError, cut_torn_row
from logger.run.pieces import Pieces, put_together, refuse_second_logger
from logger.run.rescue import new_home
from logger.run.run_folder import RunFolder, Whereabouts

# On a disk with less room than this beside the copy itself there is none.
SECOND_SPARE_BYTES: Final = 8 * 1024 * 1024
VERIFY_SHARE: Final = 0.05  # of the time


class TwoCopies:
    """``file`` is the run, ``second`` its copy, if there is one.

    ``rows_lost``: rows that another program cut off where there was no copy. ``homes``: how often the run got another
    folder. ``moves``: how often ``file`` became another one; then all of it is synced. ``torn``: what was cut off on resuming.
    """

    def __init__(
        self,
        folder: RunFolder,
        pieces: Pieces,
        header: bytes,
        notices: deque[str],
        *,
        resume: bool,
    ) -> None:
        self.folder = folder
        self.rows_lost = 0
        self.homes = 0
        self.moves = 0
        self.torn = b""
        self._pieces = pieces
        self._header = header
        self._notices = notices
        self._row_bytes = len(header)
        self._verify_from_s = float("-inf")
        self.second: OpenFile | None = None
        self.file = self._begin(resume)
        self.make_second()

    def _begin(self, resume: bool) -> OpenFile:
        """Raises OSError, TakenError, BenchError."""
        main = self._pieces.main
        if not resume:
            file = OpenFile.new(self.folder, main)
        else:
            refuse_second_logger(self.folder, self._pieces)
            self._notices.extend(put_together(self.folder, self._pieces))
            self.folder.clear_leftovers()
            # A run that died before its first row has no file yet: resuming it begins one.
            file = OpenFile.old(self.folder, main, create=True)
        try:
            if resume:
                self.torn = cut_torn_row(file.fd)
                file.accept()
            if not file.size:
                file.append(self._header)
            file.sync()
        except BaseException:
            file.close()
            raise
        return file

    def write(self, rows: bytes) -> None:
        """Into both, the copy first, so that it is never behind. Raises OSError, TakenError, BenchError: the rows are nowhere."""
        self._row_bytes = len(rows) // max(rows.count(b"\n"), 1)
        before = self.file.size, self.file.crc
        try:
            self._write_second(rows)
            try:
                self.file.append(rows)
            except TakenError as taken:
                self._take_shelter(taken)
                if self.file.size == before[0]:
                    self._write_second(rows)  # a new one, made without them
                    self.file.append(rows)
            except OSError as error:
                if error.errno not in FULL or not self.drop_second():
                    raise
                self.file.append(rows)  # into the copy's room
        except BaseException:
            self._take_back(*before)
            raise

    def look(self) -> None:
        """See whether folder and file are still ours. Raises OSError, TakenError, BenchError."""
        if not self.folder.is_held:
            return
        where = self.folder.look()
        if where is Whereabouts.GONE:
            self._move_house()
        elif where is Whereabouts.MOVED:
            self._notices.append(
                f"the run's folder was moved while recording; the recording goes on in {self.folder.path}"
            )
        second = self.second
        if second is not None and (second.size, second.crc) != (self.file.size, self.file.crc):
            self.drop_second()  # a copy that is none is worse than none
        try:
            self.file.check()
            self._verify()
        except TakenError as taken:
            self._take_shelter(taken)

    def _verify(self) -> None:
        """Its time of change is not ours: read it all, but not all the time (some network disks set that time later)."""
        began_s = time.monotonic()
        if began_s < self._verify_from_s or not self.file.is_touched:
            return
        is_whole = self.file.verify()
        took_s = time.monotonic() - began_s
        self._verify_from_s = began_s + took_s / VERIFY_SHARE
        if not is_whole:
            raise TakenError("was changed by another program")

    def close(self) -> None:
        """Let go of both; the run is ``pieces.main`` again, if no other program holds that."""
        name, is_ours = self.file.name, self._is_ours()
        self.file.close()
        if self.second is not None:
            self.second.close()
        if not self.folder.is_held:
            return
        if name == self._pieces.main and is_ours:
            with contextlib.suppress(OSError):  # also one of before the disk was away
                self.folder.unlink(self._pieces.second)
            return
        try:
            self.folder.look()
            self._notices.extend(put_together(self.folder, self._pieces))
        except OSError as error:
            self._notices.append(
                f"{self._pieces.main} is still held by another program ({spoken(error)}): the recorded rows "
                f"stay in {name if name != self._pieces.main else self._pieces.second}, and drawbench reads them from there"
            )

    def _is_ours(self) -> bool:
        """Nobody has taken the file since the last look: then the second copy is needed no more."""
        try:
            self.file.check()
        except (OSError, TakenError):
            return False
        return True

    def find_again(self, size: int, crc: int) -> None:
        """Open folder and file anew, if they are there and begin with what was durable (``size``, ``crc``).

        Until they are there nothing is held open, so that the disk can be taken out or looked at.
        Raises OSError, BenchError.
        """
        self.file.close()
        if self.second is not None:
            self.second.close()
            self.second = None
        self.folder.close()
        self.folder.go_to(self.folder.path)
        try:
            self.file = OpenFile.again(self.folder, self.file.name, size, crc)
        except BaseException:
            self.folder.close()
            raise

    def _take_shelter(self, taken: TakenError) -> None:
        """Go on in the second copy. Raises OSError, TakenError if there is none and none can be made."""
        if self.folder.look() is Whereabouts.GONE:
            self._move_house()
            return
        fresh = self.second = self._shelter()
        main, recorded = self._pieces.main, self._pieces.recorded
        name = main if self.folder.kind(main) is None else recorded
        if self.folder.kind(name) is not None:  # another program's, in the place of ours
            self.folder.rename(name, self.folder.free_name(self._pieces.aside))
        fresh.rename(name)
        old, self.file, self.second = self.file, fresh, None
        old.close()
        self.moves += 1
        where = "it was written anew" if name == old.name else f"the rows go into {name} now"
        whole = f"{self.rows_lost} rows are lost" if self.rows_lost else "nothing is lost"
        close = "" if name == main else ". Close it in the other program"
        self._notices.append(f"{old.name} {taken} while recording; {where}, {whole}{close}")
        self.make_second()
        with contextlib.suppress(OSError):  # the next sync says it
            fresh.sync()
            self.folder.sync()

    def _shelter(self) -> OpenFile:
        """The second copy, or one made anew if there is none, or none under its name any more. Raises OSError."""
        second = self.second
        if second is None:
            return self._rebuilt(self.file)
        try:
            second.check()
        except TakenError:
            # Whatever became of its name, what it holds may be whole.
            fresh = self._rebuilt(second if second.verify() else self.file)
            second.close()
            return fresh
        return second

    def _rebuilt(self, source: OpenFile) -> OpenFile:
        """A second copy from what can still be read. Raises OSError."""
        self.folder.unlink(self._pieces.second)
        fresh = OpenFile.new(self.folder, self._pieces.second)
        try:
            try:
                fresh.copy_from(source)
            except TakenError:
                cut_torn_row(fresh.fd)
                fresh.accept()
                if not fresh.size:
                    fresh.append(self._header)
                self.rows_lost += max(self.file.size - fresh.size, 0) // self._row_bytes
        except BaseException:
            fresh.close()
            self.folder.unlink(self._pieces.second)
            raise
        return fresh

    def _move_house(self) -> None:
        """The folder was deleted: all that was recorded goes into another one. Raises OSError, TakenError."""
        old = self.folder.path
        home = new_home(old)
        if self.second is not None and not self.file.verify():
            self.file, self.second = self.second, self.file
        self.folder.go_to(home)
        if self.second is not None:
            self.second.close()
            self.second = None
        fresh = OpenFile.new(self.folder, self._pieces.main)
        try:
            fresh.copy_from(self.file)
            fresh.sync()
        except BaseException:
            fresh.close()
            self.folder.unlink(self._pieces.main)
            raise
        self.file.close()
        self.file = fresh
        self.homes += 1
        self.moves += 1
        again = "it was made again" if home == old else f"the recording is in {home} now"
        self._notices.append(
            f"the run's folder {old} was deleted while recording; {again}, nothing is lost"
        )
        self.make_second()

    def make_second(self) -> None:
        """Where there is none, and room for it; a run without one goes on all the same."""
        if self.second is not None:
            return
        free = self.folder.free_bytes()
        if free is not None and free < 2 * self.file.size + SECOND_SPARE_BYTES:
            return
        try:
            self.folder.unlink(self._pieces.second)
            self.second = OpenFile.new(self.folder, self._pieces.second)
            self.second.copy_from(self.file)
        except (OSError, BenchError, TakenError):
            self.drop_second()

    def drop_second(self) -> bool:
        """Give its room back; True if there was one."""
        second, self.second = self.second, None
        if second is None:
            return False
        second.close()
        with contextlib.suppress(OSError):
            self.folder.unlink(self._pieces.second)
        return True

    def _take_back(self, size: int, crc: int) -> None:
        """Rows that only one of the two has would come twice when they are written again."""
        try:
            for each in (self.file, self.second):
                if each is not None and each.size > size:
                    each.cut_to(size, crc)
        except OSError:
            self.drop_second()

    def _write_second(self, rows: bytes) -> None:
        if self.second is None:
            return
        try:
            self.second.append(rows)
        except (OSError, TakenError):
            self.drop_second()
