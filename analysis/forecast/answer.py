"""Chemistry, own course and own earlier runs asked together: each has the say that it has earned on this run."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course, heavy_gap_s
from analysis.forecast.any_curve import AnyCurve, any_curve
from analysis.forecast.by_label import CapacityBelief, by_label, capacity_belief
from analysis.forecast.chemistry_prior import candidates, families
from analysis.forecast.future_load import FutureLoad, Programme, future_load
from analysis.forecast.load_passage import at_one_voltage, creep_of, load_ahead, stretched
from analysis.forecast.opinions import (
    IN_A_ROW,
    MEANT,
    UNKNOWN_KIND,
    Score,
    Then,
    first_below,
    mixed,
    prior_say,
    probes,
    recalibrated,
    scored,
    told_shares,
    unseen_end,
    weights,
    why_words,
    widened,
    width_factor,
)
from analysis.forecast.own_runs import EarlierRun, OwnRuns, by_own_runs
from analysis.forecast.passage import DRAWS, Passages, draw_passages
from analysis.forecast.trends import by_trends, passed_share
from analysis.run.history import Bins, part, stretches_of
from logger.base.pack import CHEMISTRIES, Pack

Array = NDArray[np.float64]

# How this warning begins: whoever follows a run waits until it has been true for a while.
LOOKS_PART_USED: Final = "The pack looks as if it started part-used"
_PART_USED: Final = 0.08  # started emptier than this: the pack was not full
_SEED: Final = 20261
_DRAWS: Final = 2000
_EARLIER_MISFIT_MOST: Final = 3.0
_LITTLE_SAY: Final = 0.1
# Chi-square per observation of the chemistry's curves: up to this on 9 of 10 rundowns of the tuning cells.
# Each unit above takes this much off the logarithm of its say.
_MISFIT_USUAL: Final = {"alkaline": 0.5, "nimh": 0.25, "lifepo4": 0.4, "li-ion": 0.4}
_MISFIT_UNCHECKED: Final = 0.2
_MISFIT_COSTS: Final = 10.0
_BELOW_FLOOR: Final = 0.9
_EACH_THEN: Final = 4  # of the pool's curves asked about earlier moments


@dataclass(frozen=True)
class Asked:
    """What a forecast is made from. ``on``: the bins in which the circuit was on; ``course``: theirs.

    ``other_ways``: how else the load may go on (``load_passage.other_ways``).
    """

    on: Bins
    course: Course | None
    pack: Pack | None
    cutoff_v: float
    load: FutureLoad
    programme: Programme | None
    hold_s: float
    fresh: bool | None
    earlier: tuple[EarlierRun, ...] = ()
    temperature_c: float | None = None
    other_ways: tuple[tuple[float, float], ...] = ()

    @property
    def packs(self) -> list[tuple[Pack, float]]:
        if self.pack is not None:
            return [(self.pack, 1.0)]
        return candidates(float(self.on.held_v[0]))


@dataclass(frozen=True)
class Answer:
    """``times_s``: draws of the cutoff time; ``capacity_mah``: of the charge out by then; both sorted.

    ``share``: each opinion's say. ``refusal``: what to say where the draws are too wide to be told.
    """

    times_s: Array
    capacity_mah: Array
    basis: str
    why: str
    refusal: str
    fan: Passages | None
    share: dict[str, float]
    warnings: tuple[str, ...]


def answer(asked: Asked, rng: np.random.Generator) -> Answer | None:
    """Cutoff time by all opinions that have a say; None where none has one."""
    said = _said(asked, rng)
    if not said.left_mah:
        return None
    share, scores = _shares(asked, said)
    now_s, used_mah = float(asked.on.end_s[-1]), float(asked.on.charge_mah[-1])
    times, charges = _draws(asked, said, scores, rng)
    says = {name: _say_of_draws(name, charges[name], used_mah, said) for name in charges}
    lead = max(share, key=lambda name: share[name])
    time_s, charge_mah = (mixed(draws, says, share, _DRAWS) for draws in (times, charges))
    told = told_shares(share, used_mah / float(np.median(charge_mah)))
    hazard = _hazard(asked, share)
    begin_s = float(asked.on.end_s[0] - asked.on.span_s[0])
    left_s = recalibrated(time_s, told, MEANT) - now_s
    left_mah = recalibrated(charge_mah, told, MEANT) - used_mah
    return Answer(
        now_s + unseen_end(left_s, now_s - begin_s, hazard),
        used_mah + unseen_end(left_mah, used_mah, hazard),
        "curve" if lead == "chemistry" else "earlier runs" if lead == "earlier" else "own course",
        why_words(lead, said.earlier.names if said.earlier is not None else ()),
        "not enough was seen: the voltage so far fits ends that lie far apart",
        _fan(asked, said, lead),
        share,
        tuple(_warnings(asked, said, share)),
    )


def _draws(
    asked: Asked, said: "_Said", scores: dict[str, Score], rng: np.random.Generator
) -> tuple[dict[str, Array], dict[str, Array]]:
    """Each opinion's draws of the cutoff time and of the charge out by then, under the load as it goes on."""
    now_s, used_mah = float(asked.on.end_s[-1]), float(asked.on.charge_mah[-1])
    exponent = float(np.median(asked.load.exponents))
    gap_s = heavy_gap_s(at_one_voltage(asked.on, exponent))
    as_now = asked.programme is None
    played = load_ahead(asked.on, asked.course, exponent, asked.cutoff_v) if as_now else None
    creep = creep_of(asked.on, exponent) if as_now else None
    times, charges = {}, {}
    stated = None if asked.pack is None else asked.pack.chemistry
    for name, left in said.left_mah.items():
        spread = width_factor(name, scores.get(name), stated)
        left_mah = widened(left, 0.0, spread)
        if name == "chemistry" and said.chemistry is not None:
            left_s = widened(said.chemistry.times_s, now_s, spread) - now_s
        else:
            left_s = _times_s(asked, left_mah) - now_s
        left_s = stretched(left_s, asked.other_ways, rng)
        paths = _paths(name, said)
        if played is not None and paths is not None:
            met_s = played.until(left_s, *paths, rng)
            left_mah = np.maximum(left_mah + (met_s - left_s) / 3600 * asked.load.mean_ma, 0.0)
            left_s = met_s
        elif gap_s:
            left_s = left_s + gap_s * rng.exponential(size=len(left_s))
        left_s = left_s if creep is None else creep.sooner(left_s, np.random.default_rng(_SEED))
        times[name], charges[name] = now_s + left_s, used_mah + left_mah
    return times, charges


