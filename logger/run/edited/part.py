"""The part of a run that counts, where somebody trimmed it: its rows and its description, as if it alone was recorded.

Time 0 is the trim's begin, and charge and energy are counted from there: what lasts, lasts from there. A board's row
is a window that ends at its time: it counts if it ends after the begin. Every reader of rows asks here.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from logger.base.durations import utc_moment
from logger.base.numbers import digits_text
from logger.run.description import Description
from logger.run.edited.statements import Trim, trim_words

Floats = npt.NDArray[np.float64]

_COUNTERS: Final = ("charge_mah", "energy_mwh")
_RATES: Final = ("current_ma", "pack_v")  # mA, and times V: mW
_S_PER_H: Final = 3600.0
# Times have six decimals.
SLACK_S: Final = 1e-6
# Where nearly all was kept, the pack was as fresh, and what bursts saw of the whole holds for the part: own figure.
_NEARLY_ALL: Final = 0.95
TRIMMED: Final = "trim"


class PartOfRows:
    """Cuts columns to the part, portion by portion, in their order."""

    def __init__(self, trim: Trim, *, windowed: bool) -> None:
        self._trim = trim
        self._windowed = windowed
        self._before: dict[str, float] = dict.fromkeys(_COUNTERS, 0.0) if windowed else {}
        self._before_s: float | None = 0.0 if windowed else None
        self._zeros: dict[str, float] | None = None

    def cut(self, columns: Mapping[str, Floats]) -> dict[str, Floats]:
        """Rows of the part, with times and counters from its begin; maybe none of this portion.

        ``columns``: each of shape (n,), in order of time; they are not changed.
        """
        time_s, trim = columns["time_s"], self._trim
        slack_s = SLACK_S if self._windowed else -SLACK_S
        first = int(np.searchsorted(time_s, trim.begin_s + slack_s, side="right"))
        last = int(np.searchsorted(time_s, trim.end_s + SLACK_S, side="right"))
        if self._zeros is None:
            self._look(columns, first)
        kept = {name: values[first : max(first, last)] for name, values in columns.items()}
        kept["time_s"] = np.maximum(kept["time_s"] - trim.begin_s, 0.0)
        for name, zero in (self._zeros or {}).items():
            if name in kept:
                kept[name] = kept[name] - zero
        return kept

    def _look(self, columns: Mapping[str, Floats], first: int) -> None:
        """Remember the last row before the part; where the first row of it stands, what the counters had at its begin."""
        time_s = columns["time_s"]
        if first:
            self._before_s = float(time_s[first - 1])
            for name in _COUNTERS:
                if name in columns and np.isfinite(columns[name][first - 1]):
                    self._before[name] = float(columns[name][first - 1])
        if first == len(time_s):
            return
        self._zeros = {}
        row = {name: float(values[first]) for name, values in columns.items()}
        rate = 1.0
        for name, factor in zip(_COUNTERS, _RATES, strict=True):
            rate *= row.get(factor, np.nan)
            if name in row:
                self._zeros[name] = self._at_begin(name, row["time_s"], row[name], rate)

    def _at_begin(self, name: str, first_s: float, first: float, rate: float) -> float:
        """Exact where the row before ends; else back from the first row by its own mean, for a gap before it had another.

        ``rate``: by which the counter grew in the first row, per h; without one a straight line from the row before.
        """
        before, begin_s = self._before.get(name), self._trim.begin_s
        if not np.isfinite(first):
            return before or 0.0
        if before is None or self._before_s is None or first_s <= self._before_s:
            return float(first)
        if begin_s <= self._before_s + SLACK_S:
            return before
        grown = rate * (first_s - begin_s) / _S_PER_H
        if not np.isfinite(grown):
            grown = (float(first) - before) * (first_s - begin_s) / (first_s - self._before_s)
        return float(np.clip(first - grown, min(before, first), max(before, first)))


def used_before_words(trim: Trim, columns: Mapping[str, Floats]) -> str:
    """What the pack gave before the part, for whoever asks how long it lasts; empty where that is next to nothing.

    ``columns``: all rows that were recorded, each of shape (n,).
    """
    time_s = columns["time_s"]
    given = columns.get("charge_mah")
    if given is None:
        steps_s = np.diff(time_s, prepend=time_s[:1])
        given = np.nancumsum(columns.get("current_ma", np.zeros(len(time_s))) * steps_s) / _S_PER_H
    before, all_of_it = (
        float(np.max(np.nan_to_num(given[time_s <= at_s + SLACK_S]), initial=0.0))
        for at_s in (trim.begin_s, trim.end_s)
    )
    if not before > (1 - _NEARLY_ALL) * all_of_it:
        return ""
    return f"Before the part that counts about {digits_text(before, 2)} mAh were drawn: if from this pack, a fresh one lasts longer."


def described_part(description: Description) -> Description:
    """What the description says of the part: events in it, by its own time; how it ended only where its end was kept."""
    trim = description.trim
    if trim is None:
        return description
    moved = replace(
        description,
        events=tuple(
            replace(event, time_s=event.time_s - trim.begin_s)
            for event in description.events
            # What is told of the moment that the last row ends came after it: a gap, a new start of the board.
            if trim.begin_s <= event.time_s < (trim.end_s if trim.cuts_the_end else np.inf)
        ),
        clock=tuple((at_s - trim.begin_s, host_s, utc) for at_s, host_s, utc in description.clock),
        started_utc=_later(description.started_utc, trim.begin_s),
        bursts=description.bursts if trim.end_s - trim.begin_s >= _NEARLY_ALL * trim.of_s else None,
        fresh=None
        if description.fresh and trim.begin_s > (1 - _NEARLY_ALL) * trim.of_s
        else description.fresh,
    )
    if not trim.cuts_the_end:
        return moved
    return replace(moved, end_reason=TRIMMED, end_text=trim_words(trim))


def _later(iso: str, seconds: float) -> str:
    moment = utc_moment(iso) if iso and seconds else None
    if moment is None:
        return iso
    try:
        return (moment + timedelta(seconds=seconds)).isoformat(timespec="seconds")
    except OverflowError:
        return iso
