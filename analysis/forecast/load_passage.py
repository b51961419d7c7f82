"""When does a load that goes up and down meet the cutoff? It plays on as it has been.

Opinions tell how much charge is left until the cutoff under the heavy draw of now. A still heavier draw ends the run
earlier, and a time of light draws puts it off. The past load is played on from a random place of it
(a circular block bootstrap, Politis & Romano 1992): its draws keep their order, lengths and levels. A draw of another
level than the heavy one meets the cutoff where the voltage under the heavy one would stand higher or lower by the
difference on the run's own resistance.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course, breaks, last_step, set_anew, spells
from analysis.forecast.opinions import first_below
from analysis.run.history import Bins, part

Array = NDArray[np.float64]

_LEVELS: Final = 9
_NEAR: Final = 0.97  # of the heavy draw: as good as it
_STEADY_SHARE: Final = 0.9  # of the time so near: the load is steady
_BINS_LEAST: Final = 8
_AHEAD: Final = 192  # pieces of load that are played
_SOON: Final = 4.0  # pieces: so soon the draw of now still counts
_LIGHT: Final = 0.1  # of the usual draw
_LIKE: Final = 0.03  # of the heaviest draw: the same level
_FEW: Final = (2, 20)  # times that the load was set anew
_SLOPES: Final = (0.1, 20.0)  # of the usual slope
_TAIL: Final = 0.9  # of the way: the slope from there goes on beyond the cutoff

# A draw that creeps up: judgement, tried on the generator's runs with a creep planted (seeds 6 and 31604).
_CREEP_BLOCKS: Final = 16
_CREEP_MOMENTS: Final = (8, 10, 12, 14)  # blocks seen
_CREEP_SD: Final = 0.03  # of a foreseen mean draw's logarithm
_CREEP_PRIOR: Final = 0.1
_CREEP_MOST: Final = 0.9  # of the belief: what crept may stop
_CREEP_BENDS: Final = 0.3  # of the rate: a creep seldom keeps to its line
_CREEPS_ON: Final = 1.5  # times as long as it has crept

# How often a break, or a load as before it was set anew, comes again after one, two, three of them. Judgement, no source.
_BREAK_COMES: Final = (0.2, 0.3, 0.45)
_GOES_BACK: Final = (0.1, 0.25, 0.5)


def other_ways(bins: Bins) -> tuple[tuple[float, float], ...]:
    """How else the load may go on than as lately and without a break: (chance, factor on the time that a charge takes)."""
    off = breaks(bins)
    on = part(bins, ~off)
    found = []
    if off.any() and len(on.end_s):
        factor = float(bins.span_s.sum() / max(float(on.span_s.sum()), 1e-9))
        found.append((_BREAK_COMES[min(spells(off), len(_BREAK_COMES)) - 1], factor))
    first = last_step(on)
    if first:
        before = len(set_anew(part(on, slice(0, first))))
        late = part(on, slice(first, None))
        all_ma, late_ma = (float(np.average(b.mean_ma, weights=b.span_s)) for b in (on, late))
        share = _GOES_BACK[min(before, len(_GOES_BACK) - 1)]
        found.append((share, late_ma / max(all_ma, 1e-9)))
    return tuple(found)


def stretched(
    left_s: Array, ways: tuple[tuple[float, float], ...], rng: np.random.Generator
) -> Array:
    """Seconds left, each draw by one of the ways in which the load may go on."""
    for share, factor in ways:
        left_s = np.where(rng.random(len(left_s)) < share, left_s * factor, left_s)
    return left_s


@dataclass(frozen=True)
class Creep:
    """A draw that rises slowly at one voltage. ``now``: its level now over its mean so far; ``rate_per_s``: rise of
    now's level, a share of it, with ``sd_per_s``; ``elapsed_s``: over which it was seen; ``belief``: that it goes on so, 0 to 1.
    """

    now: float
    rate_per_s: float
    sd_per_s: float
    elapsed_s: float
    belief: float

    def sooner(self, left_s: Array, rng: np.random.Generator) -> Array:
        """Seconds left under the mean draw so far, as they are where the draw goes on creeping up."""
        count = len(left_s)
        rate = self.rate_per_s + self.sd_per_s * rng.standard_normal(count)
        rate = np.maximum(rate, 1e-3 * self.rate_per_s)
        level_s, most_s = np.maximum(left_s, 0.0) / self.now, _CREEPS_ON * self.elapsed_s
        within = 2 * level_s / (np.sqrt(1 + 2 * rate * level_s) + 1)
        at_most = most_s + 0.5 * rate * most_s**2
        beyond = most_s + (level_s - at_most) / (1 + rate * most_s)
        crept = np.where(level_s < at_most, within, beyond)
        return np.asarray(np.where(rng.random(count) < self.belief, crept, left_s))


def creep_of(on: Bins, exponent: float) -> Creep | None:
    """How the draw of lately creeps up at one voltage (I ~ V^exponent); None where it does not, or a step tells it better.

    The belief is earned on the run: at earlier moments the line through the draw so far, and its mean so far, are asked
    for the mean of what came until now.
    """
    lately = part(on, slice(last_step(on), None))
    if len(lately.end_s) < 2 * _CREEP_BLOCKS:
        return None
    level = np.log(np.maximum(_blocks(lately, exponent), 1e-9))
    elapsed_s = float(lately.span_s.sum())
    x = (np.arange(_CREEP_BLOCKS) + 0.5) / _CREEP_BLOCKS
    slope, at_end = _line(x, level, 1.0)
    off = level - at_end - slope * (x - 1.0)
    if not slope > 0 or _best_step(level) < float(off @ off):
        return None
    gain = 0.0
    for seen in _CREEP_MOMENTS:
        came = float(level[seen:].mean())
        line = _line(x[:seen], level[:seen], float(x[seen:].mean()))[1]
        gain += (float(level[:seen].mean()) - came) ** 2 - (line - came) ** 2
    odds = _CREEP_PRIOR / (1 - _CREEP_PRIOR) * float(np.exp(min(gain / (2 * _CREEP_SD**2), 50.0)))
    error = float(np.sqrt(off @ off / (_CREEP_BLOCKS - 2) / ((x - 0.5) ** 2).sum()))
    sd = float(np.hypot(2 * error, _CREEP_BENDS * slope))
    mean = float(np.log(np.exp(level).mean()))
    now = float(np.exp(at_end - mean))
    belief = _CREEP_MOST * odds / (1 + odds)
    return Creep(now, slope / elapsed_s, sd / elapsed_s, elapsed_s, belief)


def _blocks(bins: Bins, exponent: float) -> Array:
    """Mean draw (mA) as at the median voltage, in blocks of equal time on, shape (``_CREEP_BLOCKS``,)."""
    middle_v = float(np.median(bins.mean_v))
    steady = bins.mean_ma * (middle_v / np.maximum(bins.mean_v, 1e-9)) ** exponent
    time = np.r_[0.0, np.cumsum(bins.span_s)]
    charge = np.r_[0.0, np.cumsum(steady * bins.span_s)]
    edges = np.linspace(0.0, time[-1], _CREEP_BLOCKS + 1)
    return np.asarray(np.diff(np.interp(edges, time, charge)) / np.diff(edges))


def _line(x: Array, y: Array, at: float) -> tuple[float, float]:
    """Slope and height at ``at`` of the line through points, by medians (Theil 1950, Sen 1968)."""
    first, second = np.triu_indices(len(x), 1)
    slope = float(np.median((y[second] - y[first]) / (x[second] - x[first])))
    return slope, float(np.median(y - slope * (x - at)))


def _best_step(y: Array) -> float:
    """Sum of squares about the best two levels, one after the other."""
    return min(
        float(((y[:k] - y[:k].mean()) ** 2).sum() + ((y[k:] - y[k:].mean()) ** 2).sum())
        for k in range(1, len(y))
    )


def at_one_voltage(bins: Bins, exponent: float) -> Bins:
    """Bins with their currents as they would be at the voltage of now, where that makes them more alike (I ~ V^exponent)."""
    now_v = float(np.median(bins.mean_v[-3:]))
    held_ma = bins.held_ma * (now_v / np.maximum(bins.held_v, 1e-9)) ** exponent
    spreads = [float(np.std(np.log(np.maximum(ma, 1e-6)))) for ma in (held_ma, bins.held_ma)]
    if not spreads[0] < spreads[1]:
        return bins
    mean_ma = bins.mean_ma * (now_v / np.maximum(bins.mean_v, 1e-9)) ** exponent
    return replace(bins, held_ma=held_ma, mean_ma=mean_ma)


def is_steady(held_ma: Array) -> bool:
    """Whether hardly a draw differs from the heavy one, or too little was seen to tell."""
    heavy_ma = float(np.quantile(held_ma, 0.9))
    near = np.abs(held_ma - heavy_ma) <= (1 - _NEAR) * heavy_ma
    return len(held_ma) < _BINS_LEAST or bool(near.mean() > _STEADY_SHARE)


def charge_to_levels(
    path_mah: Array, path_v: Array, cutoff_v: float, drops_v: Array, slope_v: float
) -> tuple[Array, Array]:
    """Charge from now to the cutoff, shape (paths,), and to the cutoff plus each of ``drops_v``, (paths, drops).

    ``path_mah``, ``path_v``: charge from now on and pack V, both (paths, points). Beyond a path's end its last slope goes
    on, kept near ``slope_v``, the usual one (V per mAh). The path with the least charge left comes first.
    """
    to_cutoff = first_below(path_mah, path_v, np.array([cutoff_v]))[0]
    order = np.argsort(to_cutoff)
    to_cutoff, path_mah, path_v = to_cutoff[order], path_mah[order], path_v[order]
    levels = cutoff_v + np.sort(drops_v)
    reached = np.stack(first_below(path_mah, path_v, levels), axis=1)
    reached = np.where(path_v[:, :1] <= levels, 0.0, reached)
    last_v = np.minimum(path_v.min(axis=1), cutoff_v)
    at_tail = np.array(
        [
            np.interp(_TAIL * end, mah, volts)
            for end, mah, volts in zip(to_cutoff, path_mah, path_v, strict=True)
        ]
    )
    slope = (at_tail - cutoff_v) / ((1 - _TAIL) * np.maximum(to_cutoff, 1e-9))
    slope = np.clip(slope, _SLOPES[0] * slope_v, _SLOPES[1] * slope_v)
    beyond = np.maximum(last_v[:, None] - levels, 0.0) / np.maximum(slope, 1e-9)[:, None]
    return to_cutoff, reached + beyond


def played_on(
    until_s: Array,
    to_cutoff: Array,
    to_levels: Array,
    levels_ma: Array,
    lately: Bins,
    rng: np.random.Generator,
) -> Array:
    """Seconds from now to the cutoff, of the length of ``until_s``: seconds to it under the heavy draw at the mean load.

    ``to_cutoff``, ``to_levels``: of ``charge_to_levels``; ``levels_ma``: ascending.
    """
    count = len(until_s)
    row = np.empty(count, dtype=np.intp)
    row[np.argsort(until_s)] = np.arange(count) * len(to_cutoff) // count
    usual_ma = max(float(np.average(lately.mean_ma, weights=lately.span_s)), 1e-6)
    way, levels = to_cutoff[row][:, None], to_levels[row]
    needs_s = np.where(
        levels < way,
        until_s[:, None] * levels / np.maximum(way, 1e-9),
        until_s[:, None] + 3600 * (levels - way) / usual_ma,
    )
    first_s = needs_s[:, -1]  # before that not even the heaviest draw meets it
    window_s = np.maximum(until_s - first_s, 0.0)
    ahead = _future(lately, float(np.quantile(window_s, 0.75)), count, rng)
    place, rate = ahead.place, ahead.rate
    long = ahead.span_s[place]
    soon = first_s < _SOON * float(ahead.span_s.mean())
    # so soon the draw of now still goes on
    place[soon, 0] = ahead.now
    long[soon, 0] = ahead.span_s[ahead.now] * rng.random(int(soon.sum()))
    step = long * ahead.share[place]
    # seconds of average load gone at each piece's begin
    gone = first_s[:, None] + np.cumsum(step, axis=1) - step
    at = np.interp(ahead.held_ma, levels_ma, np.arange(len(levels_ma)))[place]
    low = np.minimum(at.astype(np.intp), len(levels_ma) - 2)
    rows = np.arange(count)
    needs = needs_s[rows[:, None], low] * (1 - (at - low)) + needs_s[rows[:, None], low + 1] * (
        at - low
    )
    met = gone + step >= needs
    met[:, -1] = True
    which = met.argmax(axis=1)
    clock = (np.cumsum(long, axis=1) - long)[rows, which]
    inside = (needs - gone)[rows, which] / np.maximum(step[rows, which], 1e-9)
    met_s = first_s / rate + clock + np.clip(inside, 0.0, 1.0) * long[rows, which]
    # what has not been met within the pieces played: as under the heavy draw
    return np.asarray(np.where(which == _AHEAD - 1, np.maximum(met_s, until_s / rate), met_s))


def _recurs(held_ma: Array) -> bool:
    """Whether most draws have their like among the others: a pattern, not chance."""
    gaps = np.diff(np.sort(held_ma))
    near = gaps <= _LIKE * held_ma.max()
    return bool(np.mean(np.r_[False, near] | np.r_[near, False]) > 0.6)


@dataclass(frozen=True)
class _Future:
    """Pieces of the past load, (pieces,): heaviest draw, mean over the mean of all, length; ``now``: the one that goes on.

    ``place``: which ones come, (count, ``_AHEAD``); ``rate``: the mean of what comes over that of all, (count,).
    """

    held_ma: Array
    share: Array
    span_s: Array
    now: int
    place: NDArray[np.intp]
    rate: Array


def _future(lately: Bins, window_s: float, count: int, rng: np.random.Generator) -> _Future:
    """What comes of the past load.

    Few draws, each at a level of its own: any may come next, and how often is as little known as so few tell (the Bayesian
    bootstrap, Rubin 1981); a light one and one heavier than all may have been missing so far. Else pieces long enough
    to fill the window, from a random one on.
    """
    starts = np.array([0, *set_anew(lately)])
    few = _by_chance(lately, starts)
    if not few:
        fill = np.ceil(window_s / (_AHEAD * float(lately.span_s.mean())))
        each = int(np.clip(fill, 1, max(len(lately.end_s) // 8, 1)))
        starts = np.arange(0, len(lately.end_s), each)
    span = np.add.reduceat(lately.span_s, starts)
    mean = np.add.reduceat(lately.mean_ma * lately.span_s, starts) / np.maximum(span, 1e-9)
    held = np.maximum.reduceat(lately.held_ma, starts)
    usual = max(float(np.average(mean, weights=span)), 1e-9)
    now = len(starts) - 1
    if not few:
        begin = rng.integers(len(held), size=count)
        place = (begin[:, None] + np.arange(_AHEAD)) % len(held)
        return _Future(held, mean / usual, span, now, place.astype(np.intp), np.ones(count))
    # a record beats the greatest of k draws by the k-th part of it, where all levels come alike often
    record = 1 + 1 / len(held)
    held = np.append(held, [_LIGHT * usual, record * held.max()])
    share = np.append(mean, [_LIGHT * usual, record * mean.max()]) / usual
    span = np.append(span, [np.median(span)] * 2)
    belief = rng.dirichlet(np.ones(len(held)), size=count)
    rate = (belief * span * share).sum(axis=1) / (belief * span).sum(axis=1)
    chance = rng.random((count, _AHEAD))
    place = (chance[:, :, None] > np.cumsum(belief, axis=1)[:, None, :]).sum(axis=2)
    place = np.minimum(place, len(held) - 1).astype(np.intp)
    return _Future(held, share, span, now, place, rate)


def _by_chance(lately: Bins, starts: NDArray[np.intp]) -> bool:
    """Whether the load comes at another level each time, as by chance, and few draws of it were seen; ``starts``: theirs."""
    few = _FEW[0] < len(starts) <= _FEW[1]
    return few and not _recurs(np.maximum.reduceat(lately.held_ma, starts))


@dataclass(frozen=True)
class LoadAhead:
    """The load of lately, to be played on; ``drops_v``: what its levels (``levels_ma``) take more than the heavy one;
    ``slope_v``: usual fall, V per mAh.
    """

    lately: Bins
    cutoff_v: float
    levels_ma: Array
    drops_v: Array
    slope_v: float

    def until(
        self, left_s: Array, path_mah: Array, path_v: Array, rng: np.random.Generator
    ) -> Array:
        """Seconds to the cutoff for an opinion's seconds to it under the heavy draw, and its courses."""
        told = charge_to_levels(path_mah, path_v, self.cutoff_v, self.drops_v, self.slope_v)
        return played_on(left_s, *told, self.levels_ma, self.lately, rng)


def load_ahead(
    on: Bins, course: Course | None, exponent: float, cutoff_v: float
) -> LoadAhead | None:
    """The load to be played on; None where it is steady, or its resistance is not known. ``exponent``: I ~ V^exponent."""
    if course is None or not course.ohm > 0:
        return None
    lately = at_one_voltage(part(on, slice(last_step(on), None)), exponent)
    if is_steady(lately.held_ma):
        return None
    low, high = float(lately.held_ma.min()), float(lately.held_ma.max())
    high *= 1 + 1 / (len(set_anew(lately)) + 1)  # a heavier one than ever may come
    levels = np.linspace(low, high, _LEVELS)
    drops_v = course.ohm * (levels - float(np.quantile(lately.held_ma, 0.9))) / 1e3
    fallen_v = float(course.held_v.max() - course.held_v[-1])
    slope_v = max(fallen_v, 1e-3) / float(course.charge_mah[-1])
    return LoadAhead(lately, cutoff_v, levels, drops_v, slope_v)
