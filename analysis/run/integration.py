"""Charge and energy over time: the board's running counters where they go on, our own integral elsewhere.

Window means integrate exactly as value times span; samples by the trapezoidal rule.
Over a gap the counters know (same boot); without them the draw is taken as a straight
line from one side to the other and bounded by nothing at all and by the greatest row.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.run.trace import Floats, Mask, Rows, Trace, blocks

S_PER_H = 3600.0
# Windows of a board differ by microseconds.
_EQUAL_SHARE = 0.001
# Size of the sample that tells where a percentile lies, and how far off it may be.
_ROWS_PICKED: Final = 20_000
_PLACE_SHARE: Final = 0.01


@dataclass(frozen=True)
class Integral:
    """Running integral, shape (n,), in rate-hours (mAh, mWh).

    ``less`` and ``more``: how far the total may lie under and over, from gaps that nothing
    measured; ``contact_more``: over, from samples whose contact failed while the circuit may have run on. ``own_total``: our own integral, gaps as straight lines. ``check_ratio``: counters
    over own integral on the unbroken steps alone; None without counters or without draw.
    """

    running: Floats
    less: float
    more: float
    contact_more: float
    own_total: float
    check_ratio: float | None

    @property
    def total(self) -> float:
        return float(self.running[-1])


def integrate(trace: Trace, factors: tuple[Floats, ...], counter: Floats | None) -> Integral:
    """Integral over the run of a rate, the product of ``factors`` (mA, or mA and V, each of shape (n,)).

    ``counter`` is the board's own.
    """
    rows = len(trace.time_s)
    unknown = np.flatnonzero(trace.gap if counter is None else trace.restarted)
    own_unknown = _own_steps(trace, factors, unknown, np.maximum(unknown - 1, 0))
    most = np.zeros(len(unknown))
    if len(unknown):
        highest = max(float(_product(factors, part).max()) for part in blocks(rows))
        most = max(highest, 0.0) * trace.step_s[unknown] / S_PER_H
    if counter is None:
        least = np.zeros(len(unknown))
        taken = own_unknown
        running = _own_running(trace, factors)
        own_total = float(running[-1])
        ratio = None
        contact_more = _contact_more(trace, factors, own_total)
    else:
        own_total = _own_total(trace, factors)
        base = 0.0 if trace.windowed else float(counter[0])
        counted = _steps_at(counter, unknown, base)
        # What the new boot counted before its first row is known to have flowed.
        least = np.clip(counted, 0.0, most)
        taken = np.clip(own_unknown, least, most)
        running = counter - base if base else counter
        if len(unknown):
            shift = np.zeros_like(running)
            shift[unknown] = taken - counted
            running = running + np.cumsum(shift)
        broken = np.flatnonzero(trace.gap | trace.restarted)
        own_broken = _own_steps(trace, factors, broken, np.maximum(broken - 1, 0))
        own_sum = own_total - float(own_broken.sum())
        counted_sum = float(counter[-1]) - base - float(_steps_at(counter, broken, base).sum())
        ratio = counted_sum / own_sum if own_sum > 0 else None
        contact_more = 0.0
    return Integral(
        running=running,
        less=float((taken - least).clip(min=0).sum()),
        more=float((most - taken).clip(min=0).sum()),
        contact_more=contact_more,
        own_total=own_total,
        check_ratio=ratio,
    )


def _steps_at(counter: Floats, rows: Rows, base: float) -> Floats:
    """What the counter rose by at these rows; ``base`` is its value before the first."""
    before = np.where(rows > 0, counter[np.maximum(rows - 1, 0)], base)
    return counter[rows] - before


def _contact_more(trace: Trace, factors: tuple[Floats, ...], own_total: float) -> float:
    """How much more flowed if only the meter lost contact. A board sits in series: there nothing flowed."""
    if trace.windowed or not trace.no_contact.any():
        return 0.0
    good = ~trace.no_contact
    bridged = np.interp(trace.time_s, trace.time_s[good], _product(factors, good))
    return max(0.0, _own_total(trace, (bridged,)) - own_total)


def _product(factors: tuple[Floats, ...], rows: Rows | Mask | slice) -> Floats:
    rate = factors[0][rows]
    for column in factors[1:]:
        rate = rate * column[rows]
    return rate


def _own_steps(
    trace: Trace, factors: tuple[Floats, ...], rows: Rows | slice, before: Rows | slice
) -> Floats:
    """Our own integral's steps at ``rows``; ``before``: the row before each, the first its own."""
    rate, step_s = _product(factors, rows), trace.step_s[rows]
    if not trace.windowed:
        return (rate + _product(factors, before)) / 2 * step_s / S_PER_H
    steps = rate * step_s
    if trace.gap[rows].any():
        missing_s = step_s - trace.weight_s[rows]
        steps += (_product(factors, before) - rate) / 2 * missing_s
    return steps / S_PER_H


def _own_blocks(trace: Trace, factors: tuple[Floats, ...]) -> Iterator[tuple[slice, Floats]]:
    """Our own integral's steps, block by block, the first row by itself."""
    first = slice(0, 1)
    yield first, _own_steps(trace, factors, first, first)
    for part in blocks(len(trace.time_s) - 1):
        rows = slice(part.start + 1, part.stop + 1)
        yield rows, _own_steps(trace, factors, rows, part)


def _own_total(trace: Trace, factors: tuple[Floats, ...]) -> float:
    return sum(float(steps.sum()) for _, steps in _own_blocks(trace, factors))


def _own_running(trace: Trace, factors: tuple[Floats, ...]) -> Floats:
    running = np.empty(len(trace.time_s))
    for rows, steps in _own_blocks(trace, factors):
        running[rows] = steps
    return np.cumsum(running, out=running)


def _value_at_place(values: Floats, some: Floats, share: float) -> float:
    """Least of ``values`` that this share of them does not exceed.

    ``some``: a sorted sample of them; only what lies near the place by it is sorted.
    """
    place = math.ceil(share * len(values)) - 1
    near = np.array([share - _PLACE_SHARE, share + _PLACE_SHARE]) * (len(some) - 1)
    low, high = some[np.clip(near, 0, len(some) - 1).astype(np.intp)]
    inside = values[(values >= low) & (values <= high)]
    at = place - int((values < low).sum())
    if not 0 <= at < len(inside):
        inside, at = values, place
    return float(np.partition(inside, at)[at])


def weighted_percentiles(values: Floats, weights: Floats, percents: tuple[float, ...]) -> Floats:
    """Least values that are not exceeded for the given percentages of the weight, shape (len(percents),)."""
    if np.ptp(weights) <= _EQUAL_SHARE * weights[0]:
        # Equal windows, the common case: finding three places is quicker than sorting all.
        some = np.sort(values[:: max(1, len(values) // _ROWS_PICKED)])
        return np.array([_value_at_place(values, some, percent / 100) for percent in percents])
    order = np.argsort(values)
    share = np.cumsum(weights[order])
    at = np.searchsorted(share, np.asarray(percents) / 100 * share[-1], side="left")
    return np.asarray(values[order[np.minimum(at, len(values) - 1)]], dtype=np.float64)