def _paths(name: str, said: "_Said") -> tuple[Array, Array] | None:
    """Courses to come by an opinion, else by any curve: charge from now on and pack V."""
    by = said.chemistry if name == "chemistry" else said.own
    return None if by is None else (by.path_mah, by.path_v)


def _hazard(asked: Asked, share: dict[str, float]) -> float:
    """Weight of an end that nothing has shown yet, by who has the say; own earlier runs have shown how it ends."""
    by_curve, by_earlier = share.get("chemistry", 0.0), share.get("earlier", 0.0)
    in_a_row = asked.pack is not None and asked.pack.cells > 1
    known = IN_A_ROW if in_a_row else 0.0
    return by_curve * known + max(1.0 - 2.0 * (by_curve + by_earlier), 0.0) * UNKNOWN_KIND


def _say_of_draws(name: str, total_mah: Array, used_mah: float, said: "_Said") -> Array:
    """Weight of each draw of the whole charge, shape (draws,).

    Who asks does so at any moment of the life: of two lives twice as long the moments are half as dense
    (``any_curve`` and ``by_label`` count so already). What an extrapolation knows nothing of, the label, is brought in here.
    """
    if name in ("any", "label"):
        return np.ones(len(total_mah))
    weight = used_mah / np.maximum(total_mah, used_mah)
    if name == "trend" and said.belief is not None:
        weight = weight * said.belief.weight(total_mah)
    return np.asarray(weight)


@dataclass(frozen=True)
class _Said:
    """What each opinion says now: draws of the charge left by name, and where they come from."""

    left_mah: dict[str, Array]
    chemistry: Passages | None
    own: AnyCurve | None
    earlier: OwnRuns | None
    belief: CapacityBelief | None


