"""Which opinion has earned its say on this very run?

Each opinion (the chemistry's curves, curves of any kind, trends, earlier runs of the same pack) is asked what it
would have said at earlier moments about levels that the voltage has passed since. The logarithm of the density
it gave to what came is its score (prequential: Dawid 1984; weights as in Bayesian model averaging of
sequential forecasts: Raftery et al. 2005); the answer is drawn from the mixture by weight. What was tried over
a shorter way than lies ahead counts for less.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course

Array = NDArray[np.float64]

# Draws of the charge left to each level as of a moment (mAh out by then); None: no opinion then.
Then = Callable[[float, Array], Sequence[Array] | None]

# Moments asked about, as shares of the charge so far, and levels on the way from there to now.
ORIGINS: Final = (0.2, 0.4, 0.6, 0.8)
_ON_THE_WAY: Final = (0.4, 0.7, 1.0)
_LEAST_SD: Final = 0.025  # of the logarithm: no opinion is credited with knowing better
_EVIDENCE: Final = 0.75  # of its logarithm: the moments of one run agree with each other
_DENSITY_LEAST: Final = 1e-3
_Z95: Final = 1.645
_BELIEVED: Final = 2.0  # moments that the opinion's own width is worth
_STRAY: Final = 16.0
# Who said nothing then is taken for one that was right within a factor of two or so.
_SILENT: Final = -1.0
_LEAST_FALL: Final = 4.0  # noise of the course: less has not been passed
# Say before anything was seen: the chemistry that the user stated is mostly right.
# The own earlier runs, where there are any, are the best curve there is.
_PRIOR: Final = {"chemistry": 0.8, "any": 0.15, "trend": 0.05, "label": 0.015, "earlier": 10.0}
_UNSTATED: Final = 0.6  # what is left of the chemistry's say where no pack was stated
_UNCHECKED: Final = 0.5  # and where no rundown has ever checked its curves
_OTHER_RATE_COSTS: Final = (
    3.0  # of the logarithm of its say, per unit of the logarithm of the rate's ratio
)
# Where the truth lay among the mixed draws in 5, 25, 50, 75, 95 of 100 forecasts of the tuning material (makes of four
# chemistries, first measured 18650, generator seeds 6 and 7; moved somewhat toward what is meant): with no known curve
# trusted, and with the chemistry's, by how much of the life is gone.
MEANT: Final = np.array([0.05, 0.25, 0.5, 0.75, 0.95])
_TOLD_OWN: Final = np.array([0.045, 0.28, 0.53, 0.79, 0.963])
_GONE: Final = (0.2, 0.5, 0.7, 0.9)
_TOLD_KNOWN: Final = np.array(
    [
        [0.07, 0.36, 0.58, 0.77, 0.945],
        [0.055, 0.27, 0.49, 0.68, 0.93],
        [0.03, 0.20, 0.40, 0.61, 0.92],
        [0.045, 0.23, 0.41, 0.61, 0.95],
    ]
)
# Weight of an end that nothing has shown yet: where no known curves have the say; where they have, for several cells in a row.
# The first: of the tuning material's groups, each left out in turn, the others would have none; 0.15 costs 1 to 2 % of the score
# of the lower end (pinball loss), 5 % without the late knees, which alone would have 0.4: an insurance, judgement.
# The second: judgement, no source; 0.05 took a third to a half of what "at least" says of sound packs at a quarter of their life.
UNKNOWN_KIND: Final = 0.15
IN_A_ROW: Final = 0.02
_SEED: Final = 1993
# What the curves leave open was too wide for lithium-ion (of tuning makes and the first 18650 hardly one end lay outside),
# too narrow for alkaline (86 in 100 lay inside).
_CURVES_WIDTH: Final = {"li-ion": 0.9, "alkaline": 1.15}


@dataclass(frozen=True)
class Probe:
    """A moment to ask about: charge out by then (mAh), levels (V) passed since, charge that each then took (mAh),
    and how well that is known (sd of its logarithm); all but the first of one length.
    """

    charge_mah: float
    levels_v: Array
    true_mah: Array
    log_sd: Array


@dataclass(frozen=True)
class Score:
    """How an opinion fared on one run. ``log_density``: sum over the moments asked; ``asked``: how many;
    ``late``: mean of the logarithm of foreseen over true charge (positive: it foresaw too long a life);
    ``spread``: its errors over those that it owned to, shrunk toward 1 while few have been seen.
    """

    log_density: float
    asked: int
    late: float
    spread: float


def log_density(draws_mah: Array, true_mah: float, least_sd: float = _LEAST_SD) -> float:
    """Logarithm of the density of ln(charge left) at the truth; kernel with Silverman's width, with a floor."""
    logs = np.log(np.maximum(draws_mah, 1e-6 * max(true_mah, 1e-9)))
    low, high = np.quantile(logs, (0.25, 0.75))
    spread = min(float(logs.std()), float(high - low) / 1.34)
    width = max(0.9 * spread * len(logs) ** -0.2, least_sd)
    z = (logs - np.log(true_mah)) / width
    density = float(np.mean(np.exp(-0.5 * z**2))) / (width * np.sqrt(2 * np.pi))
    return float(np.log(density + _DENSITY_LEAST))


