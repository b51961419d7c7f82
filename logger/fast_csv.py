"""A sound samples file straight into arrays, block by block, through Arrow's CSV reader.

About three times as fast as pandas' parser on a night of 100 rows a second, and never with the whole
file in memory. Anything that is not plain numbers in every field of every row gives None: then the
careful reader looks at it.
"""

from collections.abc import Collection
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt

WORTH_BYTES: Final = 4 * 1024 * 1024  # below, importing Arrow costs more than it saves
BLOCK_BYTES: Final = 1024 * 1024  # stays in the processor's cache

Floats = npt.NDArray[np.float64]


def read_columns(path: Path, known: Collection[str]) -> dict[str, Floats] | None:
    """Columns of the file as float64, empty fields as NaN; None if it is small, odd, or Arrow is not there."""
    size = path.stat().st_size
    if size < WORTH_BYTES:
        return None
    try:
        import pyarrow as arrow
        from pyarrow import csv
    except ImportError:
        return None
    with path.open("rb") as stream:
        header = stream.readline(4096)
        stream.seek(-1, 2)
        ends_whole = stream.read(1) == b"\n"
    try:
        names = header.decode("ascii").strip().split(",")
    except UnicodeDecodeError:
        return None
    if not ends_whole or len(set(names)) != len(names) or not set(names) <= set(known):
        return None
    try:
        reader = csv.open_csv(
            path,
            read_options=csv.ReadOptions(
                column_names=names, skip_rows=1, block_size=BLOCK_BYTES, use_threads=False
            ),
            parse_options=csv.ParseOptions(quote_char=False, ignore_empty_lines=False),
            convert_options=csv.ConvertOptions(
                column_types=dict.fromkeys(names, arrow.float64()), null_values=[""]
            ),
        )
        return _gather(reader, names, size // max(len(header), 1))
    except (arrow.ArrowInvalid, OSError):
        return None


def _gather(reader: Any, names: list[str], rows_guess: int) -> dict[str, Floats] | None:
    room = max(rows_guess, 1)
    columns = {name: np.empty(room) for name in names}
    rows = 0
    for batch in reader:
        end = rows + batch.num_rows
        if end > room:
            room = max(end, room * 5 // 4)
            for name in names:
                columns[name] = np.concatenate((columns[name][:rows], np.empty(room - rows)))
        for place, name in enumerate(names):
            column = batch.column(place)
            values = column.to_numpy(zero_copy_only=False)
            # Words like "nan" and "inf" are no numbers of ours; only an empty field may be missing.
            if np.isfinite(values).sum() != len(values) - column.null_count:
                return None
            columns[name][rows:end] = values
        rows = end
    return {name: values[:rows] for name, values in columns.items()}