def _said(asked: Asked, rng: np.random.Generator) -> _Said:
    used_mah = float(asked.on.charge_mah[-1])
    left: dict[str, Array] = {}
    chemistry = _chemistry(asked, rng)
    if chemistry is not None:
        left["chemistry"] = chemistry.capacity_mah - used_mah
    course, belief = asked.course, _belief(asked, _fits(asked, chemistry))
    own: AnyCurve | None = None
    earlier: OwnRuns | None = None
    if course is not None:
        own = any_curve(course, used_mah, asked.cutoff_v, belief, _DRAWS)
        trend = by_trends(course, used_mah, [asked.cutoff_v], _DRAWS)
        if own is not None:
            left["any"] = own.left_mah
        if own is not None and trend is not None:
            left["trend"] = trend[0]
        if own is not None and belief is not None:
            left["label"] = by_label(belief, used_mah, _DRAWS)
        earlier = _by_earlier(asked, course, used_mah, asked.cutoff_v)
        if earlier is not None and earlier.misfit < _EARLIER_MISFIT_MOST:
            left["earlier"] = earlier.left_mah
    return _Said(left, chemistry, own, earlier, belief)


def _by_earlier(asked: Asked, course: Course, used_mah: float, level_v: float) -> OwnRuns | None:
    if not asked.earlier:
        return None
    mean_ma = asked.load.mean_ma
    return by_own_runs(
        course, used_mah, level_v, mean_ma, asked.earlier, asked.fresh, _DRAWS, asked.temperature_c
    )


def _shares(asked: Asked, said: _Said) -> tuple[dict[str, float], dict[str, Score]]:
    """Each opinion's say, and its score from what it would have said earlier in this run."""
    course = asked.course
    if len(said.left_mah) == 1 or course is None:
        return {next(iter(said.left_mah)): 1.0}, {}
    used_mah = float(asked.on.charge_mah[-1])
    prior = _prior(asked, said, course)
    total = sum(prior.values())
    left = {name: max(float(np.median(said.left_mah[name])), 1e-3 * used_mah) for name in prior}
    ahead = sum(p * float(np.log(left[name])) for name, p in prior.items())
    past = probes(course, used_mah)
    then = asked_then(asked, course)
    horizon = float(np.exp(ahead / total)) / used_mah
    scores = {name: scored(past, then[name], horizon) for name in said.left_mah}
    return weights(scores, prior), scores


def asked_then(asked: Asked, course: Course) -> dict[str, Then]:
    """What each opinion would have said when that charge was out: draws of the charge left to each level."""

    def any_then(charge_mah: float, levels_v: Array) -> list[Array] | None:
        until = course.until(charge_mah)
        found = any_curve(until, charge_mah, asked.cutoff_v, None, 500, every=_EACH_THEN)
        return None if found is None else first_below(found.path_mah, found.path_v, levels_v)

    def trend_then(charge_mah: float, levels_v: Array) -> list[Array] | None:
        return by_trends(course.until(charge_mah), charge_mah, levels_v, 300)

    def earlier_then(charge_mah: float, levels_v: Array) -> list[Array] | None:
        until = course.until(charge_mah)
        found = [_by_earlier(asked, until, charge_mah, level) for level in levels_v.tolist()]
        told = [one.left_mah for one in found if one is not None]
        return told if len(told) == len(found) else None

    return {
        "chemistry": chemistry_then(asked),
        "any": any_then,
        "trend": trend_then,
        "earlier": earlier_then,
        "label": lambda charge_mah, levels_v: None,  # of no level on the way it says anything
    }


def _prior(asked: Asked, said: _Said, course: Course) -> dict[str, float]:
    fits = 0.0 if said.chemistry is None else _fits(asked, said.chemistry)
    stated = None if asked.pack is None else asked.pack.chemistry
    ratios = [asked.load.mean_ma / max(run.mean_ma, 1e-6) for run in asked.earlier]
    other = min((abs(float(np.log(max(ratio, 1e-6)))) for ratio in ratios), default=0.0)
    passed = passed_share(course, asked.cutoff_v)
    return prior_say(said.left_mah, fits, stated, stated in _MISFIT_USUAL, other, passed)


