"""Charge and energy over time: the board's running counters where they go on, our own integral elsewhere.

Window means integrate exactly as value times span; samples by the trapezoidal rule.
Over a gap the counters know (same boot); without them the draw is taken as a straight
line from one side to the other and bounded by nothing at all and by the greatest row.
"""

from dataclasses import dataclass

import numpy as np

from analysis.trace import Floats, Rows, Trace

S_PER_H = 3600.0
# Windows of a board differ by microseconds.
_EQUAL_SHARE = 0.001


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


def integrate(trace: Trace, rate: Floats, counter: Floats | None) -> Integral:
    """Integral of ``rate`` (mA or mW, shape (n,)) over the run; ``counter`` is the board's own."""
    own = _own_steps(trace, rate)
    own_total = float(own.sum())
    unknown = np.flatnonzero(trace.gap if counter is None else trace.restarted)
    most = max(float(rate.max()), 0.0) * trace.step_s[unknown] / S_PER_H
    if counter is None:
        least = np.zeros(len(unknown))
        taken = own[unknown]
        running = np.cumsum(own)
        ratio = None
        contact_more = _contact_more(trace, rate, own_total)
    else:
        base = 0.0 if trace.windowed else float(counter[0])
        counted = _steps_at(counter, unknown, base)
        # What the new boot counted before its first row is known to have flowed.
        least = np.clip(counted, 0.0, most)
        taken = np.clip(own[unknown], least, most)
        running = counter - base
        if len(unknown):
            shift = np.zeros_like(running)
            shift[unknown] = taken - counted
            running += np.cumsum(shift)
        broken = np.flatnonzero(trace.gap | trace.restarted)
        own_sum = own_total - float(own[broken].sum())
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


def _contact_more(trace: Trace, rate: Floats, own_total: float) -> float:
    """How much more flowed if only the meter lost contact. A board sits in series: there nothing flowed."""
    if trace.windowed or not trace.no_contact.any():
        return 0.0
    good = ~trace.no_contact
    bridged = np.interp(trace.time_s, trace.time_s[good], rate[good])
    return max(0.0, float(_own_steps(trace, bridged).sum()) - own_total)


def _own_steps(trace: Trace, rate: Floats) -> Floats:
    if not trace.windowed:
        steps = rate * trace.step_s
        steps[1:] += rate[:-1] * trace.step_s[1:]
        steps[1:] /= 2
        return steps / S_PER_H
    steps = rate * trace.step_s
    gap = np.flatnonzero(trace.gap)
    missing_s = trace.step_s[gap] - trace.weight_s[gap]
    steps[gap] += (rate[np.maximum(gap - 1, 0)] - rate[gap]) / 2 * missing_s
    steps /= S_PER_H
    return steps


def weighted_percentiles(values: Floats, weights: Floats, percents: tuple[float, ...]) -> Floats:
    """Least values that are not exceeded for the given percentages of the weight, shape (len(percents),)."""
    if np.ptp(weights) <= _EQUAL_SHARE * weights[0]:
        # Equal windows, the common case: finding three places is quicker than sorting all.
        places = np.ceil(np.asarray(percents) / 100 * len(values)).astype(np.intp) - 1
        return np.asarray(np.partition(values, places)[places], dtype=np.float64)
    order = np.argsort(values)
    share = np.cumsum(weights[order])
    at = np.searchsorted(share, np.asarray(percents) / 100 * share[-1], side="left")
    return np.asarray(values[order[np.minimum(at, len(values) - 1)]], dtype=np.float64)
