"""When will the pack reach the cutoff? Median, 50 % and 90 % interval, live or after the fact.

Observed: the thinned history of the run. Known before: the chemistry's prior. The curve's
posterior (``curve_posterior``) gives possible futures of the voltage against charge; the load,
taken to go on as it has been (or as a stated programme), turns charge into time. A source whose
voltage is held flat by a converter shows nothing of its charge: then the rated capacity less
the charge used answers, or, without one, nothing does and the interval stays open.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.chemistry_prior import capacity_prior, candidates, curve_table, families
from analysis.curve_posterior import Observed, Posterior, posterior
from analysis.history import Bins, History
from analysis.quantity import Quantity
from logger.pack import CHEMISTRIES, Pack

Array = NDArray[np.float64]

GROUPS: Final = 24
DRAWS: Final = 250
PATHS_PER_DRAW: Final = 8
DEPTH_POINTS: Final = 32
COVERAGES: Final = (0.5, 0.9)
_SEED: Final = 20260  # same draws at every update: a live forecast must not flicker
_BATCHES: Final = 8
_LOAD_SD_LEAST: Final = 0.005
_EXPONENT_PRIOR: Final = (0.3, 1.2)
_EXPONENT_RANGE: Final = (-1.3, 4.0)
_SAME_MODE: Final = 0.9
_READING_SD_V: Final = 0.002
_RELAX_SHARE: Final = 0.3


@dataclass(frozen=True)
class Forecast:
    """Time to cutoff as of ``now_s``, on the run's time axis.

    ``cutoff_time``: the median as value, once per coverage (0.5, 0.9). ``capacity_mah``: charge
    that the pack gives down to the cutoff. ``basis``: what the answer rests on: ``reached``,
    ``curve``, ``rated capacity``, ``none``. ``draws_s``: sampled cutoff times, sorted (empty if
    none). ``warnings``: what the reader must know.
    """

    now_s: float
    cutoff_v: float
    basis: str
    why: str
    cutoff_time: tuple[Quantity, ...]
    capacity_mah: Quantity
    load_exponent: Quantity
    draws_s: Array
    warnings: tuple[str, ...] = ()

    @property
    def median_s(self) -> float | None:
        return self.cutoff_time[0].value

    def chance_beyond(self, time_s: float) -> float | None:
        """Chance (0 to 1) that the cutoff comes later than this time; None if nothing is known."""
        if not len(self.draws_s):
            return None
        return float(np.mean(self.draws_s > time_s))


@dataclass(frozen=True)
class Programme:
    """Load stated for the time to come: steps of (duration in s, current in mA), repeated."""

    steps: tuple[tuple[float, float], ...]

    @property
    def mean_ma(self) -> float:
        return sum(s * ma for s, ma in self.steps) / sum(s for s, _ in self.steps)

    def heaviest_ma(self, hold_s: float) -> float:
        """Greatest current that lasts for the hold time (of all, if none does)."""
        long = [ma for s, ma in self.steps if s >= hold_s] or [ma for _, ma in self.steps]
        return max(long)


class LiveForecast:
    """Forecast of a run that is still being recorded; memory and time per update are bounded."""

    def __init__(
        self,
        pack: Pack | None,
        cutoff_v: float,
        hold_s: float = 0.0,
        programme: Programme | None = None,
    ) -> None:
        self.pack = pack
        self.cutoff_v = cutoff_v
        self.programme = programme
        self.history = History(hold_s)

    def add(
        self,
        times_s: ArrayLike,
        volts: ArrayLike,
        currents_ma: ArrayLike,
        charges_mah: ArrayLike | None = None,
    ) -> None:
        """Append rows: pack voltage and current, end of each window (see ``History.add``)."""
        self.history.add(times_s, volts, currents_ma, charges_mah)

    def now(self) -> Forecast:
        """Forecast as of the last row added."""
        return forecast(
            self.history.bins(), self.pack, self.cutoff_v, self.history.block_s, self.programme
        )


@dataclass(frozen=True)
class _Load:
    """Load to come: mean current ``scale * V^exponent`` per draw, and the heavy mode's share of it."""

    exponents: Array
    scales: Array
    heavy_ratio: float
    exponent: Quantity