def probes(course: Course, used_mah: float) -> list[Probe]:
    """Moments to ask about."""
    charge, lowest = course.charge_mah, np.minimum.accumulate(course.held_v)
    noise_v = float(np.median(course.noise_v))
    found = []
    for share in ORIGINS:
        at = int(np.searchsorted(charge, share * used_mah)) - 1
        if at < 3:
            continue
        then_mah, then_v = float(charge[at]), float(np.median(course.held_v[at - 1 : at + 1]))
        places = then_mah + (float(charge[-1]) - then_mah) * np.array(_ON_THE_WAY)
        levels = np.interp(places, charge, lowest)
        levels = levels[then_v - levels > _LEAST_FALL * noise_v]
        if not len(levels):
            continue
        # how far the noise moves the moment at which the level was passed
        ends = np.interp(-np.stack([levels + noise_v, levels, levels - noise_v]), -lowest, charge)
        true_mah = ends[1] - then_mah
        log_sd = 0.5 * (ends[2] - ends[0]) / np.maximum(true_mah, 1e-9)
        known = (true_mah > 0) & (log_sd < 0.3)
        if known.any():
            found.append(Probe(then_mah, levels[known], true_mah[known], log_sd[known]))
    return found


def scored(asked: Sequence[Probe], opinion: Then, ahead: float = 1.0) -> Score:
    """Score of an opinion; ``ahead``: charge left over charge so far, as is now to be told."""
    total, late, squares, count = 0.0, 0.0, 0.0, 0.0
    for probe in asked:
        worth = np.minimum(1.0, probe.true_mah / probe.charge_mah / ahead) / len(probe.levels_v)
        said = opinion(probe.charge_mah, probe.levels_v)
        if said is None:
            total += _SILENT * float(worth.sum())
            continue
        for draws, true_mah, log_sd, part in zip(
            said, probe.true_mah, probe.log_sd, worth, strict=True
        ):
            least = float(np.hypot(_LEAST_SD, log_sd))
            total += part * log_density(draws, float(true_mah), least)
            low, middle, high = np.log(np.maximum(np.quantile(draws, (0.05, 0.5, 0.95)), 1e-9))
            off = float(middle - np.log(true_mah))
            side = (high - middle) if off < 0 else (middle - low)
            squares += part * min((_Z95 * off / max(side, _Z95 * least)) ** 2, _STRAY)
            late += part * off
            count += part
    spread = float(np.sqrt((_BELIEVED + squares) / (_BELIEVED + count)))
    return Score(_EVIDENCE * total, len(asked), late / count if count else 0.0, max(spread, 1.0))


def width_factor(name: str, score: Score | None, stated: str | None) -> float:
    """Factor on the width of an opinion's draws, of their logarithm; ``stated``: the chemistry.

    Errors earlier in the run count for own earlier runs alone: of the others' later ones they tell nothing (rank
    correlation 0.04 to 0.09 on the tuning material), and they made the widest intervals wider still.
    """
    if name == "chemistry":
        return _CURVES_WIDTH.get(stated or "", 1.0)
    return score.spread if name == "earlier" and score is not None else 1.0


def widened(draws: Array, base: float, spread: float) -> Array:
    """Draws above ``base`` with their logarithms' distance from the median times ``spread``."""
    logs = np.log(np.maximum(draws - base, 1e-9))
    middle = float(np.median(logs))
    return np.asarray(base + np.exp(middle + spread * (logs - middle)))


def weights(scores: Mapping[str, Score], prior: Mapping[str, float]) -> dict[str, float]:
    """Share of each opinion in the answer, adding up to 1: prior times density of what came."""
    logs = {name: score.log_density + float(np.log(prior[name])) for name, score in scores.items()}
    best = max(logs.values())
    raw = {name: float(np.exp(value - best)) for name, value in logs.items()}
    total = sum(raw.values())
    return {name: value / total for name, value in raw.items()}


