"""Do two or more groups of specimens live equally long?

Log-rank test (Mantel 1966; Peto & Peto 1972): at each failure the failures expected from the
shares at risk, with the hypergeometric variance; chi-square with groups - 1 degrees of
freedom. For few specimens the p-value comes from exchanging the group labels: of two groups all
exchanges if there are not too many, else thousands drawn at random.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import comb
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.life.data import Lives
from logger.base.errors import BenchError

Array = NDArray[np.float64]

EXCHANGES: Final = 5000
_SEED: Final = 52
_CHUNK: Final = 500
_ENOUGH: Final = 100
_KEEP_MAX: Final = 500_000  # draws of larger tests are not kept


@dataclass(frozen=True)
class LogRank:
    """Result; ``observed`` and ``expected`` failures per group (groups,). ``p_exchange``: by exchanged labels."""

    chi_square: float
    degrees: int
    p_chi_square: float
    p_exchange: float
    observed: Array
    expected: Array


def log_rank(groups: Sequence[Lives]) -> LogRank:
    """Test of equal lives. Raises BenchError for fewer than two groups or no failure at all."""
    if len(groups) < 2:
        raise BenchError("A comparison needs two groups.", next_step="fill in the column group.")
    seen = np.concatenate([np.repeat(g.seen_cycles, g.weights.astype(int)) for g in groups])
    failed = np.concatenate([np.repeat(g.seen_failed, g.weights.astype(int)) for g in groups])
    sizes = [int(g.weights.sum()) for g in groups]
    label = np.repeat(np.arange(len(groups)), sizes)
    if not failed.any():
        raise BenchError(
            "The groups cannot be told apart: no specimen failed in any of them.",
            next_step="bend on until some fail.",
        )
    tables = _tables(seen, failed)
    member = (label[None, :] == np.arange(len(groups))[:, None]).astype(float)
    observed, expected, variance = _sums(tables, member)
    chi_square = _chi_square(observed - expected, variance)
    degrees = len(groups) - 1
    exchanged = (
        _p_of_two(tables, sizes, chi_square)
        if len(sizes) == 2
        else exchanged_p(tables.scores, sizes)
    )
    return LogRank(
        chi_square,
        degrees,
        float(scipy.special.chdtrc(degrees, chi_square)),
        exchanged,
        observed,
        expected,
    )


def scores_of(groups: Sequence[Lives]) -> tuple[Array, list[int]]:
    """Observed minus expected failures of each piece, group after group, and the groups' sizes."""
    seen = np.concatenate([np.repeat(g.seen_cycles, g.weights.astype(int)) for g in groups])
    failed = np.concatenate([np.repeat(g.seen_failed, g.weights.astype(int)) for g in groups])
    sizes = [int(g.weights.sum()) for g in groups]
    if not failed.any():
        return np.zeros(seen.size), sizes
    return _tables(seen, failed).scores, sizes


@dataclass(frozen=True)
class _Tables:
    """``at_risk`` and ``fails`` (times, specimens) as 0/1, ``scores`` (specimens,) observed minus expected."""

    at_risk: Array
    fails: Array
    scores: Array


def _tables(seen: Array, failed: NDArray[np.bool_]) -> _Tables:
    times = np.unique(seen[failed])
    at_risk = (seen[None, :] >= times[:, None]).astype(float)
    fails = ((seen[None, :] == times[:, None]) & failed[None, :]).astype(float)
    share = fails.sum(axis=1) / at_risk.sum(axis=1)
    return _Tables(at_risk, fails, fails.sum(axis=0) - share @ at_risk)


def _sums(tables: _Tables, member: Array) -> tuple[Array, Array, Array]:
    """Observed and expected failures (groups,), covariance (groups, groups)."""
    deaths, total = tables.fails.sum(axis=1), tables.at_risk.sum(axis=1)
    in_group = tables.at_risk @ member.T
    share = in_group / total[:, None]
    expected = (deaths[:, None] * share).sum(axis=0)
    weight = np.where(total > 1, deaths * (total - deaths) / np.maximum(total - 1, 1), 0.0)
    variance = np.diag((weight[:, None] * share).sum(axis=0)) - (share * weight[:, None]).T @ share
    return tables.fails.sum(axis=0) @ member.T, expected, variance


