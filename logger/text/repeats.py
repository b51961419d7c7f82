"""Rows that a foreign file holds twice: right below each other, or a stretch of it once more."""

from typing import Any

import numpy as np

Floats = np.ndarray[Any, np.dtype[np.float64]]
Mask = np.ndarray[Any, np.dtype[np.bool_]]


def repeats(time_s: Floats, columns: dict[str, Floats]) -> Mask:
    """Mask of rows that equal the row above in time and in every column."""
    repeated = np.concatenate(([False], np.diff(time_s) == 0))
    for values in columns.values():
        repeated[1:] &= _same(values[1:], values[:-1])
    return repeated


def repeated_blocks(time_s: Floats, columns: dict[str, Floats]) -> Mask:
    """Mask of rows (n,) that are an earlier stretch once more, in time and in every column.

    Only such a stretch counts that goes on to where the file had come, or to its end: a meter that began again
    may chance upon its first row, but not upon all.
    """
    again = np.zeros(len(time_s), dtype=np.bool_)
    if not (np.diff(time_s) < 0).any():
        return again
    table = np.column_stack([time_s, *columns.values()])
    # Only a time that stood before can begin a stretch again; a file with its newest row first has none.
    _, first, which = np.unique(time_s, return_index=True, return_inverse=True)
    reached = 0
    for place in np.flatnonzero(np.diff(time_s) < 0).tolist():
        here = place + 1
        if here < reached or first[which[here]] == here:
            continue
        earlier = np.flatnonzero((time_s[:here] == time_s[here]) & ~again[:here])
        for start in earlier[:3].tolist():
            if not _same(table[start], table[here]).all():  # most restarts: no need to look on
                continue
            length = min(here - start, len(time_s) - here)
            rows = _same(table[start : start + length], table[here : here + length]).all(axis=1)
            count = length if rows.all() else int(np.argmin(rows))
            end = here + count
            if count and (end == len(time_s) or time_s[end] >= time_s[place]):
                again[here:end] = True
                reached = end
                break
    return again


def _same(one: Floats, two: Floats) -> Mask:
    return np.asarray((one == two) | (np.isnan(one) & np.isnan(two)))