def prior_say(
    names: Iterable[str],
    fits: float,
    stated: str | None,
    checked: bool,
    other_rate: float,
    passed: float,
) -> dict[str, float]:
    """Say of each opinion before anything was seen.

    ``fits``: of the chemistry's curves, 1 to 0; ``stated``: the chemistry, ``checked``: rundowns have checked its curves;
    ``other_rate``: logarithm of the draw over that of the earlier runs; ``passed``: share of the way that trends were tried on.
    """
    prior = {name: _PRIOR[name] for name in names}
    if "chemistry" in prior:
        prior["chemistry"] *= max(fits, 1e-30)
        if stated is None:
            prior["chemistry"] *= _UNSTATED
        elif not checked:
            prior["chemistry"] *= _UNCHECKED
    if "earlier" in prior:
        prior["earlier"] *= float(np.exp(-_OTHER_RATE_COSTS * other_rate))
    if "trend" in prior:
        prior["trend"] *= max(passed, 1e-3)
    return prior


def told_shares(share: Mapping[str, float], gone: float) -> Array:
    """Shares of the mixed draws at which the truth lay as often as ``MEANT``; ``gone``: share of the life behind us, as foreseen."""
    known = np.array([np.interp(gone, _GONE, column) for column in _TOLD_KNOWN.T])
    by_curve, by_earlier = share.get("chemistry", 0.0), share.get("earlier", 0.0)
    rest = 1.0 - by_curve - by_earlier
    return np.asarray(by_curve * known + by_earlier * MEANT + rest * _TOLD_OWN)


def unseen_end(left: Array, elapsed: float, weight: float) -> Array:
    """Draws of what is left, sorted, with the chance (``weight``) of an end that nothing has shown: a knee of a kind not known, a weak cell.

    Of a thing of whose life nothing is known but that it has lasted ``elapsed`` so far, P(rest < x) = x / (x + elapsed): the
    moment of asking is any of the life (Gott 1993). The end is the earlier of the two; the later half of the draws stays.
    """
    count = len(left)
    rng = np.random.default_rng(_SEED)
    chance = rng.permutation((np.arange(count) + 0.5) / max(count, 1))
    met = rng.permutation(count) < weight * count
    early = np.sort(np.where(met, np.minimum(left, elapsed * chance / (1 - chance)), left))
    return np.where(np.arange(count) < count // 2, early, left)


def mixed(
    draws: Mapping[str, Array], says: Mapping[str, Array], share: Mapping[str, float], count: int
) -> Array:
    """``count`` draws (about) from the mixture, sorted: evenly spaced quantiles of each part, its draws weighed by ``says``."""
    parts = []
    for name, values in draws.items():
        n = round(share.get(name, 0.0) * count)
        if n and len(values):
            parts.append(weighed(values, says[name], (np.arange(n) + 0.5) / n))
    return np.sort(np.concatenate(parts)) if parts else np.empty(0)


def recalibrated(draws: Array, told: Array, meant: Array) -> Array:
    """Draws whose shares ``meant`` (ascending, within 0 to 1) lie where those of ``told`` lay (Kuleshov et al. 2018)."""
    place = (np.arange(len(draws)) + 0.5) / max(len(draws), 1)
    shares = np.interp(place, np.r_[0.0, meant, 1.0], np.r_[0.0, told, 1.0])
    return np.quantile(draws, shares) if len(draws) else draws


def weighed(values: Array, weight: Array, shares: Array) -> Array:
    """Quantiles of weighed draws."""
    order = np.argsort(values)
    reached = np.cumsum(weight[order])
    middle = (reached - 0.5 * weight[order]) / max(float(reached[-1]), 1e-300)
    return np.asarray(np.interp(shares, middle, values[order]))


def first_below(path_mah: Array, path_v: Array, levels_v: Array) -> list[Array]:
    """Charge at which each drawn course (some, points) comes down to each level; its last where it does not."""
    lowest = np.minimum.accumulate(path_v, axis=1)
    found = []
    for level in levels_v:
        under = lowest <= level
        under[:, -1] = True
        at = np.maximum(under.argmax(axis=1), 1)
        rows = np.arange(len(at))
        above, below = lowest[rows, at - 1], lowest[rows, at]
        part = np.clip((above - level) / np.maximum(above - below, 1e-9), 0.0, 1.0)
        before, after = path_mah[rows, at - 1], path_mah[rows, at]
        found.append(np.maximum(before + part * (after - before), 1e-9))
    return found


def why_words(lead: str, earlier: Sequence[str]) -> str:
    """What the answer rests on, by the opinion that leads; ``earlier``: names of the earlier runs."""
    if lead == "chemistry":
        return "the voltage so far, matched with curves of this chemistry"
    if lead == "earlier" and earlier:
        return f"your earlier runs of such a pack: {', '.join(earlier)}"
    if lead == "trend":
        return "the voltage's own slope, which foretold the last hours well"
    if lead == "label":
        return (
            "the capacity of such a pack less the charge used: the voltage so far foretold nothing"
        )
    return "the voltage so far, going on as curves of any kind do that fit it"
