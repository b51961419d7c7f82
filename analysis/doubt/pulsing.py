"""What the board's sum of volts times milliamperes misses of a load that pulses.

Behind a source of resistance R the voltage sags as the current rises: V = E - R I, so that
mean(V I) = mean(V) mean(I) - R var(I). The chip converts V and I one after the other, each as a mean
over its conversion: what changes within two conversions is lost to the product, and energy reads
high by R times it. For a current of stationary variogram g(u) = 1/2 E[(I(t + u) - I(t))^2] that is

    missed power = R g_between + R_shunt (g_between - g_within),

g_between the mean of g over the lags from one conversion into the next (0 to 2 T, a triangle about T),
g_within over those inside one (0 to T). It follows from the identity above with adjacent means of length T,
the pack's voltage being the bus conversion's plus the shunt conversion's drop. A board that sends bursts
of short conversions measures both. Of one that does not it is known that
var(I) <= (greatest - mean)(mean - least) (Bhatia and Davis, SOURCES.md F1), equal for two levels, so

    0 <= missed power <= R (greatest - mean)(mean - least) - what the product caught.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.doubt.load_steps import STEPS_LEAST, load_steps, without_far_off
from logger.base.sensor_limits import SHORT_IN_ONE, SensorLimits, range_of_normal
from logger.run.description import Bursts

Floats = NDArray[np.float64]

# Steps from row to row hold what polarises within a row, too: the project's own figure.
_SLOW_STEP_SHARE: Final = 0.08
# A sag so many steps of the voltage deep tells a resistance; the least of many readings lies
# about so many steps under the level it belongs to (noise): the project's own figures.
_SAG_STEPS: Final = 3.0
_LEAST_UNDER_STEPS: Final = 1.0
_LEAST_SPREAD_STEPS: Final = 1.0
# How far off the estimate of the luckiest edge may be, as a share of the whole drop: the project's own figure.
_EDGES_SPREAD_LEAST: Final = 0.1
# Fewer edges than this in a window may be cut alike, and the windows of which the sag is then taken: the project's own figures.
_FEW_EDGES: Final = 20.0
_LOW: Final = 0.25
# Of what the product of a slow load catches; below it pulses are about as short as a conversion.
_HELD_SHARE: Final = 0.5
# Of rare pulses as long as a conversion the product catches a sixth (mean of min(u, T) / T over the triangle).
_WHOLE_SHARE: Final = 0.2
# Pack and leads of a wearable where nothing tells: the project's own figure, on the wide side.
_UNSEEN_OHM: Final = 1.0
_LINES_LEAST: Final = 3
# Conversions whose length is so far off the sheet's are not what the bursts stand for; how far the power law may be
# off, as a share of what it corrects: the project's own figures.
_CONVERSIONS_APART: Final = (0.8, 1.25)
_POWER_LAW_SHARE: Final = 0.5
# Noise of up to 8 uV (no sheet limits it) spans less over a window of some thousand conversions.
_NOISE_SPAN_V: Final = 100e-6
_MW_PER_OHM_MA2: Final = 1e-3
_S_PER_H: Final = 3600.0
_ROOT_3: Final = math.sqrt(3.0)


@dataclass(frozen=True)
class Windows:
    """Columns of a run of windows, each of shape (n,): mA, V, s.

    ``caught_mwh``: what the board's energy of each row is below mean(V) x mean(I); zeros where it
    was reckoned from the means. ``conversions``: usual number in a window. ``joined``: no rows are missing before this one.
    """

    mean_ma: Floats
    least_ma: Floats
    most_ma: Floats
    mean_v: Floats
    least_v: Floats
    weight_s: Floats
    joined: NDArray[np.bool_]
    caught_mwh: Floats
    conversions: float = 100.0


@dataclass(frozen=True)
class Source:
    """Resistance between the ideal source and the shunt, with its standard uncertainty, in ohm."""

    ohm: float
    standard_ohm: float


@dataclass(frozen=True)
class Burst:
    """What bursts of short conversions saw: g (mA^2) between two conversions and within one, and the standard
    uncertainty of the first."""

    between_ma2: float
    within_ma2: float
    standard_ma2: float


def burst_of(
    seen: Bursts | None, sheet: SensorLimits | None = None, conversion_s: float | None = None
) -> Burst | None:
    """What a run's bursts saw; None of too few.

    Their mean over the lines, with its scatter; lines of one mode are alike, so that scatter is a little too small.
    ``conversion_s``: how long this chip's own conversions last, by its count: sheets leave them a tenth, while the
    bursts keep time by the board. g grows with the lag to a power between 1 (edges are rare) and 0 (all is seen at
    once), which the two means tell: lags within a conversion are a third of those to the next.

    Pulses as short as the short conversions hide more than ``sheet.short_share`` of g, all the more the nearer the
    two means are; up to as much again may be missing, half of it is added and the other half is doubt.
    """
    if seen is None or seen.lines < _LINES_LEAST:
        return None
    between, within = seen.between_ma2, seen.within_ma2
    standard = seen.spread_ma2 / math.sqrt(seen.lines)
    if sheet is None or between <= 0 or within <= 0:
        return Burst(between, within, standard)
    power = min(max(math.log(between / within) / math.log(3.0), 0.0), 1.0)
    scale = 1.0
    if conversion_s is not None:
        ratio = conversion_s / (SHORT_IN_ONE * sheet.short_s)
        scale = ratio**power if _CONVERSIONS_APART[0] < ratio < _CONVERSIONS_APART[1] else 1.0
    hidden = sheet.short_share / (1 + sheet.short_share) * within * (1 - power) ** 2
    standard = math.hypot(
        standard, hidden / 2 / _ROOT_3, _POWER_LAW_SHARE * abs(scale - 1) * between / _ROOT_3
    )
    added = hidden / 2
    return Burst(scale * (between + added), scale * (within + added), scale * standard)


@dataclass(frozen=True)
class Sag:
    """Energy that was counted and never taken. ``running_mwh``: running, shape (n,), to be subtracted;
    ``source`` None: the voltage showed no sag, and nothing is taken off.

    ``standard_mwh``: of its end value, from the source's resistance and the bursts. ``less_mwh``, ``more_mwh``:
    the energy may be less or more by so much, which nothing tells. ``measured``: bursts told it. ``fast``: the load changes within a
    conversion, so that none of them need hold its peak. ``is_open_below``: nothing tells how much less the energy may be, as pulses may be
    shorter than a conversion, whose extremes then do not show them.
    """

    running_mwh: Floats
    standard_mwh: float
    less_mwh: float
    more_mwh: float
    source: Source | None
    measured: bool
    fast: bool = False
    is_open_below: bool = False

    @property
    def total_mwh(self) -> float:
        return float(self.running_mwh[-1])


def sag(
    rows: Windows, voltage_step_v: float, shunt_ohm: float, burst: Burst | None = None
) -> Sag | None:
    """What to take off a run's energy; None where the load does not pulse or the rows cannot tell.

    ``voltage_step_v``: step of the sensor's voltage; ``shunt_ohm``: its shunt.
    """
    rows = _without_noise(rows, shunt_ohm)
    spread_ma2 = np.clip((rows.most_ma - rows.mean_ma) * (rows.mean_ma - rows.least_ma), 0, None)
    hours = rows.weight_s / _S_PER_H
    bound = _MW_PER_OHM_MA2 * spread_ma2 * hours  # mWh per ohm
    most, most_joined = float(bound.sum()), float(bound[rows.joined].sum())
    if most_joined <= 0:
        return None
    running = np.cumsum(bound) / most
    caught_ohm = float(rows.caught_mwh.sum()) / most_joined
    source = source_resistance(rows, voltage_step_v, shunt_ohm, caught_ohm)
    if source is None:
        open_mwh = max(0.0, _under_the_step_ohm(rows, voltage_step_v) - caught_ohm) * most
        if burst is not None:
            # What long conversions average away shows no sag either.
            unseen = _UNSEEN_OHM * _MW_PER_OHM_MA2 * burst.between_ma2 * float(hours.sum())
            open_mwh = max(open_mwh, unseen)
        return Sag(0.0 * running, 0.0, open_mwh, 0.0, None, False)
    fast = caught_ohm < _HELD_SHARE * source.ohm
    if burst is not None:
        per_ohm = _MW_PER_OHM_MA2 * float(hours.sum())
        drop = shunt_ohm * (burst.between_ma2 - burst.within_ma2)
        total = max(0.0, source.ohm * burst.between_ma2 + drop) * per_ohm
        standard = per_ohm * math.hypot(
            source.standard_ohm * burst.between_ma2, (source.ohm + shunt_ohm) * burst.standard_ma2
        )
        return Sag(total * running, standard, 0.0, 0.0, source, True, fast)
    half = max(0.0, source.ohm - caught_ohm) * most / 2
    hidden = caught_ohm < _WHOLE_SHARE * source.ohm
    standard = source.standard_ohm * most
    return Sag(half * running, standard, half, half, source, False, fast, hidden)


def is_pulsing(span_ma: Floats, shunt_ohm: float) -> NDArray[np.bool_]:
    """Windows whose span from the least to the greatest conversion is more than the chips' noise makes."""
    return np.asarray(span_ma * shunt_ohm >= 1e3 * _NOISE_SPAN_V)


