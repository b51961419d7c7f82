"""Learn the forecast's curve families from the tuning rundowns; not run in tests.

    python -m tests.benchmarks.set_curves

Writes ``analysis/curve/learned_curves.py``. Per family: the mean curve at a fixed rate, the principal ways
in which its cells differ, and by greatest marginal likelihood the widths of what is left. Only
rundowns of the part "tune" are used.
"""

import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logsumexp

from analysis.curve.curve_family import CurveFamily
from analysis.curve.typical_curves import TYPICAL
from analysis.forecast.chemistry_prior import TYPICAL_RATE_PER_H, CapacityPrior, capacity_prior
from analysis.forecast.passage import observed
from analysis.forecast.posterior import Candidate, System, growth
from analysis.run.history import Bins, History, stretches_of
from logger.base.pack import CHEMISTRIES, Pack
from tests.benchmarks.rundowns import Rundown, aqueous_rundowns, physics_rundowns
from tests.support.places import ROOT

Array = NDArray[np.float64]

KNOTS: Final = (
    *(0.0, 0.01, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.94, 0.97),
    *(0.99, 1.0),
)
MODES: Final = 4
LEAST_SLOW_V, LEAST_FINE_V, LEAST_START_V = 0.008, 0.004, 0.03
# A flat curve's few features (steps of the graphite) stand at other depths in every build: with 0.01
# the 50 % interval of LiFePO4 tuning cells at a quarter of their life held 38 %, with 0.03 52 %.
LEAST_WARP: Final = {"lifepo4": 0.03}
# Of a lithium cell of no known kind the curve told too much: worn ones (stated as used), forecast by
# the families of other cells, were put 12 % too late at half life with 1, 10 % with 0.5, 7 % with
# 0.25; of fresh ones the 50 % interval held 51 to 55 % with 0.5, 54 to 60 % with 0.25.
TRUST: Final = {"li-ion": 0.5}
OUT: Final = ROOT / "analysis" / "curve" / "learned_curves.py"
HEAD: Final = f'''"""Curve families learned from simulated cells by tests/benchmarks/set_curves.py; not edited by hand."""

from typing import Final

from analysis.curve.curve_family import CurveFamily

# fmt: off
_DEPTH: Final = {KNOTS}

LEARNED: Final[tuple[CurveFamily, ...]] = (
'''
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
    crossing_mah = float(bins.charge_mah[end - 1 : end + 1].mean()) if len(below) else None
    bins = Bins(*(values[:end] for values in vars(bins).values()))
    around = np.array([bins.held_ma[max(place - 5, 0) : place + 6].max() for place in range(end)])
    heavy = bins.held_ma > 0.9 * around
    charge, volts = bins.charge_mah[heavy], bins.held_v[heavy] / run.pack.cells
    if crossing_mah is None:  # the rundown stops shortly before: on from the last points
        slope = min((volts[-1] - volts[-6]) / (charge[-1] - charge[-6]), -1e-9)
        left_mah = (floor_v / run.pack.cells - volts[-1]) / slope
        if left_mah > 0.05 * charge[-1]:
            return None
        crossing_mah = float(charge[-1] + left_mah)
    capacity_mah = max(crossing_mah, float(bins.charge_mah[-1]))
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


def with_widths(family: CurveFamily, found: Sequence[float]) -> CurveFamily:
    """Widths as found, but never below what sheets of one make differ by (judgement, no source)."""
    slow, fine, warp, start = (round(value, 4) for value in found)
    return replace(
        family,
        trust=TRUST.get(family.chemistry, 1.0),
        slow_v=max(slow, LEAST_SLOW_V),
        fine_v=max(fine, LEAST_FINE_V),
        warp=max(warp, LEAST_WARP.get(family.chemistry, 0.01)),
        start_v=max(start, LEAST_START_V),
    )


def one_family(chemistry: str, name: str, items: Sequence[Curve], weight: float) -> CurveFamily:
    """A family of all these curves; its widths found on one half with the modes of the other."""
    half = learned(chemistry, name, items[::2], MODES, 1.0, "")
    found, loss = widths([[half]], [items[1::2][:120]])
    say(f"{name}: {len(items)} curves, widths {found}, log likelihood {-loss:.1f}")
    return with_widths(learned(chemistry, name, items, MODES, weight, "simulated"), found)


def lithium_families(items: Sequence[Curve], weight: float) -> tuple[CurveFamily, ...]:
    """A family per published cell; widths found by forecasting each with the families of the others."""
    sources = sorted({item.source for item in items})
    own = {
        name: learned("li-ion", name, [i for i in items if i.source == name], 2, weight, name)
        for name in sources
    }
    drawn = [family for family in TYPICAL if family.chemistry == "li-ion"]
    found, loss = widths(
        [[own[other] for other in sources if other != name] + drawn for name in sources],
        [[i for i in items if i.source == name][:40] for name in sources],
    )
    say(f"li-ion: {len(items)} curves, widths {found}, log likelihood {-loss:.1f}")
    return tuple(with_widths(own[name], found) for name in sources)


def say(text: str) -> None:
    sys.stdout.write(text + "\n")


def curves(runs: Iterable[Rundown]) -> list[Curve]:
    found = [item for item in map(curve, runs) if item is not None]
    order = np.random.default_rng(0).permutation(len(found))
    return [found[place] for place in order]


def told(family: CurveFamily) -> str:
    def row(values: Sequence[float]) -> str:
        return "(" + ", ".join(f"{value:g}" for value in values) + ")"

    modes = "".join(f"            {row(mode)},\n" for mode in family.modes)
    return f"""    CurveFamily(
        chemistry="{family.chemistry}",
        name="{family.name}",
        weight={family.weight:g},
        depth=_DEPTH,
        volts={row(family.volts)},
        slow_v={family.slow_v:g},
        fine_v={family.fine_v:g},
        warp={family.warp:g},
        drop_v_h={family.drop_v_h:g},
        source="{family.source}",
        drop_spread={family.drop_spread:g},
        start_v={family.start_v:g},
        trust={family.trust:g},
        modes=(
{modes}        ),
    ),
"""


def main() -> None:
    alkaline = curves(aqueous_rundowns("tune", "alkaline", 360, 7001))
    nimh = curves(aqueous_rundowns("tune", "nimh", 240, 7002))
    lifepo4 = curves(physics_rundowns("tune", "lifepo4", 7003, 2))
    lithium = curves(physics_rundowns("tune", "li-ion", 7003, 2))
    for name, items in (("alkaline", alkaline), ("nimh", nimh), ("lifepo4", lifepo4)):
        log_ratio = [np.log(item.capacity_mah / item.rated_mah) for item in items]
        say(f"{name}: capacity over prior {np.mean(log_ratio):.3f} +- {np.std(log_ratio):.3f}")
    found = (
        one_family("alkaline", "zinc-manganese dioxide, learned", alkaline, 0.8),
        one_family("nimh", "nickel-metal hydride, learned", nimh, 0.8),
        one_family("lifepo4", "iron phosphate, learned", lifepo4, 0.6),
        *lithium_families(lithium, 0.15),
    )
    OUT.write_text(HEAD + "".join(told(family) for family in found) + ")\n# fmt: on\n")


if __name__ == "__main__":
    main()
