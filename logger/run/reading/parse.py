"""Numbers of a sound body into columns: numpy for a short one, pandas' C parser for the others."""

import io
import re
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.run.fast_csv import WORTH_BYTES
from logger.run.format import COLUMN_BY_NAME

_PLAIN: Final = b"0123456789.-,\r\n"

Columns = dict[str, npt.NDArray[np.float64]]


def known_places(header: Sequence[str]) -> list[int]:
    """Where the known columns stand, each name once."""
    return [
        place
        for place, name in enumerate(header)
        if name in COLUMN_BY_NAME and header.index(name) == place
    ]


def plain_columns(body: bytes, header: list[str]) -> Columns | None:
    """Known columns of a short body in which every field is a plain number; None if one is not.

    A frame of pandas costs some milliseconds however short the run is: a folder of hundreds of short runs
    is read in half the time without.
    """
    if len(body) >= WORTH_BYTES or not body.strip() or body.translate(None, _PLAIN):
        return None  # loadtxt warns the user of a body of blank lines
    try:
        table = np.loadtxt(io.BytesIO(body), delimiter=",", ndmin=2).T
    except ValueError:  # a field too many or too few, an empty one, "1-2"
        return None
    if len(table) != len(header) or not np.isfinite(table).all():
        return None
    table = np.ascontiguousarray(table)
    return {header[place]: table[place] for place in known_places(header)}


def parse(body: bytes, header: list[str]) -> Columns:
    """Known columns of a comma-separated body as float64, each name once."""
    places = known_places(header)
    if not body or body.isspace():
        return {header[place]: np.empty(0) for place in places}
    import pandas as pd

    frame = pd.read_csv(
        io.BytesIO(body),
        header=None,
        names=list(range(len(header))),
        index_col=False,
        dtype={place: (np.float64 if place in places else object) for place in range(len(header))},
        keep_default_na=False,
        na_values=[""],
        encoding="utf-8",
        encoding_errors="replace",
    )
    return {header[place]: frame[place].to_numpy() for place in places}


def parse_at_once(body: bytes, header: list[str]) -> Columns | None:
    """Samples of a sound body, or None if anything in it does not add up."""
    if b"\0" in body or b'"' in body:
        return None
    first = re.split(rb"\r\n|\n|\r", body[:4096], maxsplit=1)[0]
    if first.count(b",") != len(header) - 1 and body and not body.isspace():
        return None
    try:
        # What begins with words needs no parser to be refused.
        for name, text in zip(header, first.split(b","), strict=False):
            if name in COLUMN_BY_NAME:
                float(text or b"0")
        columns = parse(body, header)
    except (ValueError, UnicodeError, OverflowError):  # ParserError is a ValueError
        return None
    # Rows with too many fields raise in the parser; rows with too few show in the count.
    time_s = columns["time_s"]
    if body.count(b",") != len(time_s) * (len(header) - 1) or not np.isfinite(time_s).all():
        return None
    return None if any(np.isinf(values).any() for values in columns.values()) else columns
