"""Which file of a run holds its rows as they were recorded, when another program had its hands on them?

While a run is recorded its rows stand in two files: ``samples.csv``, for everybody, and a hidden second copy. When
another program replaces, cuts or locks the first, the second takes a name of its own (``samples.recorded.csv``) and
goes on; at the end it becomes ``samples.csv``, and what the other program saved is kept under a third name. Each of them
is the whole run, so nothing has to be joined row by row, and a crash at any moment leaves one that is whole.
"""

import os
import stat
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.base.errors import BenchError, spoken
from logger.run.format import SAMPLES_NAME
from logger.run.open_file import lock_file
from logger.run.run_folder import RunFolder

_BLOCK: Final = 64 * 1024
# The second copy is written first: it may be ahead by what was written last.
_AHEAD_BYTES: Final = 8 * 1024
_LINES_LOOKED: Final = 20


@dataclass(frozen=True)
class Pieces:
    """Names of the files that may hold the rows of ``main``."""

    main: str

    @property
    def recorded(self) -> str:
        """Where the recording goes on while another program's file has the name."""
        stem, _, ending = self.main.rpartition(".")
        return f"{stem}.recorded.{ending}"

    @property
    def second(self) -> str:
        stem, _, ending = self.main.rpartition(".")
        return f".{stem}.second.{ending}"

    @property
    def aside(self) -> str:
        """Pattern of names for what another program saved."""
        stem, _, ending = self.main.rpartition(".")
        return f"{stem}.saved-by-another-{{}}.{ending}"


SAMPLES: Final = Pieces(SAMPLES_NAME)


def rows_file(folder: Path, pieces: Pieces = SAMPLES) -> tuple[Path, str]:
    """The file to read the run's rows from, and in words why it is not ``pieces.main``; empty if it is.

    The file need not be there: then the run has no rows at all.
    """
    main, recorded, second = (
        folder / name for name in (pieces.main, pieces.recorded, pieces.second)
    )
    if _is_plain(recorded):
        if not _is_plain(main):
            return recorded, f"{pieces.main} is not there; the rows were read from {recorded.name}"
        return recorded, (
            f"{pieces.main} is not what was recorded: another program saved it meanwhile. "
            f"The rows were read from {recorded.name}"
        )
    if not _is_plain(second):
        return main, ""
    if not _is_plain(main):
        return second, f"{pieces.main} is not there; the rows were read from {second.name}"
    try:
        more = _is_more(main, second)
    except OSError:
        return main, ""
    if not more:
        return main, ""
    if 0 < more <= _AHEAD_BYTES:
        return second, ""
    return second, (
        f"{pieces.main} is not what was recorded: another program cut or changed it. "
        f"The rows were read from {second.name}"
    )


def _is_plain(path: Path) -> bool:
    try:
        return stat.S_ISREG(os.lstat(path).st_mode)
    except OSError:
        return False


def _is_more(main: Path, second: Path) -> int | None:
    """By how many bytes the second copy goes on beyond the first; -1 if they differ, None if it is not to be trusted."""
    sizes = main.stat().st_size, second.stat().st_size
    both = min(sizes)
    # A power cut leaves zeros in a file that was not synced; the second copy never is.
    places = {0, max(both - _BLOCK, 0)}
    blocks = [(_block(main, place, both), _block(second, place, both)) for place in places]
    if b"\0" in _block(second, max(sizes[1] - _BLOCK, 0), sizes[1]):
        return None
    if any(b"\0" in theirs for _, theirs in blocks) or not sizes[1]:
        return None
    if any(ours != theirs for ours, theirs in blocks):
        return -1
    if _is_strange(_block(main, sizes[1], sizes[0]), _block(main, 0, sizes[0])):
        return -1
    more = max(sizes[1] - sizes[0], 0)
    torn = 0 < more <= _BLOCK and b"\n" not in _block(second, sizes[0], sizes[1])
    return 0 if torn else more


def _is_strange(surplus: bytes, first: bytes) -> bool:
    """Whether lines beyond the second copy are no rows: after a kill it is never behind, after a power cut by rows only."""
    commas = first.partition(b"\n")[0].count(b",")
    lines = surplus.split(b"\n")[:-1]
    return b"\0" not in surplus and any(
        line.count(b",") != commas for line in lines[:_LINES_LOOKED]
    )


def _block(path: Path, begin: int, end: int) -> bytes:
    if end <= begin:
        return b""
    with path.open("rb") as stream:
        stream.seek(begin)
        return stream.read(min(_BLOCK, end - begin))


def put_together(folder: RunFolder, pieces: Pieces) -> list[str]:
    """Make the recorded rows ``pieces.main`` again, and keep what another program saved under another name.

    Nobody may be recording. Gives what was done in words. Raises OSError if a file cannot be renamed (Windows: while
    a spreadsheet holds it open); everything stays readable then.
    """
    found, why = rows_file(folder.path, pieces)
    told = []
    if found.name != pieces.main:
        # Without a word to say of it, the copy was merely ahead by the last rows: nothing of another program's is there.
        kept = _put_aside(folder, pieces) if why else ""
        folder.rename(found.name, pieces.main, over=not why)
        folder.sync()
        if why:
            told.append(f"{pieces.main} holds the rows as they were recorded again{kept}")
    if found.name != pieces.second:
        with suppress(OSError):
            folder.unlink(pieces.second)
    return told


def _put_aside(folder: RunFolder, pieces: Pieces) -> str:
    if folder.kind(pieces.main) is None:
        return ""
    name = folder.free_name(pieces.aside)
    folder.rename(pieces.main, name)
    return f"; what another program had saved under that name is {name}"


def refuse_second_logger(folder: RunFolder, pieces: Pieces) -> None:
    """Raises BenchError if another program is recording into one of the files."""
    for name in (pieces.main, pieces.recorded, pieces.second):
        try:
            handle = folder.append_to(name)
        except FileNotFoundError:
            continue
        except OSError as error:
            raise BenchError(
                f"The run's file {folder.path / name} cannot be opened.",
                evidence=spoken(error),
                next_step="close the program that holds it, or give this run another folder.",
            ) from error
        try:
            lock_file(handle, folder.path / name)
        finally:
            os.close(handle)
