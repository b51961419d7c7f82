"""A second opinion without a chemistry: what any falling curve would do that fits what has been seen.

Curves g(u) fall from 1 at the run's start (u = 0) to 0 at the cutoff (u = 1). Their pool holds pieces
of the known cells' curves, of whatever chemistry, between random depths, nearly straight ones and powers,
and random monotone curves: the logarithm of the slope is a Gaussian process with a mean that is steeper at
both ends, as cells are. A curve with the charge so far at u of its whole is stretched to the run's voltages: with the
cutoff at g = 0 its height A is a least-squares fit, V = V_c + A g(u q / q_now), and what is left
over weighs it. Priors: u anywhere (the moment is not special), and the stated capacity for
a pack that began full or part-used.
"""

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.curve.course import Course
from analysis.curve.curve_family import CurveFamily
from analysis.forecast.by_label import CapacityBelief
from analysis.forecast.chemistry_prior import curve_table, known_families, mode_table

Array = NDArray[np.float64]

_POINTS: Final = 193
_PATHS: Final = 60
_PATH_POINTS: Final = 24
_PIECES: Final = 900
_SMOOTH: Final = 400
_RANDOM: Final = 1100
_SEED: Final = 1618
_KNOWN_ODDS: Final = 2.0  # of a piece of a known cell's curve against a random one
_SMOOTH_ODDS: Final = 0.7
_ONCE: Final = 400
_ONCE_ODDS: Final = 1.0
_END: Final = 400
_END_ODDS: Final = 1.0
# Relative misfit that a pool of this size cannot help, of the headroom above the cutoff.
_MISFIT: Final = 0.008
_OBSERVATIONS: Final = 6.0  # neighbours agree: so many count as independent
_CURVES_LEAST: Final = 15.0  # curves that must share the weight
_HEATS: Final = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
# Share of life behind us: what the grid of u holds (logit scale)
_U: Final = 1 / (1 + np.exp(-np.linspace(-3.5, 6.0, 56)))
_TRANSIENT: Final = 0.03  # of the charge: a fresh load's first drop is left out


def _falling(log_slopes: Array) -> Array:
    """Curves from 1 to 0 with these logarithms of the slope, shape (curves, points)."""
    fall = np.exp(log_slopes)
    down = np.cumsum(0.5 * (fall[:, 1:] + fall[:, :-1]), axis=1)
    return np.asarray(1 - np.hstack([np.zeros((len(fall), 1)), down / down[:, -1:]]))


