"""Learn the forecast's curve families from the tuning rundowns; not run in tests.

    python -m tests.benchmarks.set_curves

Writes ``analysis/learned_curves.py``. Per family: the mean curve at a fixed rate, the principal ways
in which its cells differ, and by greatest marginal likelihood the widths of what is left. Only
rundowns of the part "tune" are used.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logsumexp

from analysis.chemistry_prior import TYPICAL_RATE_PER_H, CapacityPrior, CurveFamily, capacity_prior
from analysis.curve_posterior import Candidate, System, growth
from analysis.history import Bins, History, stretches_of
from analysis.passage import observed
from logger.pack import CHEMISTRIES, Pack
from tests.benchmarks.rundowns import Rundown, aqueous_rundowns, physics_rundowns

Array = NDArray[np.float64]

KNOTS: Final = (
    *(0.0, 0.01, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.94, 0.97),
    *(0.99, 1.0),
)
TRIMMED: Final = 0.05  # share of the worst curves that widths need not cover


@dataclass(frozen=True)
class Curve:
    """A tuning rundown down to its floor: ``capacity_mah`` is the charge until then."""

    source: str
    load: str
    pack: Pack
    capacity_mah: float
    mean_ma: float
    end_ma: float
    groups: Bins
    depth: Array
    volts: Array
    current_ma: Array

    @property
    def rated_mah(self) -> float:
        return capacity_prior(self.pack, self.mean_ma).median_mah


def curve(run: Rundown) -> Curve | None:
    """The rundown's curve under its heaviest mode; None where it does not come near the floor."""
    history = History(run.hold_s)
    history.add(run.time_s, run.pack_v, run.current_ma)
    bins = history.bins()
    floor_v = CHEMISTRIES[run.chemistry].floor_v * run.pack.cells
    below = np.flatnonzero((bins.held_v < floor_v) & (bins.charge_mah > 0.4 * bins.charge_mah[-1]))
    end = int(below[0]) if len(below) else len(bins.held_v)
    if end < 40:
        return None
    bins = Bins(*(values[:end] for values in vars(bins).values()))
    around = np.array(
        [bins.held_ma[max(place - 5, 0) : place + 6].max() for place in range(end)]
    )
    heavy = bins.held_ma > 0.9 * around
    charge, volts = bins.charge_mah[heavy], bins.held_v[heavy] / run.pack.cells
    # on from the last points to the floor
    slope = min((volts[-1] - volts[-6]) / (charge[-1] - charge[-6]), -1e-9)
    left_mah = (floor_v / run.pack.cells - volts[-1]) / slope
    if left_mah > 0.05 * charge[-1]:
        return None
    capacity_mah = max(float(charge[-1] + left_mah), float(bins.charge_mah[-1]))
    groups = stretches_of(bins)
    return Curve(
        run.source,
        run.load,
        run.pack,
        capacity_mah,
        float(np.average(bins.mean_ma, weights=bins.span_s)),
        float(bins.held_ma[heavy][-1]),
        groups,
        charge / capacity_mah,
        volts,
        bins.held_ma[heavy],
    )


def at_knots(item: Curve, drop_v_h: float) -> Array:
    """Volts at ``KNOTS`` at the typical rate, the drop taken out."""
    rate = item.current_ma / item.rated_mah - TYPICAL_RATE_PER_H
    level = item.volts + drop_v_h * rate * growth(item.depth)
    smooth = np.array([np.median(level[max(k - 1, 0) : k + 2]) for k in range(len(level))])
    found = np.interp(KNOTS, item.depth, smooth)
    found[0] = level[0]
    found[-1] = CHEMISTRIES[item.pack.chemistry].floor_v
    return np.asarray(found)


def drop_of(items: Sequence[Curve]) -> tuple[float, float]:
    """Volts per 1/h of rate by least squares over cells at mid depth, and what is left of it, relative."""
    rate = np.array([np.interp(0.5, i.depth, i.current_ma) / i.rated_mah for i in items])
    volts = np.array([np.interp(0.5, i.depth, i.volts) for i in items])
    slope, _ = np.polyfit(rate * growth(np.array(0.5)), volts, 1)
    return max(float(-slope), 0.02), 0.5


def likelihood(family: CurveFamily, items: Sequence[Curve]) -> Array:
    """Log likelihood of each curve, its capacity known."""
    found = []
    floor_v = CHEMISTRIES[family.chemistry].floor_v
    for item in items:
        seen = observed(item.groups, item.pack.cells, family.drop_v_h / item.rated_mah, item.end_ma)
        prior = CapacityPrior(item.rated_mah, 0.1, "")
        candidate = Candidate(family, prior, floor_v, seen, item.end_ma)
        system = System(candidate, np.array([np.log(item.capacity_mah)]), np.zeros(1))
        found.append(float(system.log_likelihood()[0]))
    return np.array(found)


def widths(
    families: Sequence[Sequence[CurveFamily]], groups: Sequence[Sequence[Curve]]
) -> tuple[tuple[float, ...], float]:
    """Slow, fine, warp, start (V) that suit each group of curves best under its mixture of families."""

    def loss(logs: Array) -> float:
        slow, fine, warp, start = np.exp(logs)
        told = []
        for mixture, items in zip(families, groups, strict=True):
            parts = [
                np.log(f.weight)
                + likelihood(replace(f, slow_v=slow, fine_v=fine, warp=warp, start_v=start), items)
                for f in mixture
            ]
            told.append(logsumexp(parts, axis=0))
        all_of = np.sort(np.concatenate(told))
        return -float(all_of[int(TRIMMED * len(all_of)) :].mean())

    bounds = [(0.003, 0.2), (0.002, 0.06), (0.003, 0.15), (0.003, 0.15)]
    best = minimize(
        loss,
        np.log([0.02, 0.008, 0.03, 0.03]),
        method="L-BFGS-B",
        bounds=[tuple(np.log(pair)) for pair in bounds],
        options={"maxiter": 25},
    )
    return tuple(float(value) for value in np.exp(best.x)), float(best.fun)


def learned(
    chemistry: str, name: str, items: Sequence[Curve], count: int, weight: float, source: str
) -> CurveFamily:
    """Mean and ``count`` modes of these curves; widths still to be set."""
    drop, spread = drop_of(items)
    table = np.stack([at_knots(item, drop) for item in items])
    centre = np.median(table, axis=0)
    off = table - centre
    size = np.sqrt((off**2).mean(axis=1))
    off = off[size <= np.quantile(size, 1 - TRIMMED)]
    centre = centre + off.mean(axis=0)
    values, vectors = np.linalg.eigh(np.cov(off.T))
    order = np.argsort(values)[::-1][:count]
    modes = tuple(
        tuple(round(float(v), 4) for v in np.sqrt(values[k]) * vectors[:, k]) for k in order
    )
    volts = np.minimum.accumulate(np.round(centre, 4))
    return CurveFamily(
        chemistry,
        name,
        weight,
        KNOTS,
        tuple(float(v) for v in volts),
        0.02,
        0.008,
        0.03,
        round(drop, 3),
        source,
        spread,
        0.03,
        modes,
    )
