"""When will the pack reach the cutoff? Median, 50 % and 90 % interval, live or after the fact.

Observed: the thinned history of the run. Known before: the chemistry's prior. The curve's
posterior (``curve_posterior``) gives possible futures of the voltage against charge; the load,
taken to go on as it has been (or as a stated programme), turns charge into time. A source whose
voltage is held flat by a converter shows nothing of its charge: then the rated capacity less
the charge used answers, or, without one, nothing does and the interval stays open.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.curve.course import breaks, course_of, last_step, rises
from analysis.curve.load_kind import has_modes, load_exponent, load_words
from analysis.doubt.quantity import Quantity
from analysis.forecast.answer import Answer, Asked, answer
from analysis.forecast.by_charge import Regulated, pack_left, regulated
from analysis.forecast.chemistry_prior import capacity_prior, capacity_words, families, is_known
from analysis.forecast.future_load import FutureLoad, Programme, future_load
from analysis.forecast.load_passage import other_ways
from analysis.forecast.own_runs import EarlierRun
from analysis.forecast.passage import DRAWS, Passages
from analysis.run.dips import dips
from analysis.run.history import Bins, History, part
from analysis.run.lifetime import Lifetime
from logger.base.pack import Pack

Array = NDArray[np.float64]

COVERAGES: Final = (0.5, 0.9)
_LEAST_MAH: Final = 1e-6
_SEED: Final = 20260  # same draws at every update: a live forecast must not flicker
# "At least": asked to hold nine times in ten in every kind of cell, so said with something in hand for most.
AT_LEAST_QUANTILE: Final = 0.045
WIDEST: Final = 25.0  # an end that may lie further off than so many medians helps nobody
# How this warning begins: whoever follows a run waits until it has been true for a while.
LOOKS_REGULATED: Final = "The voltage stays flat where such a cell would have fallen"


# Bases on which a forecast stands; the others know nothing yet, or have nothing left to foresee.
FORESEEN: Final = ("curve", "own course", "earlier runs", "rated capacity")


@dataclass(frozen=True)
class Forecast:
    """Time to cutoff as of ``now_s``, on the run's time axis.

    ``cutoff_time``: the median as value, once per coverage (0.5, 0.9). ``drawn``: charge out so far, ``capacity_mah``:
    charge that the pack gives down to the cutoff. ``basis``: what the answer rests on: ``reached``,
    ``curve`` (the chemistry's), ``own course`` (what any curve would do that fits), ``earlier runs``, ``rated capacity``, ``none``;
    ``ended``: the piece gave up by itself, ``unclear``: it may have. ``life``: how it stands with the lifetime, as every
    other screen says it. ``load_text``: the load's kind in words. ``draws_s``:
    sampled cutoff times, sorted (empty if none). ``fan``: possible courses of the voltage.
    ``warnings``: what the reader must know. ``at_least_s``: nine times in ten it lasts longer than this,
    also where no interval can be given (None: nothing holds).
    """

    now_s: float
    cutoff_v: float
    basis: str
    why: str
    cutoff_time: tuple[Quantity, ...]
    drawn: Quantity
    capacity_mah: Quantity
    load_exponent: Quantity
    load_text: str
    draws_s: Array
    fan: Passages | None = None
    warnings: tuple[str, ...] = ()
    at_least_s: float | None = None
    life: Lifetime | None = None

    @property
    def median_s(self) -> float | None:
        return self.cutoff_time[0].value

    def chance_beyond(self, time_s: float) -> float | None:
        """Chance (0 to 1) that the cutoff comes later than this time; None if nothing is known."""
        if not len(self.draws_s):
            return None
        return float(np.mean(self.draws_s > time_s))


class LiveForecast:
    """Forecast of a run that is still being recorded; memory and time per update are bounded."""

    def __init__(
        self,
        pack: Pack | None,
        cutoff_v: float,
        hold_s: float = 0.0,
        programme: Programme | None = None,
        begin_s: float = 0.0,
        fresh: bool | None = None,
        earlier: Sequence[EarlierRun] = (),
        temperature_c: float | None = None,
    ) -> None:
        self.temperature_c = temperature_c
        self.fresh = fresh
        self.earlier = earlier
        self.pack = pack
        self.cutoff_v = cutoff_v
        self.programme = programme
        self.history = History(hold_s, begin_s)

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
            self.history.bins(),
            self.pack,
            self.cutoff_v,
            self.history.block_s,
            self.programme,
            self.fresh,
            self.earlier,
            self.temperature_c,
        )


def forecast(
    bins: Bins,
    pack: Pack | None,
    cutoff_v: float,
    hold_s: float = 0.0,
    programme: Programme | None = None,
    fresh: bool | None = None,
    earlier: Sequence[EarlierRun] = (),
    temperature_c: float | None = None,
) -> Forecast:
    """Forecast from a thinned history; never raises on odd data: says in words what it cannot know.

    ``temperature_c``: around the pack, where it was told.
    """
    warnings: list[str] = []
    alive = (bins.mean_v > 0.01 * cutoff_v) & (bins.held_v > 0.01 * cutoff_v)
    if not alive.all():
        bins = part(bins, alive)
    if not len(bins.end_s) or not bins.charge_mah[-1] > _LEAST_MAH:
        return _unknown(bins, cutoff_v, "nothing has been drawn from the pack yet", warnings)
    if len(bins.end_s) < 4 or not bins.charge_mah[-1] - bins.charge_mah[0] > _LEAST_MAH:
        return _unknown(bins, cutoff_v, "not enough was seen yet", warnings)
    bad = dips(bins)
    if bad.any():
        bins = part(bins, ~bad)
    below = np.flatnonzero(bins.held_v < cutoff_v)
    if len(below) and np.median(bins.held_v[below[0] :]) < cutoff_v:
        return _reached(bins, cutoff_v, float(bins.end_s[below[0]]))
    on = part(bins, ~breaks(bins))
    lately = part(on, slice(last_step(on), None))
    rng = np.random.default_rng(_SEED)
    if len(lately.end_s) < 4 or not float(lately.mean_ma @ lately.span_s) > _LEAST_MAH:
        lately = on
    if not float(lately.mean_ma @ lately.span_s) > _LEAST_MAH:
        return _unknown(bins, cutoff_v, "nothing has been drawn from the pack yet", warnings)
    load = future_load(lately, programme, hold_s, rng, DRAWS)
    if pack is None:
        warnings.append(
            "No pack was stated: the forecast allows for every chemistry that starts at this voltage."
        )
    elif is_known(pack.chemistry) and not families(pack.chemistry):
        return _from_rated(
            bins, pack, cutoff_v, load, rng, warnings, fresh, temperature_c=temperature_c
        )
    course = course_of(bins)
    ways = () if programme is not None else other_ways(bins)
    asked = Asked(
        on,
        course,
        pack,
        cutoff_v,
        load,
        programme,
        hold_s,
        fresh,
        tuple(earlier),
        temperature_c,
        ways,
    )
    held = _of_regulated(bins, asked, rng, warnings)
    if held is not None:
        return held
    if course is not None and rises(course):
        why = "the voltage has risen since the run began: a cell that is waking up, or one that is charged meanwhile"
        return _unknown(bins, cutoff_v, why, warnings)
    found = answer(asked, rng)
    now_s = float(bins.end_s[-1])
    return _answered(bins, asked, found, now_s, warnings)


def _answered(
    bins: Bins, asked: Asked, found: Answer | None, now_s: float, warnings: list[str]
) -> Forecast:
    """The answer with its words."""
    cutoff_v, pack, load = asked.cutoff_v, asked.pack, asked.load
    if found is None:
        why = (
            "no known chemistry starts at this voltage, and too little was seen to go by its course"
        )
        return _unknown(bins, cutoff_v, why, warnings)
    pause_s = now_s - float(asked.on.end_s[-1])
    times = found.times_s + pause_s
    left = times - now_s
    warnings += found.warnings
    at_least_s = now_s + float(np.quantile(left, AT_LEAST_QUANTILE))
    kind = load_words(load.exponent, has_modes(asked.on))
    middle, high = np.quantile(left, (0.5, 0.95))
    if found.basis == "own course" and high > WIDEST * middle:
        why = found.refusal
        return _at_least_only(
            _unknown(bins, cutoff_v, why, warnings), at_least_s, load.exponent, kind
        )
    return Forecast(
        now_s,
        cutoff_v,
        found.basis,
        found.why + capacity_words(pack if found.basis == "curve" else None),
        _intervals(times, "s"),
        _drawn(bins),
        _intervals(found.capacity_mah, "mAh")[1],
        load.exponent,
        kind,
        times,
        found.fan,
        tuple(warnings),
        at_least_s,
    )


def _of_regulated(
    bins: Bins, asked: Asked, rng: np.random.Generator, warnings: list[str]
) -> Forecast | None:
    """A regulated source, by its label; where its output has begun to fall the lesser of that and of the fall. None: it is not."""
    pack, course, load = asked.pack, asked.course, asked.load
    if pack is None or course is None:
        return None
    held = regulated(bins, course, pack, load.mean_ma, asked.temperature_c)
    if held is None:
        return None
    warnings.append(
        f"{LOOKS_REGULATED} ({held.words}): it looks regulated. "
        "Its voltage tells nothing about the charge left; it will end without notice."
    )
    by_label = _from_rated(
        bins, pack, asked.cutoff_v, load, rng, warnings, asked.fresh, held, asked.temperature_c
    )
    if not held.falling:
        return by_label
    found, bounds_s = answer(asked, rng), [by_label.at_least_s]
    if found is not None:
        bounds_s.append(float(np.quantile(found.times_s, AT_LEAST_QUANTILE)))
    least_s = max(min((s for s in bounds_s if s is not None), default=0.0), by_label.now_s)
    why = "regulated output that has begun to fall: the end may be near"
    unknown = replace(by_label, basis="none", why=why, warnings=tuple(warnings))
    return _at_least_only(unknown, least_s, load.exponent, by_label.load_text)


def _at_least_only(
    unknown: Forecast, at_least_s: float, exponent: Quantity, load_text: str
) -> Forecast:
    """What holds where no interval has earned trust."""
    nothing = tuple(
        Quantity(None, "s", lower=at_least_s, coverage=coverage, note=unknown.why)
        for coverage in COVERAGES
    )
    return replace(
        unknown,
        cutoff_time=nothing,
        at_least_s=at_least_s,
        load_exponent=exponent,
        load_text=load_text,
    )


def _intervals(draws: Array, unit: str) -> tuple[Quantity, ...]:
    median = float(np.median(draws))
    found = []
    for coverage in COVERAGES:
        lower, upper = np.quantile(draws, (0.5 - coverage / 2, 0.5 + coverage / 2)).tolist()
        found.append(Quantity(median, unit, lower, upper, coverage))
    return tuple(found)


def _drawn(bins: Bins) -> Quantity:
    return Quantity(float(bins.charge_mah[-1]) if len(bins.charge_mah) else 0.0, "mAh")


def _unknown(bins: Bins, cutoff_v: float, why: str, warnings: Sequence[str]) -> Forecast:
    now_s = float(bins.end_s[-1]) if len(bins.end_s) else 0.0
    nothing = Quantity(None, "s", note=why)
    return Forecast(
        now_s,
        cutoff_v,
        "none",
        why,
        (nothing, nothing),
        _drawn(bins),
        Quantity(None, "mAh", note=why),
        Quantity(None, "1", note=why),
        "",
        np.empty(0),
        warnings=tuple(warnings),
    )


def _reached(bins: Bins, cutoff_v: float, time_s: float) -> Forecast:
    done = Quantity(time_s, "s", note="cutoff reached: measured, not forecast")
    exponent = load_exponent(bins)
    charge = float(np.interp(time_s, bins.end_s, bins.charge_mah))
    return Forecast(
        float(bins.end_s[-1]),
        cutoff_v,
        "reached",
        "the cutoff was reached in the run",
        (done, done),
        _drawn(bins),
        Quantity(charge, "mAh"),
        exponent,
        load_words(exponent, has_modes(bins)),
        np.full(1, time_s),
    )


def _from_rated(
    bins: Bins,
    pack: Pack,
    cutoff_v: float,
    load: FutureLoad,
    rng: np.random.Generator,
    warnings: list[str],
    fresh: bool | None,
    held: Regulated | None = None,
    temperature_c: float | None = None,
) -> Forecast:
    """Rated capacity less charge used; an open interval where no capacity was stated."""
    now_s = float(bins.end_s[-1])
    used_mah = float(bins.charge_mah[-1])
    words = load_words(load.exponent, has_modes(bins))
    if pack.capacity_mah is None:
        warnings.append("No capacity was stated for this source: how long it lasts cannot be told.")
        return _open_end(bins, cutoff_v, load, warnings)
    mean_ma = float(np.average(bins.mean_ma, weights=bins.span_s))
    prior = capacity_prior(pack, mean_ma, temperature_c)
    left = pack_left(pack, prior, used_mah, held, load.mean_ma * load.heavy_ratio, fresh, rng)
    if len(left) < 200:
        warnings.append(
            "More charge has come out than the stated capacity allows: check the capacity."
        )
        return _unknown(bins, cutoff_v, "more charge was drawn than the stated capacity", warnings)
    mean_v = float(np.average(bins.mean_v, weights=bins.span_s))
    times = np.sort(now_s + left / load.current_ma(len(left), mean_v) * 3600)
    at_least_s = now_s + float(np.quantile(times - now_s, AT_LEAST_QUANTILE))
    if families(pack.chemistry):
        why = "regulated output: its voltage says nothing about what is left"
        return _at_least_only(
            _unknown(bins, cutoff_v, why, warnings), at_least_s, load.exponent, words
        )
    return Forecast(
        now_s,
        cutoff_v,
        "rated capacity",
        f"{prior.text} less the charge used: the voltage of a regulated source tells nothing",
        _intervals(times, "s"),
        _drawn(bins),
        _intervals(used_mah + left, "mAh")[1],
        load.exponent,
        words,
        times,
        warnings=tuple(warnings),
        at_least_s=at_least_s,
    )


def _open_end(bins: Bins, cutoff_v: float, load: FutureLoad, warnings: list[str]) -> Forecast:
    """Regulated, and no capacity stated."""
    now_s, used_mah = float(bins.end_s[-1]), float(bins.charge_mah[-1])
    why = "a regulated source shows nothing of its charge, and no capacity was stated"
    open_end = tuple(
        Quantity(None, "s", lower=now_s, coverage=coverage, note=why) for coverage in COVERAGES
    )
    return replace(
        _unknown(bins, cutoff_v, why, warnings),
        cutoff_time=open_end,
        capacity_mah=Quantity(None, "mAh", lower=used_mah, note=why),
        load_exponent=load.exponent,
        load_text=load_words(load.exponent, has_modes(bins)),
    )
