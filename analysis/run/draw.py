"""Charge, energy and draw of a run as quantities with their intervals."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from analysis.doubt.beyond import Beyond, Seen, as_bound, beyond_of, bounded, is_a_blink
from analysis.doubt.chance import Luckless, Rows, level_around, lift_of_greatest_ma
from analysis.doubt.cut_pulses import Resistance
from analysis.doubt.pulsing import Burst, Sag, Windows, sag
from analysis.doubt.quantity import Quantity
from analysis.doubt.uncertainty import (
    SCATTER,
    Budget,
    Component,
    Limits,
    budget,
    combined,
    coverage_factor,
    interval,
)
from analysis.run.cutoff import Fall
from analysis.run.integration import S_PER_H, Integral, integrate, weighted_percentiles
from analysis.run.trace import Trace, blocks, sum_of_products
from logger.run.description import Description

PERCENTS: Final = (5.0, 50.0, 95.0)
_SHORT_PEAKS: Final = (
    "lower bound: the load's peaks are about as short as one conversion, or shorter"
)
_TOO_FAST: Final = (
    "at most: the load pulses faster than the sensor converts, and this board's sketch does not measure by how much; "
    "the newest sketch does"
)
PULSING: Final = "sag of the pulsing load (resistance of pack and leads)"
_NO_CURRENT: Final = "no current was measured"


@dataclass(frozen=True)
class Draw:
    """Running charge and energy of a run with the limits of its sensor; None: not measured.

    ``sag_share``: how much less energy than V times I of the rows a pulsing load may have taken.
    ``beyond``: what lay outside the sensor's range, None: nothing; then results are lower bounds.
    ``sag``: what was taken off ``energy`` because the board's product misses it, None: nothing.
    ``between_ma2``: half the mean squared difference from one conversion to the next, None: no bursts told it.
    """

    trace: Trace
    limits: Limits | None
    charge: Integral | None
    energy: Integral | None
    sag_share: float
    sag: Sag | None = None
    beyond: Beyond | None = None
    between_ma2: float | None = None

    @cached_property
    def beyond_for_long(self) -> Beyond | None:
        """What makes sums and means lower bounds: None where all that it can have been is lost in the doubt."""
        beyond = self.beyond
        if beyond is None or self.charge is None:
            return beyond
        components = self.charge_budget(self.trace.end_s)
        if components is None:
            return beyond
        total = self.charge.total
        mean_ma = total / (self.trace.duration_s / S_PER_H) if self.trace.duration_s > 0 else 0.0
        half = coverage_factor(components) * combined(components)
        blink = total > 0 and is_a_blink(beyond, mean_ma, half / total)
        return None if blink else beyond

    @cached_property
    def _scatter_ma(self) -> float:
        """From row to row. Windows leave no time out, so only noise counts there; between samples of
        other meters the load's own flicker was missed as well and counts in full."""
        assert self.trace.current_ma is not None
        if self.trace.windowed:
            return self.trace.scatter.current_ma
        return float(np.std(np.diff(self.trace.current_ma)) / math.sqrt(2))

    def charge_budget(self, at_s: float) -> Budget | None:
        """Components of the charge up to ``at_s`` on the run's axis, in mAh."""
        if at_s not in self._charge_budgets:
            self._charge_budgets[at_s] = self._charge_budget(at_s)
        return self._charge_budgets[at_s]

    @cached_property
    def _charge_budgets(self) -> dict[float, Budget | None]:
        """Those asked for so far: many results want that of the whole run, and each passes over all rows."""
        return {}

    def _charge_budget(self, at_s: float) -> Budget | None:
        if self.limits is None or self.charge is None or self.trace.current_ma is None:
            return None
        trace = self.trace
        # Rows are in order of time: a slice, no copy.
        weights_s = trace.weight_s[: np.searchsorted(trace.time_s, at_s, side="right")]
        return budget(
            self.limits,
            self.charge_at(at_s),
            per_ma=(at_s - trace.begin_s) / S_PER_H,
            clocked=True,
            noise=self._scatter_ma * math.sqrt(float(weights_s @ weights_s)) / S_PER_H,
            noise_dof=len(trace.time_s) - 1,
        )

    def energy_budget(self, at_s: float) -> Budget | None:
        """Components of the energy up to ``at_s`` on the run's axis, in mWh."""
        if at_s not in self._energy_budgets:
            self._energy_budgets[at_s] = self._energy_budget(at_s)
        return self._energy_budgets[at_s]

    @cached_property
    def _energy_budgets(self) -> dict[float, Budget | None]:
        return {}

    def _energy_budget(self, at_s: float) -> Budget | None:
        if self.limits is None or self.energy is None or self.trace.voltage_v is None:
            return None
        upto = slice(int(np.searchsorted(self.trace.time_s, at_s, side="right")))
        volt_hours = float(self.trace.voltage_v[upto] @ self.trace.weight_s[upto]) / S_PER_H
        components = budget(
            self.limits,
            self.energy_at(at_s),
            per_ma=volt_hours,
            per_v=self.charge_at(at_s),
            clocked=True,
        )
        if self.sag is None or self.sag.total_mwh <= 0:
            return components
        row = max(upto.stop - 1, 0)
        share = float(self.sag.running_mwh[row]) / self.sag.total_mwh
        return (*components, Component(PULSING, "B", share * self.sag.standard_mwh))

    def mean_current_budget(self) -> Budget | None:
        """Components of the mean current in mA: charge over duration, so that the clock falls out."""
        components = self.charge_budget(self.trace.end_s)
        if components is None or self.limits is None or self.charge is None:
            return None
        hours = self.trace.duration_s / S_PER_H
        scatter = (part for part in components if part.kind == "A" and part.source == SCATTER)
        return (
            *budget(self.limits, self.charge.total / hours, per_ma=1.0),
            *(replace(part, standard=part.standard / hours) for part in scatter),
        )

    def duration_budget(self) -> Budget | None:
        """Components of the run's length in s."""
        if self.limits is None:
            return None
        return budget(self.limits, self.trace.duration_s, clocked=True)

    def charge_at(self, at_s: float) -> float:
        return _at(self.trace, self.charge, at_s)

    def energy_at(self, at_s: float) -> float:
        return _at(self.trace, self.energy, at_s)


