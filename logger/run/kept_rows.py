"""Rows that wait in memory while the disk takes none: how many, and what becomes of them when there are too many."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from logger.run.format import COLUMNS

MEMORY_MAX_BYTES: Final = 16 * 1024 * 1024
# Rows are joined to such a length at most, as the longest window that a recording may have.
JOINED_MAX_WINDOWS: Final = 600
_PIECE_ROWS: Final = 2000
_PLACE: Final = {column.name: place for place, column in enumerate(COLUMNS)}
_NUMBER, _BOOT, _COUNT = (_PLACE[name] for name in ("sequence", "boot", "conversions"))
_MEANS: Final = tuple(_PLACE[name] for name in ("pack_v", "bus_v", "current_ma"))
_LEAST: Final = tuple(_PLACE[name] for name in ("pack_min_v", "current_min_ma"))
_GREATEST: Final = (_PLACE["current_max_ma"],)


@dataclass(frozen=True, slots=True)
class KeptRow:
    """A row as it will be written, and of how many windows it is made."""

    text: bytes
    windows: int = 1


class Join(Protocol):
    """How rows become one."""

    def follows(self, row: KeptRow, before: KeptRow) -> bool:
        """Whether there is nothing between them, so that they may be joined."""
        ...

    def joined(self, rows: Sequence[KeptRow]) -> KeptRow:
        """One row for rows that follow each other."""
        ...


class KeptRows:
    """Whole rows in their order; beyond ``most_bytes`` the oldest neighbours are joined by ``join``.

    ``joined``: rows that went into others so far; ``dropped``: rows that found no room at all.
    """

    def __init__(self, most_bytes: int = MEMORY_MAX_BYTES, join: Join | None = None) -> None:
        self.most_bytes = most_bytes
        self.bytes = 0
        self.joined = 0
        self.dropped = 0
        self._join = join
        self._windows = 1
        self._place = 0  # rows before it are joined to the present length
        self._rows: list[KeptRow] = []

    def __len__(self) -> int:
        return len(self._rows)

    def __bool__(self) -> bool:
        return bool(self._rows)

    def add(self, rows: bytes) -> bool:
        """Keep them; False if there is no room any more: what does not fit is dropped."""
        for text in rows.splitlines(keepends=True):
            self._rows.append(KeptRow(text))
            self.bytes += len(text)
        while self.bytes > self.most_bytes:
            if not self._thin():
                last = self._rows.pop()
                self.bytes -= len(last.text)
                self.dropped += last.windows
                return False
        return True

    def texts(self, most: int | None = None) -> list[bytes]:
        return [row.text for row in self._rows[:most]]

    def take_first(self, count: int) -> None:
        """The first ``count`` rows are on the disk now."""
        self.bytes -= sum(len(row.text) for row in self._rows[:count])
        del self._rows[:count]
        self._place = max(self._place - count, 0)
        if not self._rows:
            self._windows = 1

    def _thin(self) -> bool:
        """Join the oldest rows that are not joined to the present length yet; False if nothing is left to join.

        A piece at a time: whoever reads the board meanwhile must not wait.
        """
        while self._join is not None:
            if self._place >= len(self._rows):
                if 2 * self._windows > JOINED_MAX_WINDOWS:
                    return False
                self._windows, self._place = 2 * self._windows, 0
            end = min(self._place + _PIECE_ROWS, len(self._rows))
            piece = self._rows[self._place : end]
            thinned = self._thinned(piece, self._join)
            self._rows[self._place : end] = thinned
            self._place += len(thinned)
            self.bytes += sum(len(row.text) for row in thinned) - sum(
                len(row.text) for row in piece
            )
            self.joined += len(piece) - len(thinned)
            if len(thinned) < len(piece):
                return True
        return False

    def _thinned(self, rows: list[KeptRow], join: Join) -> list[KeptRow]:
        groups: list[list[KeptRow]] = []
        windows = 0
        for row in rows:
            windows += row.windows
            if groups and windows <= self._windows and join.follows(row, groups[-1][-1]):
                groups[-1].append(row)
            else:
                groups.append([row])
                windows = row.windows
        return [group[0] if len(group) == 1 else join.joined(group) for group in groups]


class JoinSamples:
    """Rows of ``samples.csv``: means weighted by conversions; least, greatest and the board's counters stay exact."""

    def follows(self, row: KeptRow, before: KeptRow) -> bool:
        """Same boot, and no window is missing between them."""
        ours, theirs = row.text.split(b",", 4), before.text.split(b",", 4)
        return (
            int(ours[_NUMBER]) - int(theirs[_NUMBER]) == row.windows
            and ours[_BOOT] == theirs[_BOOT]
            and int(ours[_COUNT]) > 0
        )

    def joined(self, rows: Sequence[KeptRow]) -> KeptRow:
        """Its end is the end of all."""
        cells = [row.text.rstrip(b"\r\n").split(b",") for row in rows]
        counts = [int(row[_COUNT]) for row in cells]
        one = list(cells[-1])
        one[_COUNT] = b"%d" % sum(counts)
        for place in _MEANS:
            parts = (float(row[place]) * n for row, n in zip(cells, counts, strict=True))
            one[place] = f"{sum(parts) / sum(counts):.{COLUMNS[place].decimals}f}".encode()
        for place in _LEAST:
            one[place] = min((row[place] for row in cells), key=float)
        for place in _GREATEST:
            one[place] = max((row[place] for row in cells), key=float)
        return KeptRow(b",".join(one) + b"\r\n", sum(row.windows for row in rows))
