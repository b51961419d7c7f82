"""Rows in order of time, and rows that no bench can have measured."""

from bisect import bisect_right
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.run.reading.findings import Findings

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Columns = dict[str, Floats]

# Beyond these no bench with cells on it measures anything: the row is damaged.
MOST: Final = {
    "time_s": 1e9,
    **dict.fromkeys(("pack_v", "pack_min_v", "bus_v"), 1e4),
    **dict.fromkeys(("current_ma", "current_min_ma", "current_max_ma"), 1e7),
    **dict.fromkeys(("charge_mah", "energy_mwh"), 1e9),
}
_NOTHING: Final = np.empty(0)


def _only(columns: Columns, keep: Mask) -> Columns:
    return {name: values[keep] for name, values in columns.items()}


def in_order(columns: Columns, findings: Findings) -> Columns:
    """Columns without repeated rows and without rows that go back in time."""
    repeated = _repeats(columns)
    if repeated.any():
        first = float(columns["time_s"][repeated][0])
        findings.reject("they repeat the row above", f"first at {first:g} s", int(repeated.sum()))
        columns = _only(columns, ~repeated)
    time_s = columns["time_s"]
    if (time_s[1:] < time_s[:-1]).any():
        keep = longest_in_order(time_s)
        first = float(time_s[~keep][0])
        findings.reject("their time goes back", f"first at {first:g} s", int((~keep).sum()))
        columns = _only(columns, keep)
    time_s = columns["time_s"]
    stuck = int((time_s[1:] == time_s[:-1]).sum())
    if stuck:
        findings.sentences.append(f"rows with the same time as the row above, kept: {stuck}")
    return columns


def credible(columns: Columns, findings: Findings) -> Columns:
    """Columns without rows that no bench can have measured, or from before the run began."""
    for name in MOST:
        values = columns.get(name, _NOTHING)
        least, most = 0.0 if name == "time_s" else -MOST[name], MOST[name]
        # Two plain passes on sound columns; a NaN makes both False.
        if not len(values) or (values.min() >= least and values.max() <= most):
            continue
        above, below = values > most, values < least
        before = "their time lies before the run"
        beyond = f"{name} is beyond all measure"
        for wrong, why in ((above, beyond), (below, before if name == "time_s" else beyond)):
            if wrong.any():
                findings.reject(why, f"first {values[wrong][0]:g}", int(wrong.sum()))
        if above.any() or below.any():
            columns = _only(columns, ~(above | below))
    return columns


def _repeats(columns: Columns) -> Mask:
    """Mask of rows that equal the row above in every column."""
    time_s = columns["time_s"]
    repeated = np.zeros(len(time_s), dtype=np.bool_)
    np.equal(time_s[1:], time_s[:-1], out=repeated[1:])
    if repeated.any():
        for values in columns.values():
            same = (values[1:] == values[:-1]) | (np.isnan(values[1:]) & np.isnan(values[:-1]))
            repeated[1:] &= same
    return repeated


def longest_in_order(time_s: Floats) -> Mask:
    """Mask of the longest part of ``time_s`` (n,) that never decreases.

    One absurd time in the middle costs that one row, not all rows after it.
    Patience sorting, O(n log n) (Fredman 1975, Discrete Mathematics 11:29, from memory).
    """
    ends: list[float] = []
    end_places: list[int] = []
    before = np.full(len(time_s), -1, dtype=np.int64)
    for place, value in enumerate(time_s.tolist()):
        pile = bisect_right(ends, value)
        before[place] = end_places[pile - 1] if pile else -1
        if pile == len(ends):
            ends.append(value)
            end_places.append(place)
        else:
            ends[pile], end_places[pile] = value, place
    keep = np.zeros(len(time_s), dtype=np.bool_)
    place = end_places[-1] if end_places else -1
    while place >= 0:
        keep[place] = True
        place = int(before[place])
    return keep