def _warnings(asked: Asked, said: _Said, share: dict[str, float]) -> list[str]:
    told = []
    chemistry = said.chemistry
    by_chemistry = share.get("chemistry", 0.0) >= 0.5
    if chemistry is not None and by_chemistry:
        gone = float(np.median(chemistry.started_depth))
        if np.mean(chemistry.started_depth > _PART_USED) > 0.5:
            told.append(f"{LOOKS_PART_USED}: about {100 * gone:.0f} % of its charge was gone.")
            if asked.fresh:
                told.append(
                    "You said that it began fresh; the voltage does not bear that out. Check the cells."
                )
    unlike = chemistry is not None and "any" in share and share["chemistry"] < _LITTLE_SAY
    if asked.pack is not None and unlike and "earlier" not in share:
        told.append(
            f"This does not behave like {asked.pack.chemistry}: going by its own slope instead."
        )
    if said.earlier is not None and said.earlier.misfit >= _EARLIER_MISFIT_MOST:
        names = ", ".join(said.earlier.names)
        told.append(
            f"This run goes otherwise than your earlier ones ({names}): they were not used."
        )
    return told


def _fan(asked: Asked, said: _Said, lead: str) -> Passages | None:
    if said.chemistry is not None and (lead == "chemistry" or said.own is None):
        return said.chemistry
    return None if said.own is None else _own_fan(asked, said.own)


def chemistry_then(asked: Asked) -> Then:
    """The chemistry's part of ``asked_then``."""

    def then(charge_mah: float, levels_v: Array) -> list[Array] | None:
        on = part(asked.on, asked.on.charge_mah <= charge_mah)
        if len(on.end_s) < 4:
            return None
        rng = np.random.default_rng(_SEED)
        load = future_load(on, asked.programme, asked.hold_s, rng, DRAWS)
        found = _chemistry(replace(asked, on=on, load=load), rng, quick=True)
        return None if found is None else first_below(found.path_mah, found.path_v, levels_v)

    return then


def _chemistry(asked: Asked, rng: np.random.Generator, quick: bool = False) -> Passages | None:
    """By the chemistry's curves; None where there are none, or below the voltage down to which they go."""
    packs = [(pack, weight) for pack, weight in asked.packs if families(pack.chemistry)]
    floors = [CHEMISTRIES[pack.chemistry].floor_v * pack.cells for pack, _ in packs]
    if not packs or asked.cutoff_v < _BELOW_FLOOR * min(floors):
        return None
    return draw_passages(
        asked.on,
        stretches_of(asked.on),
        packs,
        asked.cutoff_v,
        asked.load,
        rng,
        asked.fresh,
        quick,
        asked.temperature_c,
    )


def _fits(asked: Asked, chemistry: Passages | None) -> float:
    """How well the chemistry's curves fit, 1 (as they do most cells of theirs) to 0."""
    if chemistry is None:
        return 0.0
    stated = None if asked.pack is None else asked.pack.chemistry
    usual = _MISFIT_USUAL.get(stated or "", _MISFIT_UNCHECKED)
    off = max(float(np.median(chemistry.misfit)) - usual, 0.0)
    return float(np.exp(-min(_MISFIT_COSTS * off, 50.0)))


def _belief(asked: Asked, fits: float) -> CapacityBelief | None:
    if asked.pack is None:
        return None
    load = asked.load
    return capacity_belief(
        asked.pack,
        asked.on,
        asked.cutoff_v,
        load.mean_ma,
        load.heavy_ratio,
        asked.fresh,
        fits,
        asked.temperature_c,
    )


def _middle_ma(asked: Asked, draws: int) -> Array:
    """Mean current on the way to the cutoff, one per draw."""
    now_v = float(np.median(asked.on.mean_v[-3:]))
    return asked.load.current_ma(draws, 0.6 * now_v + 0.4 * min(asked.cutoff_v, now_v))


def _times_s(asked: Asked, left_mah: Array) -> Array:
    """Cutoff times for draws of the charge left."""
    now_s = float(asked.on.end_s[-1])
    return np.asarray(now_s + 3600 * left_mah / _middle_ma(asked, len(left_mah)))


def _own_fan(asked: Asked, own: AnyCurve) -> Passages:
    now_s, used_mah = float(asked.on.end_s[-1]), float(asked.on.charge_mah[-1])
    current = float(np.median(_middle_ma(asked, DRAWS)))
    nothing = np.zeros(len(own.left_mah))
    return Passages(
        _times_s(asked, own.left_mah),
        used_mah + own.left_mah,
        nothing,
        now_s + 3600 * own.path_mah / current,
        own.path_v,
        nothing,
        own.path_mah,
    )
