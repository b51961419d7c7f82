"""A long and sound samples file straight into arrays: pandas' parser on a few threads, block by block.

Its C code lets other threads work meanwhile, so two cores read a night of 100 rows a second in little
more than half the time of one, and never as a whole text in memory. Anything that is not plain numbers
in every field of every row gives None: then the careful reader looks at it.
"""

import csv
import os
from collections.abc import Collection, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, Self, cast

import numpy as np
import numpy.typing as npt

from logger.base.safe_files import open_to_read
from logger.run.format import SAMPLES_MAX

WORTH_BYTES: Final = 4 * 1024 * 1024  # below, a thread costs more than it saves
BLOCK_BYTES: Final = 1024 * 1024  # stays in the processor's cache
BLOCK_ROWS: Final = 50_000
THREADS_MAX: Final = 4
_LINE_MAX: Final = 4096
_NUMBERS: Final = b"0123456789.,-+eE \r\n"

Floats = npt.NDArray[np.float64]


def read_columns(path: Path, known: Collection[str]) -> dict[str, Floats] | None:
    """Columns of the file as float64, empty fields as NaN; None if it is small or odd."""
    size = path.stat().st_size
    if not WORTH_BYTES <= size <= SAMPLES_MAX:
        return None
    with open_to_read(path) as stream:
        header = stream.readline(_LINE_MAX)
        edges = _edges(stream, len(header), size)
        stream.seek(-1, os.SEEK_END)
        ends_whole = stream.read(1) == b"\n"
    names = header.decode("ascii", "replace").strip().split(",")
    if not ends_whole or len(set(names)) != len(names) or not set(names) <= set(known):
        return None
    parts = list(pairwise(edges))
    with ThreadPoolExecutor(len(parts)) as pool:
        counts = list(pool.map(lambda ends: _count_rows(path, len(names), *ends), parts))
        if None in counts:
            return None
        rows = [count or 0 for count in counts]
        # One array for each column, written in place: memory touched twice costs as much as parsing.
        columns = {name: np.empty(sum(rows)) for name in names}
        firsts = [sum(rows[:number]) for number in range(len(parts))]
        try:
            done = pool.map(
                lambda first, count, ends: _read_part(path, columns, first, count, *ends),
                firsts, rows, parts,
            )  # fmt: skip
            return columns if all(done) else None
        except (ValueError, OverflowError):  # ParserError is a ValueError
            return None


def _edges(stream: Any, begin: int, size: int) -> list[int]:
    """Where each thread's part begins, always at the beginning of a line; and the end."""
    count = max(1, min(THREADS_MAX, os.cpu_count() or 1, (size - begin) // BLOCK_BYTES))
    edges = [begin]
    for number in range(1, count):
        stream.seek(begin + (size - begin) * number // count)
        stream.readline(_LINE_MAX)
        if edges[-1] < stream.tell() < size:
            edges.append(stream.tell())
    return [*edges, size]


class _Part:
    """The bytes between two places of a file, to be read as from a file.

    Not an ``io`` class: pandas would turn what such a one gives into text, and back, for its C parser.
    """

    def __init__(self, path: Path, begin: int, end: int) -> None:
        self._whole = path.open("rb", buffering=0)
        self._whole.seek(begin)
        self._left = end - begin

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self._whole.close()

    def __iter__(self) -> Iterator[bytes]:
        return iter(partial(self.read, BLOCK_BYTES), b"")

    def read(self, size: int) -> bytes:
        data = self._whole.read(min(size, self._left))
        self._left -= len(data)
        return data


def _count_rows(path: Path, width: int, begin: int, end: int) -> int | None:
    """Rows of a part; None where pandas would pass over a sign too many or a field too few in silence."""
    rows = commas = 0
    with _Part(path, begin, end) as part:
        for data in part:
            if b"\0" in data:
                return None
            signs = np.frombuffer(data, dtype=np.uint8)  # counts twice as fast as bytes do
            if signs.max(initial=0) > ord("9") and data.translate(None, _NUMBERS):
                return None  # no number: found here in a tenth of the time that the parser takes
            rows += int(np.count_nonzero(signs == ord("\n")))
            commas += int(np.count_nonzero(signs == ord(",")))
    return rows if commas == rows * (width - 1) else None


def _read_part(
    path: Path, columns: dict[str, Floats], first: int, count: int, begin: int, end: int
) -> bool:
    """Parse the lines between two places of the file into rows ``first`` and following; False if one is odd."""
    import pandas as pd

    row = first
    with (
        _Part(path, begin, end) as part,
        pd.read_csv(
            cast(Any, part),
            header=None,
            names=range(len(columns)),
            index_col=False,
            dtype=np.float64,
            keep_default_na=False,
            na_values=[""],
            skip_blank_lines=False,
            quoting=csv.QUOTE_NONE,
            chunksize=BLOCK_ROWS,
            low_memory=False,
        ) as blocks,
    ):
        for block in blocks:
            if row + len(block) > first + count:
                return False
            for place, column in enumerate(columns.values()):
                values = block[place].to_numpy()
                # "inf" is no number of ours; only an empty field may be missing.
                if np.isinf(values.sum()) and np.isinf(values).any():
                    return False
                column[row : row + len(values)] = values
            # A row too short ends in NaN; beside it one too long would pass.
            if np.isnan(values.sum()) and np.isnan(values).any():
                return False
            row += len(block)
    return row == first + count
