"""Chemistry and own course asked together: each has the say that it has earned on this run."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.forecast.any_curve import AnyCurve, CapacityBelief, any_curve
from analysis.forecast.chemistry_prior import (
    TYPICAL_RATE_PER_H,
    candidates,
    capacity_prior,
    curve_table,
    families,
)
from analysis.forecast.course import Course, part
from analysis.forecast.future_load import FutureLoad, Programme, future_load
from analysis.forecast.opinions import mixed, moments, scored, weights
from analysis.forecast.passage import DRAWS, Passages, draw_passages
from analysis.forecast.start_state import start_belief
from analysis.run.history import Bins, stretches_of
from logger.base.pack import CHEMISTRIES, Pack

Array = NDArray[np.float64]

# How this warning begins: whoever follows a run waits until it has been true for a while.
LOOKS_PART_USED: Final = "The pack looks as if it started part-used"
_PART_USED: Final = 0.08  # started emptier than this: the pack was not full
_SEED: Final = 20261
_DRAWS: Final = 2000
# Say before anything was seen: the chemistry that the user stated is mostly right.
_PRIOR: Final = {"chemistry": 0.75, "any": 0.25}
_PRIOR_UNSTATED: Final = {"chemistry": 0.5, "any": 0.5}
_LITTLE_SAY: Final = 0.1
_MISFIT_MOST: Final = 4.0
_BELOW_FLOOR: Final = 0.9
_CUTOFF_SD: Final = 0.08
_FIRST_SHARE: Final = 0.02


@dataclass(frozen=True)
class Asked:
    """What a forecast is made from. ``on``: the bins in which the circuit was on; ``course``: theirs."""

    on: Bins
    course: Course | None
    pack: Pack | None
    cutoff_v: float
    load: FutureLoad
    programme: Programme | None
    hold_s: float
    fresh: bool | None

    @property
    def packs(self) -> list[tuple[Pack, float]]:
        if self.pack is not None:
            return [(self.pack, 1.0)]
        return candidates(float(self.on.held_v[0]))


@dataclass(frozen=True)
class Answer:
    """``times_s``: draws of the cutoff time; ``capacity_mah``: of the charge out by then; both sorted.

    ``share``: each opinion's say, ``parts``: its draws. ``refusal``: what to say where the draws are too wide to be told.
    """

    times_s: Array
    capacity_mah: Array
    basis: str
    why: str
    refusal: str
    fan: Passages
    share: dict[str, float]
    parts: dict[str, Array]
    warnings: tuple[str, ...]


def answer(asked: Asked, rng: np.random.Generator) -> Answer | None:
    """Cutoff time by all opinions that have a say; None where none has one."""
    chemistry = _chemistry(asked, rng)
    used_mah = float(asked.on.charge_mah[-1])
    course = asked.course
    own = None
    if course is not None:
        own = any_curve(course, used_mah, asked.cutoff_v, capacity_belief(asked), _DRAWS)
    if chemistry is None and own is None:
        return None
    share = _shares(asked, chemistry, own)
    draws = {}
    if chemistry is not None:
        draws["chemistry"] = chemistry.times_s
    if own is not None:
        draws["any"] = own_times_s(asked, own)
    charges = {}
    if chemistry is not None:
        charges["chemistry"] = chemistry.capacity_mah
    if own is not None:
        charges["any"] = used_mah + own.left_mah
    by_chemistry = share.get("chemistry", 0.0) >= 0.5
    warnings: list[str] = []
    if chemistry is not None and by_chemistry and np.mean(chemistry.started_depth > _PART_USED) > 0.5:
        warnings.append(
            f"{LOOKS_PART_USED}: about {100 * np.median(chemistry.started_depth):.0f} % of its charge was gone."
        )
    if asked.pack is not None and share.get("chemistry", 0.0) < _LITTLE_SAY:
        warnings.append(
            f"This does not behave like {asked.pack.chemistry}: going by its own course instead."
        )
    fan = chemistry if by_chemistry and chemistry is not None else None
    if fan is None:
        assert own is not None
        fan = _own_fan(asked, own)
    return Answer(
        mixed(draws, share, _DRAWS),
        mixed(charges, share, _DRAWS),
        "curve" if by_chemistry else "own course",
        "the voltage so far, matched with curves of this chemistry"
        if by_chemistry
        else "the voltage so far, going on as curves of any kind do that fit it",
        "not enough was seen: the voltage so far fits ends that lie far apart",
        fan,
        share,
        draws,
        tuple(warnings),
    )


def _shares(asked: Asked, chemistry: Passages | None, own: AnyCurve | None) -> dict[str, float]:
    """Each opinion's say, from what it would have said earlier in this run."""
    if own is None or asked.course is None:
        return {"chemistry": 1.0}
    if chemistry is None:
        return {"any": 1.0}
    if float(np.median(chemistry.misfit)) > _MISFIT_MOST:
        return {"chemistry": 0.0, "any": 1.0}
    used_mah = float(asked.on.charge_mah[-1])
    past = moments(asked.course, used_mah)
    prior = _PRIOR if asked.pack is not None else _PRIOR_UNSTATED
    if not past:
        return dict(prior)
    course = asked.course

    def any_then(charge_mah: float, level_v: float) -> Array | None:
        found = any_curve(course.until(charge_mah), charge_mah, level_v, None, 500)
        return None if found is None else found.left_mah

    scores = {
        "chemistry": scored(past, chemistry_then(asked)),
        "any": scored(past, any_then),
    }
    return weights(scores, prior)