def _chi_square(difference: Array, variance: Array) -> float:
    if np.trace(variance) <= 0:
        return 0.0
    return float(difference[:-1] @ np.linalg.pinv(variance[:-1, :-1]) @ difference[:-1])


def exchanged_p(scores: Array, sizes: Sequence[int]) -> float:
    """p of equal lives by exchanged labels: sum over groups of (sum of scores)^2 / n; ``scores`` group after group.

    Under exchange that sum is, up to a factor, the quadratic form of the log-rank scores with their exchange
    covariance. Exchanges stop as soon as a hundred were as far apart (Besag & Clifford 1991, Biometrika 78:301).
    """
    if not np.any(scores):
        return 1.0
    share = np.sqrt(np.array(sizes, dtype=float))

    def spread(sums: Array) -> Array:
        return np.asarray(((sums / share) ** 2).sum(axis=-1))

    ends = np.cumsum([0, *sizes])[:-1]
    seen = float(spread(np.add.reduceat(scores, ends))) * (1 - 1e-9)
    above = done = 0
    for chunk in range(EXCHANGES // _CHUNK):
        part = _members(tuple(sizes), chunk)
        flat = part.reshape(-1, scores.size).astype(float) @ scores  # one product: much faster
        sums = flat.reshape(len(part), -1)
        sums = np.concatenate((sums, (scores.sum() - sums.sum(axis=-1))[:, None]), axis=-1)
        above += int(np.sum(spread(sums) >= seen))
        done += len(part)
        if above >= _ENOUGH:
            break
    return (above + 1) / (done + 1)


def _members(sizes: tuple[int, ...], chunk: int) -> NDArray[np.int8]:
    """Who is in which group but the last, under drawn exchanges: 0 or 1 (exchanges, groups - 1, specimens)."""
    many = _CHUNK * sum(sizes) * len(sizes) > _KEEP_MAX
    return _drawn.__wrapped__(sizes, chunk) if many else _drawn(sizes, chunk)


@lru_cache(maxsize=256)
def _drawn(sizes: tuple[int, ...], chunk: int) -> NDArray[np.int8]:
    label = np.repeat(np.arange(len(sizes)), sizes)
    random = np.random.default_rng([_SEED, chunk])
    labels = random.permuted(np.broadcast_to(label, (_CHUNK, label.size)), axis=1)
    return np.stack([labels == group for group in range(len(sizes) - 1)], axis=1).astype(np.int8)


@lru_cache(maxsize=64)
def _chosen(count: int, first: int) -> Array:
    """Every way to choose the first group: 0 or 1 (ways, specimens)."""
    chosen = np.array(list(combinations(range(count), first)))
    member = np.zeros((len(chosen), count))
    np.put_along_axis(member, chosen, 1.0, axis=1)
    return member


def _p_of_two(tables: _Tables, sizes: Sequence[int], chi_square: float) -> float:
    """Share of exchanges at least as far apart: all of them if they are few, else as in ``exchanged_p``."""
    limit = chi_square * (1 - 1e-9)
    if comb(sum(sizes), sizes[0]) <= EXCHANGES:
        return float(np.mean(_chi_squares_two(tables, _chosen(sum(sizes), sizes[0])) >= limit))
    above = done = 0
    for chunk in range(EXCHANGES // _CHUNK):
        part = _members(tuple(sizes), chunk)[:, 0].astype(float)
        above += int(np.sum(_chi_squares_two(tables, part) >= limit))
        done += len(part)
        if above >= _ENOUGH:
            break
    return (above + 1) / (done + 1)


def _chi_squares_two(tables: _Tables, member: Array) -> Array:
    """Chi-square of two groups for many assignments; ``member`` (assignments, specimens) is 1 in the first."""
    deaths, total = tables.fails.sum(axis=1), tables.at_risk.sum(axis=1)
    share = member @ tables.at_risk.T / total
    weight = np.where(total > 1, deaths * (total - deaths) / np.maximum(total - 1, 1), 0.0)
    variance = (share * (1 - share)) @ weight
    difference = member @ tables.scores
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(variance > 0, difference**2 / variance, 0.0)
