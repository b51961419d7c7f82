"""Charge and energy over time: the board's running counters where they go on, our own integral elsewhere.

Window means integrate exactly as value times span; samples by the trapezoidal rule.
Over a gap the counters know (same boot); without them the draw is taken as a straight
line from one side to the other and bounded by nothing at all and by the greatest row.
"""

from dataclasses import dataclass

import numpy as np

from analysis.trace import Floats, Trace

S_PER_H = 3600.0


@dataclass(frozen=True)
class Integral:
    """Running integral, shape (n,), in rate-hours (mAh, mWh).

    ``less`` and ``more``: how far the total may lie under and over, from gaps that nothing
    measured and from samples whose contact failed while the circuit may have run on. ``own_total``: our own integral, gaps as straight lines. ``check_ratio``: counters
    over own integral on the unbroken steps alone; None without counters or without draw.
    """

    running: Floats
    less: float
    more: float
    own_total: float
    check_ratio: float | None

    @property
    def total(self) -> float:
        return float(self.running[-1])


def integrate(trace: Trace, rate: Floats, counter: Floats | None) -> Integral:
    """Integral of ``rate`` (mA or mW, shape (n,)) over the run; ``counter`` is the board's own."""
    own = _own_steps(trace, rate)
    doubt = _no_contact_doubt(trace, rate, own) if counter is None else 0.0
    most = max(float(rate.max()), 0.0) * trace.step_s / S_PER_H
    if counter is None:
        steps, unknown, least = own, trace.gap, np.zeros_like(own)
        check_ratio = None
    else:
        counted = np.diff(counter, prepend=0.0 if trace.windowed else counter[0])
        unknown = trace.restarted
        # What the new boot counted before its first row is known to have flowed.
        least = np.clip(counted, 0.0, most)
        steps = np.where(unknown, np.clip(own, least, most), counted)
        unbroken = ~(trace.gap | unknown)
        own_sum = float(own[unbroken].sum())
        check_ratio = float(counted[unbroken].sum()) / own_sum if own_sum > 0 else None
    return Integral(
        running=np.cumsum(steps),
        less=float((steps - least)[unknown].clip(min=0).sum()),
        more=float((most - steps)[unknown].clip(min=0).sum()) + doubt,
        own_total=float(own.sum()),
        check_ratio=check_ratio,
    )


def _no_contact_doubt(trace: Trace, rate: Floats, own: Floats) -> float:
    """How much more flowed if only the meter lost contact. A board sits in series: there nothing flowed."""
    if trace.windowed or not trace.no_contact.any():
        return 0.0
    good = ~trace.no_contact
    bridged = np.interp(trace.time_s, trace.time_s[good], rate[good])
    return max(0.0, float(_own_steps(trace, bridged).sum() - own.sum()))


def _own_steps(trace: Trace, rate: Floats) -> Floats:
    before = np.concatenate((rate[:1], rate[:-1]))
    between = (before + rate) / 2
    if not trace.windowed:
        return between * trace.step_s / S_PER_H
    missing_s = np.where(trace.gap, trace.step_s - trace.weight_s, 0.0)
    return (rate * (trace.step_s - missing_s) + between * missing_s) / S_PER_H


def weighted_percentiles(values: Floats, weights: Floats, percents: tuple[float, ...]) -> Floats:
    """Least values that are not exceeded for the given percentages of the weight, shape (len(percents),)."""
    order = np.argsort(values)
    share = np.cumsum(weights[order])
    at = np.searchsorted(share, np.asarray(percents) / 100 * share[-1], side="left")
    return np.asarray(values[order[np.minimum(at, len(values) - 1)]], dtype=np.float64)