def _without_noise(rows: Windows, shunt_ohm: float) -> Windows:
    """The same with windows that do not pulse as if they were quite steady."""
    pulsing = is_pulsing(rows.most_ma - rows.least_ma, shunt_ohm)
    return replace(
        rows,
        least_ma=np.where(pulsing, rows.least_ma, rows.mean_ma),
        most_ma=np.where(pulsing, rows.most_ma, rows.mean_ma),
    )


def source_resistance(
    rows: Windows, voltage_step_v: float, shunt_ohm: float, caught_ohm: float
) -> Source | None:
    """Resistance from the run's own steps of the load, and from the sag within its windows.

    Of the two the surer one counts more (weights 1 / u^2). ``caught_ohm``: what the product caught, over
    Bhatia and Davis' bound: the nearer to the resistance, the slower the load.
    """
    found = [
        each
        for each in (_from_steps(rows), _from_sags(rows, voltage_step_v, shunt_ohm, caught_ohm))
        if each is not None
    ]
    if not found:
        return None
    weights = np.array([1 / each.standard_ohm**2 for each in found])
    mean = float(weights @ np.array([each.ohm for each in found]) / weights.sum())
    # Two that disagree are no surer than their difference.
    apart = (max(each.ohm for each in found) - min(each.ohm for each in found)) / 2
    return Source(mean, max(float(weights.sum()) ** -0.5, apart / _ROOT_3))