def draw_of(
    trace: Trace,
    limits: Limits | None,
    burst: Burst | None = None,
    description: Description | None = None,
) -> Draw:
    """Integrate a run's current and power.

    ``burst``: what the board's short conversions saw of the load. ``description``: the run's own, for the sensor's
    range and what the board said of it.
    """
    charge = energy = missed = None
    if trace.current_ma is not None:
        charge = integrate(trace, (trace.current_ma,), trace.charge_mah)
        if trace.voltage_v is not None:
            energy = integrate(trace, (trace.current_ma, trace.voltage_v), trace.energy_mwh)
            missed = _missed(trace, limits, burst)
    if energy is not None and missed is not None:
        energy = replace(
            energy,
            running=energy.running - missed.running_mwh,
            less=energy.less + missed.less_mwh,
            more=energy.more + missed.more_mwh,
        )
    return Draw(
        trace,
        limits,
        charge,
        energy,
        _sag_share(trace),
        missed,
        beyond_in(trace, limits, description),
        None if burst is None else burst.between_ma2,
    )


def beyond_in(
    trace: Trace, limits: Limits | None, description: Description | None
) -> Beyond | None:
    """What of the run lay outside its sensor's range; None: nothing, or nobody knows the range."""
    if description is None or trace.current_ma is None:
        return None
    seen = Seen(
        trace.current_ma,
        trace.current_max_ma,
        trace.current_min_ma,
        trace.bus_v,
        trace.weight_s,
        trace.conversions,
    )
    return beyond_of(description, seen, limits.current_factor if limits else 1.0)


def _missed(trace: Trace, limits: Limits | None, burst: Burst | None) -> Sag | None:
    """Energy that the board counted of a pulsing load though it was not taken."""
    mean_v, mean_ma, least_v = trace.voltage_v, trace.current_ma, trace.voltage_min_v
    least_ma, most_ma = trace.current_min_ma, trace.current_max_ma
    if limits is None or not trace.windowed or mean_v is None or mean_ma is None:
        return None
    if least_v is None or least_ma is None or most_ma is None:
        return None
    joined = ~(trace.gap | trace.restarted)
    caught_mwh = np.zeros(len(mean_ma))
    if trace.energy_mwh is not None:
        steps_mwh = np.diff(trace.energy_mwh, prepend=0.0)
        caught_mwh = np.where(joined, mean_ma * mean_v * trace.step_s / S_PER_H - steps_mwh, 0.0)
        caught_mwh[0] = 0.0  # the counter may have begun before the run
    rows = Windows(
        mean_ma=mean_ma,
        least_ma=least_ma,
        most_ma=most_ma,
        mean_v=mean_v,
        least_v=least_v,
        weight_s=trace.weight_s,
        joined=joined,
        caught_mwh=caught_mwh,
        conversions=100.0 if trace.conversions is None else float(np.median(trace.conversions)),
    )
    step_v = limits.sheet.voltage_grain_v if limits.sheet else limits.voltage_step_v
    return sag(rows, step_v, limits.shunt_ohm, burst)


def charge(draw: Draw) -> Quantity:
    """Charge out of the pack over the whole run."""
    found = _total(draw.charge, "mAh", draw.charge_budget(draw.trace.end_s))
    beyond = draw.beyond_for_long
    return bounded(found, beyond, more=beyond.more_mah if beyond else 0.0)