def chemistry_then(asked: Asked) -> Callable[[float, float], Array | None]:
    """What the chemistry would have said when that charge was out: charge left to a level."""

    def then(charge_mah: float, level_v: float) -> Array | None:
        on = part(asked.on, asked.on.charge_mah <= charge_mah)
        if len(on.end_s) < 4:
            return None
        rng = np.random.default_rng(_SEED)
        load = future_load(on, asked.programme, asked.hold_s, rng, DRAWS)
        found = _chemistry(replace(asked, on=on, cutoff_v=level_v, load=load), rng)
        return None if found is None else found.capacity_mah - float(on.charge_mah[-1])

    return then


def _chemistry(asked: Asked, rng: np.random.Generator) -> Passages | None:
    """By the chemistry's curves; None where there are none, or below the voltage down to which they go."""
    packs = asked.packs
    floors = [CHEMISTRIES[pack.chemistry].floor_v * pack.cells for pack, _ in packs]
    if not packs or asked.cutoff_v < _BELOW_FLOOR * min(floors):
        return None
    return draw_passages(
        asked.on, stretches_of(asked.on), packs, asked.cutoff_v, asked.load, rng, asked.fresh
    )


def capacity_belief(asked: Asked) -> CapacityBelief | None:
    """Charge from the run's start to the cutoff, by the label (or the usual) and the first voltage."""
    pack = asked.pack
    if pack is None or not families(pack.chemistry):
        return None
    mean_ma = asked.load.mean_ma
    prior = capacity_prior(pack, mean_ma)
    shares = []
    for family in families(pack.chemistry):
        knots, volts, _ = curve_table(family)
        excess = mean_ma * asked.load.heavy_ratio / prior.median_mah - TYPICAL_RATE_PER_H
        level = asked.cutoff_v / pack.cells + family.drop_v_h * excess
        shares.append(float(np.interp(-level, -volts, knots)))
    share = float(np.clip(np.median(shares), 0.1, 1.05))
    on = asked.on
    first = on.charge_mah <= on.charge_mah[0] + _FIRST_SHARE * (on.charge_mah[-1] - on.charge_mah[0])
    first_v, first_ma = float(np.median(on.held_v[first])), float(np.median(on.held_ma[first]))
    log_sd = float(np.hypot(prior.log_sd, np.hypot(_CUTOFF_SD, np.std(shares) / share)))
    started = start_belief(pack, prior, first_v, first_ma, asked.fresh)
    return CapacityBelief(prior.median_mah * share, log_sd, started)


def _middle_ma(asked: Asked, draws: int) -> Array:
    """Mean current on the way to the cutoff, one per draw."""
    now_v = float(np.median(asked.on.mean_v[-3:]))
    return asked.load.current_ma(draws, 0.6 * now_v + 0.4 * min(asked.cutoff_v, now_v))


def own_times_s(asked: Asked, own: AnyCurve) -> Array:
    """Cutoff times of the own course's draws."""
    now_s = float(asked.on.end_s[-1])
    return np.asarray(now_s + 3600 * own.left_mah / _middle_ma(asked, len(own.left_mah)))


def _own_fan(asked: Asked, own: AnyCurve) -> Passages:
    now_s, used_mah = float(asked.on.end_s[-1]), float(asked.on.charge_mah[-1])
    current = float(np.median(_middle_ma(asked, DRAWS)))
    nothing = np.zeros(len(own.left_mah))
    return Passages(
        own_times_s(asked, own),
        used_mah + own.left_mah,
        nothing,
        now_s + 3600 * own.path_mah / current,
        own.path_v,
        nothing,
    )
