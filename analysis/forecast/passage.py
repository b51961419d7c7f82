"""First passage of the cutoff: curves drawn from the posterior, walked along the load to come."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from analysis.curve.curve_family import CurveFamily
from analysis.forecast.chemistry_prior import capacity_prior, curve_table, families
from analysis.forecast.future_load import FutureLoad
from analysis.forecast.posterior import Candidate, Observed, Posterior, posteriors
from analysis.run.history import Bins
from logger.base.pack import CHEMISTRIES, Pack

Array = NDArray[np.float64]

DRAWS: Final = 250
PATHS_PER_DRAW: Final = 8
_QUICK_DRAWS: Final = 120
DEPTH_POINTS: Final = 32
_READING_SD_V: Final = 0.002
_RELAX_SHARE: Final = 0.3
# What a meter's zero may be off (an INA219: 1 mA at most): labels count true charge, the run measured.
METER_SD_MA: Final = 0.4
# Small currents are measured with a meter fit for them; where not, the rundown says that they drown in its zero.
METER_MOST: Final = 0.1


@dataclass(frozen=True)
class Passages:
    """Drawn futures. ``times_s``: first passage of the cutoff; ``capacity_mah``: charge out by then;
    ``started_depth``: how far the pack was emptied before the run (each of shape (draws,)).
    ``misfit``: chi-square per observation of the curve each comes from, about 1 where the chemistry
    fits. ``path_s``, ``path_v``: some of the courses, pack volts against time, shape (some, points);
    ``path_mah``: charge from now on along them.
    """

    times_s: Array
    capacity_mah: Array
    started_depth: Array
    path_s: Array
    path_v: Array
    misfit: Array
    path_mah: Array


def draw_passages(
    bins: Bins,
    groups: Bins,
    packs: Sequence[tuple[Pack, float]],
    cutoff_v: float,
    load: FutureLoad,
    rng: np.random.Generator,
    fresh: bool | None = None,
    quick: bool = False,
    temperature_c: float | None = None,
) -> Passages:
    """Sampled first passages: ``packs`` with their weights, ``groups`` the stretches of ``bins``.

    ``quick``: coarsely, for what is only to be scored.
    """
    mean_ma = load.mean_ma
    heavy_ma = mean_ma * load.heavy_ratio
    meter = min(METER_SD_MA / max(mean_ma, 1e-3), METER_MOST)
    owners: list[Pack] = []
    members: list[Candidate] = []
    for pack, weight in packs:
        for family in families(pack.chemistry):
            life_ma = _life_ma(bins, mean_ma, pack.cells, family, load)
            prior = capacity_prior(pack, life_ma, temperature_c)
            prior = replace(prior, log_sd=float(np.hypot(prior.log_sd, meter)))
            seen = observed(groups, pack.cells, family.drop_v_h / prior.median_mah, heavy_ma)
            floor_v = CHEMISTRIES[pack.chemistry].floor_v
            members.append(Candidate(family, prior, floor_v, seen, heavy_ma, weight, fresh))
            owners.append(pack)
    kept = posteriors(members, quick)
    log_weight = np.concatenate([found.log_weight for _, found in kept])
    owner = np.repeat(np.arange(len(kept)), [len(found.log_q) for _, found in kept])
    place = np.concatenate([np.arange(len(found.log_q)) for _, found in kept])
    weight_all = np.exp(log_weight - log_weight.max())
    cumulative = np.cumsum(weight_all) / weight_all.sum()
    draws, each = (_QUICK_DRAWS, 1) if quick else (DRAWS, PATHS_PER_DRAW)
    picks = np.searchsorted(cumulative, (np.arange(draws) + 0.5) / draws)
    order = rng.permutation(DRAWS)  # load draws must not go along with capacity
    drawn: list[Passages] = []
    for number, (member, found) in enumerate(kept):
        pack = owners[member]
        mine = np.flatnonzero(owner[picks] == number)
        if len(mine):
            drawn.append(
                _crossings(
                    bins,
                    found,
                    place[picks[mine]],
                    cutoff_v / pack.cells,
                    pack.cells,
                    load,
                    order[mine],
                    each,
                    rng,
                )
            )
    return Passages(
        *(np.concatenate([getattr(part, item.name) for part in drawn]) for item in fields(Passages))
    )


def _depths_ahead(z_now: Array) -> Array:
    """Depths from now to beyond the floor, shape (draws, ``DEPTH_POINTS``): few where all is over."""
    near = np.linspace(0, 1, DEPTH_POINTS - 6)
    empty = np.maximum(1.02, z_now + 0.02)
    before = z_now[:, None] + (empty - z_now)[:, None] * near
    beyond = empty[:, None] + (1.25 - empty)[:, None] * np.linspace(0, 1, 7)[1:]
    return np.hstack([before, beyond])


def observed(groups: Bins, cells: int, drop_v_per_ma: float, heavy_ma: float) -> Observed:
    """Stretches as observations of one cell, with noise from how they scatter about their neighbours."""
    volts = groups.held_v / cells
    around = np.max(sliding_window_view(np.pad(groups.held_ma, 2, mode="edge"), 5), axis=1)
    relax = _RELAX_SHARE * drop_v_per_ma * np.abs(groups.held_ma - heavy_ma)
    level = volts - drop_v_per_ma * (around - groups.held_ma)
    noise = np.hypot(np.hypot(_READING_SD_V, local_scatter(groups.charge_mah, level)), relax)
    return Observed(groups.charge_mah, volts, groups.held_ma, noise, around)


def local_scatter(x: Array, y: Array) -> Array:
    """Local standard deviation of ``y`` about the line between its neighbours (median of nine)."""
    if len(x) < 5:
        return np.zeros(len(x))
    left, right = x[1:-1] - x[:-2], x[2:] - x[1:-1]
    share = right / np.maximum(left + right, 1e-12)
    off = np.abs(y[1:-1] - share * y[:-2] - (1 - share) * y[2:])
    off /= np.sqrt(1 + share**2 + (1 - share) ** 2)
    off = np.pad(off, 5, mode="reflect" if len(off) > 5 else "edge")
    return np.asarray(1.4826 * np.median(sliding_window_view(off, 9), axis=1))


def _life_ma(
    bins: Bins, mean_ma: float, cells: int, family: CurveFamily, load: FutureLoad
) -> float:
    """Mean current over the whole life: a load that eases off as the pack sags gets more out of it."""
    _, volts, _ = curve_table(family)
    so_far_v = float(np.average(bins.mean_v, weights=bins.span_s)) / cells
    ratio = np.clip(volts[:1001] / max(so_far_v, 1e-6), 0.3, 1.5)
    return mean_ma * float(np.mean(ratio ** float(np.median(load.exponents))))


def _crossings(
    bins: Bins,
    found: Posterior,
    places: NDArray[np.intp],
    cutoff_v: float,
    cells: int,
    load: FutureLoad,
    load_draws: NDArray[np.intp],
    each: int,
    rng: np.random.Generator,
) -> Passages:
    """First passage of the drawn curves below the cutoff (V per cell)."""
    used_mah = float(bins.charge_mah[-1])
    log_q = found.log_q[places]
    # spread draws within their grid cell
    spacing = np.diff(np.unique(found.log_q)).min(initial=1.0)
    log_q = log_q + spacing * (rng.random(len(places)) - 0.5)
    z0 = found.z0[places]
    q = np.exp(log_q)
    z_now = np.minimum(z0 + used_mah / q, 1.15)
    depth = _depths_ahead(z_now)
    exponent = load.exponents[load_draws]
    scale = load.scales[load_draws]
    last_v = float(bins.mean_v[-1])
    knots, volts, _ = curve_table(found.candidate.family)
    guess = np.interp(depth, knots, volts)
    ratio = np.clip(guess / guess[:, :1], 0.3, 1.2)
    heavy = load.heavy_ratio * scale[:, None] * (last_v * ratio) ** exponent[:, None]
    paths = found.paths(log_q, z0, depth, heavy, each, rng)
    below = paths < cutoff_v
    below[:, :, -1] = True
    first = np.maximum(below.argmax(axis=2), 1)
    rows, columns = np.indices(first.shape)
    above, under = paths[rows, columns, first - 1], paths[rows, columns, first]
    part = np.clip((above - cutoff_v) / np.maximum(above - under, 1e-9), 0.0, 1.0)
    # time of each step of depth at the mean current that belongs to its voltage
    mid = 0.5 * (paths[:, :, 1:] + paths[:, :, :-1]) * cells
    start = np.maximum(paths[:, :, :1] * cells, 1e-3)
    current = (
        scale[:, None, None] * (last_v * np.clip(mid / start, 0.3, 1.2)) ** exponent[:, None, None]
    )
    step_h = (np.diff(depth, axis=1) * q[:, None])[:, None, :] / np.maximum(current, 1e-6)
    elapsed_h = np.concatenate([np.zeros((*first.shape, 1)), np.cumsum(step_h, axis=2)], axis=2)
    base = elapsed_h[rows, columns, first - 1]
    hours = base + part * (elapsed_h[rows, columns, first] - base)
    z_end = depth[rows, first - 1] + part * (depth[rows, first] - depth[rows, first - 1])
    now_s = float(bins.end_s[-1])
    return Passages(
        now_s + 3600 * hours.ravel(),
        ((z_end - z0[:, None]) * q[:, None]).ravel(),
        np.repeat(z0, each),
        now_s + 3600 * elapsed_h[:, 0, :],
        paths[:, 0, :] * cells,
        np.repeat(found.misfit[places], each),
        (depth - depth[:, :1]) * q[:, None],
    )