def energy(draw: Draw) -> Quantity:
    """Energy out of the pack over the whole run."""
    found = _total(draw.energy, "mWh", draw.energy_budget(draw.trace.end_s))
    beyond = draw.beyond_for_long
    if beyond is None or draw.trace.voltage_v is None:
        return _open_below(draw, found)
    return bounded(found, beyond, more=beyond.more_mah * float(draw.trace.voltage_v.min()))


def charge_to_cutoff(draw: Draw, fall: Fall) -> Quantity:
    """Charge out of the pack up to the held crossing."""
    found = _to_cutoff(fall, draw.charge, "mAh", draw.charge_at, draw.charge_budget)
    return bounded(found, draw.beyond_for_long)


def energy_to_cutoff(draw: Draw, fall: Fall) -> Quantity:
    """Energy out of the pack up to the held crossing."""
    found = _to_cutoff(fall, draw.energy, "mWh", draw.energy_at, draw.energy_budget)
    if draw.beyond_for_long is None:
        return _open_below(draw, found)
    return bounded(found, draw.beyond_for_long)


def _open_below(draw: Draw, found: Quantity) -> Quantity:
    """Energy of a load too fast for the conversions of a board without bursts: only its upper end is known."""
    if found.lower is None or draw.sag is None or not draw.sag.is_open_below:
        return found
    return replace(found, lower=None, note=_TOO_FAST)


def charge_between(draw: Draw, fall: Fall, until_s: float) -> Quantity:
    """Charge from the held crossing up to a later instant on the run's axis."""
    assert draw.charge is not None
    assert fall.crossing is not None
    at_s = fall.crossing.time_s
    value = draw.charge_at(until_s) - draw.charge_at(at_s)
    components = None
    if draw.limits is not None:
        components = budget(draw.limits, value, per_ma=(until_s - at_s) / S_PER_H, clocked=True)
        components += _reading_at_cutoff(fall, draw.charge_at)
    return bounded(interval(value, "mAh", components), draw.beyond_for_long)


def duration(draw: Draw) -> Quantity:
    """Length of the run; board runs count from where the first window began."""
    return interval(draw.trace.duration_s, "s", draw.duration_budget())


def mean_current(draw: Draw) -> Quantity:
    """Charge over duration; the clock's error falls out."""
    hours = draw.trace.duration_s / S_PER_H
    if draw.charge is None or hours <= 0:
        return Quantity(None, "mA", note=_NO_CURRENT)
    found = interval(
        draw.charge.total / hours,
        "mA",
        draw.mean_current_budget(),
        less=draw.charge.less / hours,
        more=(draw.charge.more + draw.charge.contact_more) / hours,
    )
    beyond = draw.beyond_for_long
    return bounded(found, beyond, more=beyond.more_mah / hours if beyond else 0.0)


def peak_current(draw: Draw) -> Quantity:
    """Greatest single conversion where the run has them, else the greatest row."""
    trace = draw.trace
    values = trace.current_max_ma if trace.current_max_ma is not None else trace.current_ma
    if values is None:
        return Quantity(None, "mA", note=_NO_CURRENT)
    over_ma = half_ma = 0.0
    rows = _rows(trace)
    if rows is not None and draw.limits and draw.limits.shunt_ohm:
        noise_ma = trace.scatter.conversion_ma
        over_ma, half_ma = lift_of_greatest_ma(rows, noise_ma, draw.limits.shunt_ohm)
    top_ma = float(values.max()) - over_ma
    if draw.beyond is not None and draw.beyond.told and draw.beyond.range_ma:
        top_ma = max(top_ma, draw.beyond.range_ma)  # what lay beyond it is in no row
    found = bounded(_current(draw, top_ma, less=half_ma, more=half_ma), draw.beyond)
    if found.at_least or draw.sag is None or not draw.sag.fast:
        return found
    return as_bound(found, _SHORT_PEAKS)


def current_percentiles(draw: Draw) -> tuple[tuple[float, Quantity], ...]:
    """Current (row means) that is not exceeded for 5, 50 and 95 % of the time."""
    trace = draw.trace
    if trace.current_ma is None:
        return ()
    values = weighted_percentiles(trace.current_ma, trace.weight_s, PERCENTS)
    beyond = draw.beyond
    share = beyond.share if beyond else 0.0
    rows, known = _rows(trace), _known(draw)
    some = None if rows is None or known is None else rows.some()

    def one(percent: float, value_ma: float) -> Quantity:
        if some is None or known is None:
            found = _current(draw, value_ma)
        else:
            level = level_around(value_ma, some, known)
            found = _current(
                draw,
                level.value_ma,
                less=level.less_ma,
                more=level.more_ma,
                noise=level.scatter_ma,
            )
        return bounded(found, beyond if share >= 1 - percent / 100 else None)

    return tuple((p, one(p, float(v))) for p, v in zip(PERCENTS, values, strict=True))