def forecast(
    bins: Bins,
    pack: Pack | None,
    cutoff_v: float,
    hold_s: float = 0.0,
    programme: Programme | None = None,
) -> Forecast:
    """Forecast from a thinned history; never raises on odd data: says in words what it cannot know."""
    warnings: list[str] = []
    if len(bins.end_s) < 4 or not bins.charge_mah[-1] - bins.charge_mah[0] > 0:
        return _unknown(bins, cutoff_v, "nothing has been drawn from the pack yet", warnings)
    below = np.flatnonzero(bins.held_v < cutoff_v)
    if len(below) and np.median(bins.held_v[below[0] :]) < cutoff_v:
        return _reached(bins, cutoff_v, float(bins.end_s[below[0]]))
    rng = np.random.default_rng(_SEED)
    load = _load(bins, programme, hold_s, rng)
    packs = [(pack, 1.0)] if pack is not None else candidates(float(bins.held_v[0]))
    if not packs:
        return _unknown(bins, cutoff_v, "no known chemistry starts at this voltage", warnings)
    if pack is None:
        warnings.append(
            "No pack was stated: the forecast allows for every chemistry that starts at this voltage."
        )
    if pack is not None and not families(pack.chemistry):
        return _from_rated(bins, pack, cutoff_v, load, rng, warnings)
    groups = _groups(bins)
    if pack is not None and _is_regulated(groups, pack, bins):
        warnings.append(
            "The voltage stays flat where such a cell would have fallen: it looks regulated. "
            "Its voltage tells nothing about the charge left; it will end without notice."
        )
        return _from_rated(bins, pack, cutoff_v, load, rng, warnings)
    times, capacities = _draw(bins, groups, packs, cutoff_v, load, rng)
    return _summary(bins, cutoff_v, times, capacities, load, warnings)


def _summary(
    bins: Bins,
    cutoff_v: float,
    times: Array,
    capacities: Array,
    load: _Load,
    warnings: Sequence[str],
) -> Forecast:
    return Forecast(
        float(bins.end_s[-1]),
        cutoff_v,
        "curve",
        "the voltage so far, matched with curves of this chemistry",
        _intervals(times, "s"),
        _intervals(capacities, "mAh")[1],
        load.exponent,
        np.sort(times),
        tuple(warnings),
    )


def _intervals(draws: Array, unit: str) -> tuple[Quantity, ...]:
    median = float(np.median(draws))
    return tuple(
        Quantity(
            median,
            unit,
            float(np.quantile(draws, 0.5 - coverage / 2)),
            float(np.quantile(draws, 0.5 + coverage / 2)),
            coverage,
        )
        for coverage in COVERAGES
    )


def _unknown(bins: Bins, cutoff_v: float, why: str, warnings: Sequence[str]) -> Forecast:
    now_s = float(bins.end_s[-1]) if len(bins.end_s) else 0.0
    nothing = Quantity(None, "s", note=why)
    return Forecast(
        now_s,
        cutoff_v,
        "none",
        why,
        (nothing, nothing),
        Quantity(None, "mAh", note=why),
        Quantity(None, "1", note=why),
        np.empty(0),
        tuple(warnings),
    )


def _reached(bins: Bins, cutoff_v: float, time_s: float) -> Forecast:
    done = Quantity(time_s, "s", note="cutoff reached: measured, not forecast")
    charge = float(np.interp(time_s, bins.end_s, bins.charge_mah))
    return Forecast(
        float(bins.end_s[-1]),
        cutoff_v,
        "reached",
        "the cutoff was reached in the run",
        (done, done),
        Quantity(charge, "mAh"),
        load_exponent(bins),
        np.full(1, time_s),
        (),
    )