def _from_steps(rows: Windows) -> Source | None:
    ohms, at = load_steps(rows.mean_v, rows.mean_ma, rows.joined[1:])
    if len(ohms) < STEPS_LEAST:
        return None
    ohms = ohms[without_far_off(ohms, at * 10 // len(rows.mean_v))]
    ohm = float(np.mean(ohms))
    if ohm <= 0:
        return None
    scatter = float(np.std(ohms, ddof=1)) / math.sqrt(len(ohms))
    return Source(ohm, math.hypot(scatter, _SLOW_STEP_SHARE * ohm / _ROOT_3))


def _from_sags(
    rows: Windows, voltage_step_v: float, shunt_ohm: float, caught_ohm: float
) -> Source | None:
    """The deepest sag of a window over the highest rise of its current.

    Both are means over a conversion, so that a load too fast for it makes both smaller alike. The pack's
    least voltage holds the shunt's drop of the conversion before: where a rising edge fell between the two,
    the drop from the least to the greatest current is missing, and the sag is that much too deep.
    """
    deep_v = rows.mean_v - rows.least_v
    rise_a = 1e-3 * (rows.most_ma - rows.mean_ma)
    shown = (deep_v >= _SAG_STEPS * voltage_step_v) & (rise_a > 0)
    if shown.sum() < STEPS_LEAST:
        return None
    span_a = 1e-3 * (rows.most_ma - rows.least_ma)[shown]
    # Share of the time at the greatest current.
    high = float(np.median(1 - rise_a[shown] / span_a))
    under = range_of_normal(high * rows.conversions) / range_of_normal(rows.conversions)
    ohms = (deep_v[shown] - under * _LEAST_UNDER_STEPS * voltage_step_v) / rise_a[shown]
    ohm = float(np.median(ohms))
    if ohm <= 0:
        return None
    drop_ohm = shunt_ohm * float(np.median(span_a / rise_a[shown]))
    edges = _edges(rows.conversions, high, caught_ohm / ohm)
    if edges < _FEW_EDGES:
        # Few pulses may all be cut alike, and then hardly a window lacks the drop: those that lack least differ least.
        ohm, met = float(np.quantile(ohms, _LOW)), _met(edges, _LOW)
        spread = max(_EDGES_SPREAD_LEAST, met)
    else:
        met = _met(edges, 0.5)
        spread = max(_EDGES_SPREAD_LEAST, min(1 - met, 0.5))
    rounding_ohm = _LEAST_SPREAD_STEPS * voltage_step_v / float(np.median(rise_a[shown]))
    standard = math.hypot(drop_ohm * spread, rounding_ohm) / _ROOT_3
    return Source(max(ohm - met * drop_ohm, 1e-3), max(standard, 1e-3))


def _edges(conversions: float, high: float, caught: float) -> float:
    """Edges in a window of a load that is ``high`` for this share of the time and whose product catches this share.

    Of its variance high (1 - high) J^2 the product loses n J^2 T / 2 by n edges a window and conversions T long,
    2 T conversions = 1.
    """
    return conversions * 4 * high * (1 - high) * min(2.0, max(1 - caught, 0.0))


def _met(edges: float, share: float) -> float:
    """Share of the shunt's drop that the deepest sag lacks at most in this share of the windows.

    Every other edge rises; half of those fall within a conversion of the current, anywhere in it, so that the drop is
    missing by m from 0 to 1: the greatest of n / 2 stays under m in ((1 + m) / 2)^(n / 2) of the windows.
    """
    return max(0.0, float(2 * share ** (2 / edges)) - 1) if edges > 0 else 0.0


def _under_the_step_ohm(rows: Windows, voltage_step_v: float) -> float:
    """Greatest resistance whose sag would not have shown."""
    rise_a = 1e-3 * (rows.most_ma - rows.mean_ma)
    high = rise_a >= 0.5 * float(rise_a.max())
    deep_v = float(np.median((rows.mean_v - rows.least_v)[high]))
    return (deep_v + voltage_step_v) / float(np.median(rise_a[high]))