def _gaussian(rng: np.random.Generator, count: int, lengths: Array, sds: Array) -> Array:
    """Draws of Gaussian processes over u with these lengths and standard deviations in turn, shape (count, points)."""
    grid = np.linspace(0, 1, _POINTS)
    gap = grid[:, None] - grid[None, :]
    each = np.repeat(lengths, -(-count // len(lengths)))[:count]
    drawn = np.empty((count, _POINTS))
    for length in lengths:
        mine = each == length
        covariance = np.exp(-0.5 * (gap / length) ** 2) + 1e-6 * np.eye(_POINTS)
        factor = np.linalg.cholesky(covariance)
        drawn[mine] = rng.standard_normal((int(mine.sum()), _POINTS)) @ factor.T
    return np.asarray(drawn * rng.choice(sds, count)[:, None])


def _pieces(rng: np.random.Generator, known: tuple[CurveFamily, ...]) -> Array:
    grid = np.linspace(0, 1, _POINTS)
    pieces: list[Array] = []
    while known and len(pieces) < _PIECES:
        family = known[int(rng.integers(len(known)))]
        knots, volts, _ = curve_table(family)
        _, modes = mode_table(family)
        volts = volts + (rng.standard_normal(len(modes)) @ modes if len(modes) else 0.0)
        begin = 0.0 if rng.random() < 0.4 else rng.uniform(0.02, 0.8)
        end = (
            rng.uniform(max(begin + 0.1, 0.5), 1.0)
            if rng.random() < 0.4
            else rng.uniform(0.93, 1.0)
        )
        piece = np.interp(begin + (end - begin) * grid, knots, volts)
        if piece[0] - piece[-1] > 0.01 and piece[-1] < piece.min() + 1e-9:
            pieces.append((piece - piece[-1]) / (piece[0] - piece[-1]))
    return np.array(pieces).reshape(-1, _POINTS)


def _log_uniform(rng: np.random.Generator, low: float, high: float, count: int) -> Array:
    return np.asarray(np.exp(rng.uniform(np.log(low), np.log(high), count)))


def _bent_once(rng: np.random.Generator) -> Array:
    """Logarithms of the slope of curves that are nearly straight before and after one bend, anywhere."""
    grid = np.linspace(0, 1, _POINTS)
    bent = _gaussian(rng, _ONCE, np.array([0.3, 1.0]), np.array([0.05, 0.2]))
    at, by = rng.uniform(0, 1, (_ONCE, 1)), rng.normal(0.5, 1.5, (_ONCE, 1))
    width = _log_uniform(rng, 0.005, 0.1, _ONCE)[:, None]
    return np.asarray(bent + by / (1 + np.exp(-np.clip((grid - at) / width, -50, 50))))


def _sudden_end(rng: np.random.Generator) -> Array:
    """Logarithms of the slope of nearly straight curves whose end comes with little notice."""
    left = np.linspace(1, 0, _POINTS)
    bent = _gaussian(rng, _END, np.array([0.15, 0.4, 1.0]), np.array([0.1, 0.3]))
    width = _log_uniform(rng, 0.005, 0.12, _END)[:, None]
    steeper = rng.uniform(2, 8, (_END, 1))
    return np.asarray(
        bent + steeper / (1 + np.exp(np.clip((left - width) / (0.25 * width), -50, 50)))
    )


@cache
def pool(known: tuple[CurveFamily, ...]) -> tuple[Array, Array]:
    """Curves at equal steps of u, shape (curves, points), each from 1 to 0, and the logarithm of each one's odds."""
    rng = np.random.default_rng(_SEED)
    grid = np.linspace(0, 1, _POINTS)
    pieces = _pieces(rng, known)
    slopes = _gaussian(rng, _RANDOM, np.array([0.06, 0.15, 0.4]), np.array([0.25, 0.6, 1.2]))
    for from_end, least, most, often in ((grid, 0.0, 3.0, 0.5), (1 - grid, 1.0, 7.0, 0.85)):
        rise = rng.uniform(least, most, _RANDOM) * (rng.random(_RANDOM) < often)
        width = _log_uniform(rng, 0.005, 0.25, _RANDOM)
        slopes += rise[:, None] * np.exp(-from_end[None, :] / width[:, None])
    powers = _log_uniform(rng, 0.5, 2.2, _SMOOTH // 2)
    bent = _gaussian(rng, _SMOOTH - len(powers), np.array([0.3, 1.0]), np.array([0.05, 0.15]))
    parts = (
        pieces,
        1 - grid[None, :] ** powers[:, None],
        _falling(bent),
        _falling(_bent_once(rng)),
        _falling(_sudden_end(rng)),
        _falling(slopes),
    )
    odds = (_KNOWN_ODDS, _SMOOTH_ODDS, _SMOOTH_ODDS, _ONCE_ODDS, _END_ODDS, 1.0)
    log_odds = np.repeat(np.log(odds), [len(part) for part in parts])
    # in random order, so that each so-many-th stands for all
    order = rng.permutation(len(log_odds))
    return np.vstack(parts)[order].astype(np.float32), log_odds[order]


@dataclass(frozen=True)
class AnyCurve:
    """``left_mah``: draws of the charge left to the cutoff. ``path_mah``, ``path_v``: some of
    the courses to come, charge from now and pack V, shape (some, points). ``misfit``: root mean square of the
    best curve's rest over what was to be expected. ``curves``: effective number that share the weight.
    """

    left_mah: Array
    misfit: float
    curves: float
    path_mah: Array
    path_v: Array


def _rests(curves: Array, share: Array, headroom_v: Array, noise_v: Array) -> Array:
    """Mean square rest of every curve at every u, in units of its sd, shape (curves, u); heights by least squares.

    ``share``: charge of each stretch over the charge now.
    """
    least = 0.1 * float(np.median(headroom_v))
    sd = np.hypot(noise_v, _MISFIT * np.maximum(headroom_v, least))
    precision = (0.3 + 0.7 * share) / sd**2
    # g of every curve at u * (charge / now), shape (curves, u, stretches)
    place = np.outer(_U, share) * (_POINTS - 1)
    low = np.minimum(place.astype(np.intp), _POINTS - 2)
    part = (place - low).astype(np.float32)
    g = curves[:, low] * (1 - part) + curves[:, low + 1] * part
    cross = (g @ (precision * headroom_v).astype(np.float32)).astype(np.float64)
    square = (np.square(g) @ precision.astype(np.float32)).astype(np.float64)
    rest = precision @ headroom_v**2 - cross**2 / np.maximum(square, 1e-12)
    return np.asarray(np.maximum(rest, 0.0) / float((precision * sd**2).sum()))


def _prior(used_mah: float, belief: CapacityBelief | None) -> Array:
    """Logarithm of the belief in each u: anywhere in the life, and as the label and the start have it."""
    anywhere = np.log(_U * (1 - _U))
    return anywhere if belief is None else anywhere + np.log(belief.weight(used_mah / _U))


def _onward(curves: Array, u: Array, ahead: Array) -> Array:
    """Each curve from its own u on, 1 there, shape (curves, ahead)."""
    grid = np.linspace(0, 1, _POINTS)
    rows = [
        np.interp(at + (1 - at) * ahead, grid, curve) for at, curve in zip(u, curves, strict=True)
    ]
    courses = np.array(rows)
    return np.asarray(courses / np.maximum(courses[:, :1], 1e-9))


def any_curve(
    course: Course,
    used_mah: float,
    cutoff_v: float,
    belief: CapacityBelief | None,
    draws: int,
    every: int = 1,
) -> AnyCurve | None:
    """Charge left to the cutoff by all curves that fit; None where the course is too short or below the cutoff.

    ``every``: only each so-many-th curve, where the answer is only to be scored.
    """
    late = course.charge_mah >= max(_TRANSIENT * used_mah, course.settled_mah)
    charge, volts, noise = course.charge_mah[late], course.held_v[late], course.noise_v[late]
    headroom = volts - cutoff_v
    if len(charge) < 4 or not used_mah > 0 or np.median(headroom) <= 0:
        return None
    curves, odds = (item[::every] for item in pool(known_families()))
    rest = _rests(curves, charge / used_mah, headroom, noise)
    prior = _prior(used_mah, belief)
    # where even the best fits badly, its own rest is the measure of error
    usual = max(float(rest.min()), 1.0)
    for heat in _HEATS:
        log_weight = prior[None, :] + odds[:, None] - 0.5 * _OBSERVATIONS * rest / (usual * heat)
        weights = np.exp(log_weight - log_weight.max())
        per_curve = weights.sum(axis=1)
        effective = float(per_curve.sum() ** 2 / np.square(per_curve).sum())
        if effective >= _CURVES_LEAST:
            break
    cumulative = np.cumsum(weights.ravel())
    at = np.searchsorted(cumulative, (np.arange(draws) + 0.5) / draws * cumulative[-1])
    which, u_at = np.unravel_index(at, weights.shape)
    logit = np.log(_U / (1 - _U))
    jitter = (np.modf(np.arange(draws) * 0.6180339887)[0] - 0.5) * (logit[1] - logit[0])
    left = used_mah * np.exp(-(logit[u_at] + jitter))
    some = np.linspace(0, draws - 1, _PATHS).astype(np.intp)
    ahead = np.linspace(0, 1, _PATH_POINTS)
    now_v = float(np.median(volts[-3:])) - cutoff_v
    paths = cutoff_v + now_v * _onward(curves[which[some]], _U[u_at[some]], ahead)
    return AnyCurve(left, float(np.sqrt(rest.min())), effective, left[some][:, None] * ahead, paths)