def _from_rated(
    bins: Bins,
    pack: Pack,
    cutoff_v: float,
    load: _Load,
    rng: np.random.Generator,
    warnings: list[str],
) -> Forecast:
    """Rated capacity less charge used; an open interval where no capacity was stated."""
    now_s = float(bins.end_s[-1])
    used_mah = float(bins.charge_mah[-1])
    if pack.capacity_mah is None:
        warnings.append("No capacity was stated for this source: how long it lasts cannot be told.")
        why = "a regulated source shows nothing of its charge, and no capacity was stated"
        open_end = tuple(
            Quantity(None, "s", lower=now_s, coverage=coverage, note=why) for coverage in COVERAGES
        )
        return Forecast(
            now_s,
            cutoff_v,
            "none",
            why,
            open_end,
            Quantity(None, "mAh", lower=used_mah, note=why),
            load.exponent,
            np.empty(0),
            tuple(warnings),
        )
    prior = capacity_prior(pack, float(np.average(bins.mean_ma, weights=bins.span_s)))
    # it has lasted until now: only capacities above the charge used remain
    capacities = np.exp(np.log(prior.median_mah) + prior.log_sd * rng.standard_normal(20000))
    left = capacities[capacities > used_mah]
    if len(left) < 200:
        warnings.append(
            "More charge has come out than the stated capacity allows: check the capacity."
        )
        return _unknown(bins, cutoff_v, "more charge was drawn than the stated capacity", warnings)
    mean_v = float(np.average(bins.mean_v, weights=bins.span_s))
    pick = rng.integers(len(load.scales), size=len(left))
    currents = load.scales[pick] * mean_v ** load.exponents[pick]
    times = now_s + (left - used_mah) / np.maximum(currents, 1e-6) * 3600
    return Forecast(
        now_s,
        cutoff_v,
        "rated capacity",
        f"{prior.text} less the charge used: the voltage of a regulated source tells nothing",
        _intervals(times, "s"),
        _intervals(left, "mAh")[1],
        load.exponent,
        np.sort(times),
        tuple(warnings),
    )


def load_exponent(bins: Bins) -> Quantity:
    """d ln I / d ln V over the run with its 95 % interval; 1 resistor, 0 constant current, -1 constant power.

    A heavy pulse pulls the voltage down while it lasts, which would pass for a falling exponent:
    so only like is compared with like, the lowest held voltage and its current in each of many
    stretches of the run. Huber's robust line (``k`` 1.5 scales); the standard error is that of
    means over ``_BATCHES`` stretches of the residual, so that modes and drifts count as they are.
    """
    value, error = _exponent_fit(bins)
    if value is None or error is None:
        return Quantity(None, "1", note="the voltage has not moved enough to tell")
    return Quantity(value, "1", value - 1.96 * error, value + 1.96 * error, 0.95)