def voltage(draw: Draw, value: float | None) -> Quantity:
    """A voltage with the sensor's interval; None: there is none."""
    if value is None:
        return Quantity(None, "V", note="no voltage")
    components = None if draw.limits is None else budget(draw.limits, value, per_v=1.0)
    return interval(value, "V", components)


def _sag_share(trace: Trace) -> float:
    """Greatest share by which V times I of window means may exceed the mean of the product.

    A load that pulses within a window makes the voltage sag as the current rises. On a source with
    a resistance, with means and minima of the window given, mean(V I) lies between
    V I - (V - Vmin)(I - Imin), a load of two levels, and V I, a steady one.
    """
    if trace.voltage_v is None or trace.current_ma is None:
        return 0.0
    if trace.voltage_min_v is None or trace.current_min_ma is None:
        return 0.0
    whole = sum_of_products(trace.voltage_v, trace.current_ma, trace.weight_s)
    sag = 0.0
    for part in blocks(len(trace.time_s)):
        sag_v = trace.voltage_v[part] - trace.voltage_min_v[part]
        rise_ma = trace.current_ma[part] - trace.current_min_ma[part]
        sag += float((sag_v * rise_ma * trace.weight_s[part]).sum())
    return sag / whole if whole > 0 else 0.0


def _at(trace: Trace, integral: Integral | None, at_s: float) -> float:
    """Running integral at an instant, a straight line between rows."""
    if integral is None:
        return 0.0
    row = int(np.searchsorted(trace.time_s, at_s))
    if row >= len(trace.time_s):
        return integral.total
    before_s = trace.begin_s if row == 0 else float(trace.time_s[row - 1])
    before = 0.0 if row == 0 else float(integral.running[row - 1])
    span_s = float(trace.time_s[row]) - before_s
    share = (at_s - before_s) / span_s if span_s > 0 else 1.0
    return before + share * (float(integral.running[row]) - before)


def _rows(trace: Trace) -> Rows | None:
    """Means, extremes and conversions of the rows; None where the run has not all of them."""
    columns = (trace.current_ma, trace.current_min_ma, trace.current_max_ma, trace.conversions)
    mean, least, most, conversions = columns
    if not trace.windowed or mean is None or least is None or most is None or conversions is None:
        return None
    return Rows(mean, least, most, conversions, trace.bus_v)


def _known(draw: Draw) -> Luckless | None:
    """What tells luck from change in this run's rows; None of a meter without a shunt."""
    if draw.limits is None or not draw.limits.shunt_ohm:
        return None
    seen, shunt_ohm = draw.trace.scatter, draw.limits.shunt_ohm
    source = draw.sag.source if draw.sag else None
    return Luckless(
        shunt_ohm=shunt_ohm,
        noise_ma=seen.conversion_ma,
        between_ma2=draw.between_ma2,
        source=None
        if source is None
        else Resistance(source.ohm + shunt_ohm, source.standard_ohm / (source.ohm + shunt_ohm)),
    )


def _current(
    draw: Draw, current_ma: float, *, less: float = 0.0, more: float = 0.0, noise: float = 0.0
) -> Quantity:
    components = (
        None if draw.limits is None else budget(draw.limits, current_ma, per_ma=1.0, noise=noise)
    )
    return interval(current_ma, "mA", components, less=less, more=more)


def _total(integral: Integral | None, unit: str, components: Budget | None) -> Quantity:
    if integral is None:
        return Quantity(None, unit, note="current (and, for energy, voltage) was not measured")
    return interval(
        integral.total,
        unit,
        components,
        less=integral.less,
        more=integral.more + integral.contact_more,
    )


def _to_cutoff(
    fall: Fall,
    integral: Integral | None,
    unit: str,
    at: Callable[[float], float],
    components_at: Callable[[float], Budget | None],
) -> Quantity:
    if integral is None or fall.crossing is None:
        return Quantity(None, unit, note="cutoff not reached, or current not measured")
    at_s = fall.crossing.time_s
    components = components_at(at_s)
    if components is not None:
        components += _reading_at_cutoff(fall, at)
    return interval(
        at(at_s), unit, components, less=integral.less, more=integral.more + integral.contact_more
    )


def _reading_at_cutoff(fall: Fall, at: Callable[[float], float]) -> Budget:
    """A wrong voltage reading ends the count earlier or later: half of what the 95 % interval spans."""
    if fall.crossing is None or fall.lower_s is None:
        return ()
    half = (at(fall.crossing.time_s) - at(fall.lower_s)) / 2
    return (Component("voltage reading at the cutoff", "B", half),)
