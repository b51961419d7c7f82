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
from analysis.forecast.by_charge import charge_left, usable_share
from analysis.forecast.chemistry_prior import capacity_prior, families, is_known
from analysis.forecast.future_load import FutureLoad, Programme, future_load
from analysis.forecast.own_runs import EarlierRun
from analysis.forecast.passage import DRAWS, Passages
from analysis.forecast.regulated import Regulated, regulated
from analysis.run.dips import dips
from analysis.run.history import Bins, History, part
from analysis.run.lifetime import End, Lifetime
from analysis.say.words import span_words
from logger.base.pack import RECHARGEABLE, Pack

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
    ) -> None:
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
        )


def forecast(
    bins: Bins,
    pack: Pack | None,
    cutoff_v: float,
    hold_s: float = 0.0,
    programme: Programme | None = None,
    fresh: bool | None = None,
    earlier: Sequence[EarlierRun] = (),
) -> Forecast:
    """Forecast from a thinned history; never raises on odd data: says in words what it cannot know."""
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
        return _from_rated(bins, pack, cutoff_v, load, rng, warnings, fresh)
    course = course_of(bins)
    held = None
    if pack is not None and course is not None:
        held = regulated(bins, course, pack, load.mean_ma)
    if pack is not None and held is not None:
        warnings.append(
            f"{LOOKS_REGULATED} ({held.words}): it looks regulated. "
            "Its voltage tells nothing about the charge left; it will end without notice."
        )
        by_label = _from_rated(bins, pack, cutoff_v, load, rng, warnings, fresh, held)
        if not held.falling:
            return by_label
        asked = Asked(on, course, pack, cutoff_v, load, programme, hold_s, fresh, tuple(earlier))
        return _letting_go(by_label, answer(asked, rng))
    if course is not None and rises(course):
        why = "the voltage has risen since the run began: a cell that is waking up, or one that is charged meanwhile"
        return _unknown(bins, cutoff_v, why, warnings)
    asked = Asked(on, course, pack, cutoff_v, load, programme, hold_s, fresh, tuple(earlier))
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
        found.why + _capacity_words(pack if found.basis == "curve" else None),
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


def _letting_go(by_label: Forecast, found: Answer | None) -> Forecast:
    """A regulator that no longer holds its output: the lesser of what the label and its fall leave."""
    why = "regulated output that has begun to fall: the end may be near"
    least_s = by_label.now_s if by_label.at_least_s is None else by_label.at_least_s
    if found is not None:
        least_s = min(
            least_s, max(float(np.quantile(found.times_s, AT_LEAST_QUANTILE)), by_label.now_s)
        )
    unknown = replace(by_label, basis="none", why=why)
    return _at_least_only(unknown, least_s, by_label.load_exponent, by_label.load_text)


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


def with_life(found: Forecast, life: Lifetime) -> Forecast:
    """The forecast, or what stands in its place where the piece has given up, or may have."""
    found = replace(found, life=life)
    if life.end in (End.RUNNING, End.CUTOFF):
        return found
    if life.ended:
        nothing_left = np.full(1, life.time.value)
        return replace(
            found, basis="ended", why=f"{life.end}: {life.evidence}", draws_s=nothing_left, fan=None, at_least_s=None,
            cutoff_time=(life.time, life.time),
        )  # fmt: skip
    if life.end is End.UNSURE and any(item.end is End.RUNNING for item in life.readings):
        return replace(
            found,
            warnings=(
                f"It may have given up after {_after(life)}: {life.evidence}.",
                *found.warnings,
            ),
        )
    nothing = Quantity(None, "s", note=life.evidence)
    return replace(
        found, basis="unclear", why=life.evidence, cutoff_time=(nothing, nothing), draws_s=np.empty(0), fan=None,
        at_least_s=None,
    )  # fmt: skip


def _after(life: Lifetime) -> str:
    return span_words(life.least_s)


def _capacity_words(pack: Pack | None) -> str:
    if pack is None or not pack.capacity_mah or pack.chemistry not in RECHARGEABLE:
        return ""
    if pack.used:
        return ", and the stated capacity less what use takes from such cells"
    return ", and the stated capacity taken as nearly true (worn cells end sooner: say --used)"


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
) -> Forecast:
    """Rated capacity less charge used; an open interval where no capacity was stated."""
    now_s = float(bins.end_s[-1])
    used_mah = float(bins.charge_mah[-1])
    words = load_words(load.exponent, has_modes(bins))
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
            _drawn(bins),
            Quantity(None, "mAh", lower=used_mah, note=why),
            load.exponent,
            words,
            np.empty(0),
            warnings=tuple(warnings),
        )
    prior = capacity_prior(pack, float(np.average(bins.mean_ma, weights=bins.span_s)))
    bank = not families(pack.chemistry)
    usable = (
        None
        if held is None
        else usable_share(pack, held.level_v, load.mean_ma * load.heavy_ratio, rng)
    )
    left = charge_left(prior, used_mah, bank, fresh, rng, usable)
    if len(left) < 200:
        warnings.append(
            "More charge has come out than the stated capacity allows: check the capacity."
        )
        return _unknown(bins, cutoff_v, "more charge was drawn than the stated capacity", warnings)
    mean_v = float(np.average(bins.mean_v, weights=bins.span_s))
    currents = load.current_ma(len(left), mean_v)
    times = np.sort(now_s + left / currents * 3600)
    at_least_s = now_s + float(np.quantile(times - now_s, AT_LEAST_QUANTILE))
    if not bank:
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