def _exponent_fit(bins: Bins) -> tuple[float | None, float | None]:
    lows = _groups(bins, 1.0)
    padded = np.pad(lows.held_ma, 2, mode="edge")
    around = np.max([padded[shift : shift + len(lows.held_ma)] for shift in range(5)], axis=0)
    good = (lows.held_ma > _SAME_MODE * around) & (lows.held_v > 0)
    x, y = np.log(lows.held_v[good]), np.log(lows.held_ma[good])
    if len(x) < _BATCHES:
        return None, None
    weight = np.ones(len(x))
    for _ in range(12):
        centred = x - np.average(x, weights=weight)
        total = float((weight * centred**2).sum())
        if total < len(x) * 1e-6:
            return None, None
        value = float((weight * centred * y).sum() / total)
        residual = y - np.average(y, weights=weight) - value * centred
        scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(residual), 1e-12))
    score = weight * centred * residual
    batches = np.add.reduceat(score, np.arange(0, len(x), max(len(x) // _BATCHES, 1)))
    error = float(np.sqrt((batches**2).sum()) / total)
    plain = float(np.sqrt((weight * residual**2).sum() / max(len(x) - 2, 1) / total))
    return value, max(error, plain, 1e-3)


def _load(
    bins: Bins, programme: Programme | None, hold_s: float, rng: np.random.Generator
) -> _Load:
    value, error = _exponent_fit(bins)
    prior_mean, prior_sd = _EXPONENT_PRIOR
    mean, sd = prior_mean, prior_sd
    if value is not None and error is not None:
        weight = prior_sd**2 / (prior_sd**2 + error**2)
        mean = prior_mean + weight * (value - prior_mean)
        sd = prior_sd * float(np.sqrt(1 - weight))
    exponents = np.clip(mean + sd * rng.standard_normal(DRAWS), *_EXPONENT_RANGE)
    # weights by time: the mean current of the load as it has been, its voltage taken out
    share = bins.span_s / bins.span_s.sum()
    scales = (bins.mean_ma[None, :] * bins.mean_v[None, :] ** -exponents[:, None]) @ share
    heavy = float(np.quantile(bins.held_ma[len(bins.held_ma) // 4 :], 0.9))
    mean_ma = float(bins.mean_ma @ share)
    if programme is not None:
        last_v = float(bins.mean_v[-1])
        scales = programme.mean_ma * last_v**-exponents
        heavy, mean_ma = programme.heaviest_ma(hold_s), programme.mean_ma
        spread = _LOAD_SD_LEAST
    else:
        spread = _load_spread(bins, mean)
    scales = scales * np.exp(spread * rng.standard_normal(DRAWS))
    return _Load(exponents, scales, max(heavy / mean_ma, 0.1), load_exponent(bins))


def _load_spread(bins: Bins, exponent: float) -> float:
    """Relative standard deviation of the future mean load, from how its past stretches differed."""
    steady = bins.mean_ma * bins.mean_v**-exponent
    parts = np.array_split(np.arange(len(steady)), _BATCHES)
    means = np.array([np.average(steady[p], weights=bins.span_s[p]) for p in parts if len(p)])
    if len(means) < _BATCHES or means.mean() <= 0:
        return 0.1
    relative = float(means.std(ddof=1) / means.mean())
    return float(np.hypot(relative / np.sqrt(_BATCHES) * np.sqrt(2.0), _LOAD_SD_LEAST))


def _groups(bins: Bins, toward_now: float = 1.5) -> Bins:
    """At most ``GROUPS`` stretches of the history, finer toward now; each with its low held voltage."""
    charge = bins.charge_mah
    u = np.linspace(0, 1, GROUPS + 1)
    edges = charge[0] + (charge[-1] - charge[0]) * (1 - (1 - u) ** toward_now)
    index = np.clip(np.searchsorted(edges, charge, side="left"), 1, GROUPS)
    rows = []
    for group in np.unique(index):
        inside = np.flatnonzero(index == group)
        # second lowest of ten: one contact fault must not speak for the group
        order = inside[np.argsort(bins.held_v[inside])]
        low = order[len(order) // 10]
        rows.append(
            (
                bins.end_s[inside[-1]],
                bins.span_s[inside].sum(),
                charge[low],
                bins.mean_v[inside].mean(),
                bins.mean_ma[inside].mean(),
                bins.held_v[low],
                bins.held_ma[low],
            )
        )
    return Bins(*np.array(rows).T)


def _is_regulated(groups: Bins, pack: Pack, bins: Bins) -> bool:
    """Voltage stands still over a charge that would have moved even a large cell of this chemistry."""
    mean_ma = float(np.average(bins.mean_ma, weights=bins.span_s))
    prior = capacity_prior(pack, mean_ma)
    large = prior.median_mah * np.exp(2 * prior.log_sd)
    early = int(len(groups.held_v) // 4)
    seen = float(np.ptp(groups.held_v[early:])) / pack.cells
    falls = []
    for family in families(pack.chemistry):
        knots, volts, _ = curve_table(family)
        ends = np.interp(groups.charge_mah[[early, -1]] / large, knots, volts)
        falls.append(float(ends[0] - ends[1]))
    return min(falls) > 0.03 and seen < 0.15 * min(falls)


def _draw(
    bins: Bins,
    groups: Bins,
    packs: Sequence[tuple[Pack, float]],
    cutoff_v: float,
    load: _Load,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Sampled cutoff times (s) and capacities down to the cutoff (mAh)."""
    mean_ma = float(np.average(bins.mean_ma, weights=bins.span_s))
    heavy_ma = mean_ma * load.heavy_ratio
    members: list[tuple[Pack, Posterior, Observed]] = []
    for pack, weight in packs:
        prior = capacity_prior(pack, mean_ma)
        chemistry = CHEMISTRIES[pack.chemistry]
        for family in families(pack.chemistry):
            relax = _RELAX_SHARE * family.drop_v_h * np.abs(groups.held_ma - heavy_ma)
            seen = Observed(
                groups.charge_mah,
                groups.held_v / pack.cells,
                groups.held_ma,
                np.hypot(_READING_SD_V, relax / prior.median_mah),
            )
            found = posterior(family, prior, chemistry.floor_v, seen, heavy_ma)
            found.log_weight[:] += np.log(weight)
            members.append((pack, found, seen))
    log_weight = np.concatenate([found.log_weight for _, found, _ in members])
    owner = np.repeat(np.arange(len(members)), [len(found.log_q) for _, found, _ in members])
    place = np.concatenate([np.arange(len(found.log_q)) for _, found, _ in members])
    weight_all = np.exp(log_weight - log_weight.max())
    cumulative = np.cumsum(weight_all) / weight_all.sum()
    picks = np.searchsorted(cumulative, (np.arange(DRAWS) + 0.5) / DRAWS)
    order = rng.permutation(DRAWS)  # load draws must not go along with capacity
    times, capacities = [], []
    for number, (pack, found, seen) in enumerate(members):
        mine = np.flatnonzero(owner[picks] == number)
        if len(mine):
            drawn = _crossings(
                bins,
                found,
                seen,
                place[picks[mine]],
                cutoff_v / pack.cells,
                pack.cells,
                load,
                order[mine],
                rng,
            )
            times.append(drawn[0])
            capacities.append(drawn[1])
    return np.concatenate(times), np.concatenate(capacities)


def _crossings(
    bins: Bins,
    found: Posterior,
    seen: Observed,
    places: Array,
    cutoff_v: float,
    cells: int,
    load: _Load,
    load_draws: Array,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """First passage of the drawn curves below the cutoff (V per cell), as times (s) and charges (mAh)."""
    used_mah = float(bins.charge_mah[-1])
    log_q = found.log_q[places]
    # spread draws within their grid cell
    spacing = np.diff(np.unique(found.log_q)).min(initial=1.0)
    log_q = log_q + spacing * (rng.random(len(places)) - 0.5)
    z0 = found.z0[places]
    q = np.exp(log_q)
    z_now = np.minimum(z0 + used_mah / q, 1.15)
    u = np.linspace(0, 1, DEPTH_POINTS)
    depth = z_now[:, None] + (1.25 - z_now)[:, None] * u[None, :]
    exponent = load.exponents[load_draws]
    scale = load.scales[load_draws]
    last_v = float(bins.mean_v[-1])
    knots, volts, _ = curve_table(found.family)
    guess = np.interp(depth, knots, volts)
    ratio = np.clip(guess / guess[:, :1], 0.3, 1.2)
    heavy = load.heavy_ratio * scale[:, None] * (last_v * ratio) ** exponent[:, None]
    paths = found.paths(seen, log_q, z0, depth, heavy, PATHS_PER_DRAW, rng)
    below = paths < cutoff_v
    below[:, :, -1] = True
    first = np.maximum(below.argmax(axis=2), 1)
    rows, columns = np.indices(first.shape)
    above, under = paths[rows, columns, first - 1], paths[rows, columns, first]
    part = np.clip((above - cutoff_v) / np.maximum(above - under, 1e-9), 0.0, 1.0)
    # time of each step of depth at the mean current that belongs to its voltage
    mid = 0.5 * (paths[:, :, 1:] + paths[:, :, :-1]) * cells
    start = np.maximum(paths[:, :, :1] * cells, 1e-3)
    current = scale[:, None, None] * (last_v * np.clip(mid / start, 0.3, 1.2)) ** exponent[
        :, None, None
    ]
    step_h = (np.diff(depth, axis=1) * q[:, None])[:, None, :] / np.maximum(current, 1e-6)
    elapsed_h = np.concatenate([np.zeros((*first.shape, 1)), np.cumsum(step_h, axis=2)], axis=2)
    base = elapsed_h[rows, columns, first - 1]
    hours = base + part * (elapsed_h[rows, columns, first] - base)
    z_end = depth[rows, first - 1] + part * (depth[rows, first] - depth[rows, first - 1])
    return (
        float(bins.end_s[-1]) + 3600 * hours.ravel(),
        ((z_end - z0[:, None]) * q[:, None]).ravel(),
    )
