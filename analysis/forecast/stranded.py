"""What the pack still held when the circuit gave up, and what one cell more or a lower floor would have bought."""

from dataclasses import dataclass, replace

import numpy as np

from analysis.doubt.quantity import Quantity
from analysis.forecast.forecast import Forecast
from analysis.forecast.of_run import Seen, forecast_seen


@dataclass(frozen=True)
class Stranded:
    """``charge``, ``energy``: between cutoff and the cells' floor at this draw. ``one_cell_more``,
    ``lower_cutoff``: extra time (h) with a cell more, or with a circuit that works down to the floor.
    """

    charge: Quantity
    energy: Quantity
    one_cell_more: Quantity
    lower_cutoff: Quantity


def stranded(rows: Seen, at_cutoff: Forecast, cutoff_v: float, hold_s: float) -> Stranded | None:
    """From the run's curve (``rows``, and their forecast at the cutoff), gone on to the floor by the forecast where the run stopped above it.

    None if the pack is not stated, the cutoff was not reached, or it is at the floor already.
    """
    pack = rows.run.description.pack
    if pack is None or not pack.floor_v or cutoff_v <= pack.floor_v * 1.001:
        return None
    if at_cutoff.basis != "reached" or at_cutoff.median_s is None:
        return None
    at_floor = forecast_seen(rows, pack.floor_v, hold_s)
    if at_floor.median_s is None:
        return None
    used = at_cutoff.capacity_mah.value or 0.0
    charge = _less(at_floor.capacity_mah, used)
    mean_v = _mean_v(rows, cutoff_v, pack.floor_v)
    energy = Quantity(
        None if charge.value is None else charge.value * mean_v,
        "mWh",
        None if charge.lower is None else charge.lower * mean_v,
        None if charge.upper is None else charge.upper * mean_v,
        charge.coverage,
        charge.note,
    )
    lower = _hours_more(at_floor, at_cutoff.median_s, 1.0)
    # one cell more: each cell may go down to cutoff / (n + 1); a booster then draws less current
    per_cell_v = cutoff_v * pack.cells / (pack.cells + 1)
    deeper = forecast_seen(rows, max(per_cell_v, pack.floor_v), hold_s)
    exponent = at_cutoff.load_exponent.value
    gain = ((pack.cells + 1) / pack.cells) ** (-exponent if exponent is not None else 0.0)
    more = _hours_more(deeper, at_cutoff.median_s, gain)
    if exponent is not None and exponent > 0.5:
        more = replace(
            more,
            note="the piece would also be brighter or hotter: it draws more from a higher voltage",
        )
    return Stranded(charge, energy, more, lower)


def _less(quantity: Quantity, used_mah: float) -> Quantity:
    value, lower, upper = (
        None if end is None else max(end - used_mah, 0.0)
        for end in (quantity.value, quantity.lower, quantity.upper)
    )
    measured = lower is None and upper is None
    note = (
        "measured: the run went on to the floor"
        if measured
        else "estimated: the curve gone on from the cutoff to the cells' floor"
    )
    return Quantity(value, "mAh", lower, upper, quantity.coverage, note)


def _hours_more(found: Forecast, cutoff_s: float, gain: float) -> Quantity:
    most = found.cutoff_time[1]
    value, lower, upper = (
        None if end is None else (end * gain - cutoff_s) / 3600
        for end in (most.value, most.lower, most.upper)
    )
    return Quantity(value, "h", lower, upper, most.coverage)


def _mean_v(rows: Seen, cutoff_v: float, floor_v: float) -> float:
    """Mean voltage between cutoff and floor: of the run's own rows there, else the middle."""
    volts = rows.trace.voltage_v
    assert volts is not None
    inside = volts[(volts <= cutoff_v) & (volts >= floor_v)]
    return float(np.mean(inside)) if len(inside) > 20 else (cutoff_v + floor_v) / 2
