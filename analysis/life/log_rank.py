"""Do two or more groups of specimens live equally long?

Log-rank test (Mantel 1966; Peto & Peto 1972): at each failure the failures expected from the
shares at risk, with the hypergeometric variance; chi-square with groups - 1 degrees of
freedom. For few specimens the p-value comes from exchanging the group labels: all
exchanges if there are not too many, else thousands drawn at random.
"""

from collections.abc import Sequence
from dataclasses import dataclass
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
    exchanged, complete = _exchanged(tables, label, sizes)
    return LogRank(
        chi_square,
        degrees,
        float(scipy.special.chdtrc(degrees, chi_square)),
        float(
            (np.sum(exchanged >= chi_square * (1 - 1e-9)) + (not complete))
            / (exchanged.size + (not complete))
        ),
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


def _exchanged(tables: _Tables, label: NDArray[np.int_], sizes: list[int]) -> tuple[Array, bool]:
    """Chi-square under exchanged labels. Whether all exchanges were tried (two groups, few specimens)."""
    count = label.size
    if len(sizes) == 2 and comb(count, sizes[0]) <= EXCHANGES:
        chosen = np.array(list(combinations(range(count), sizes[0])))
        member = np.zeros((len(chosen), count))
        np.put_along_axis(member, chosen, 1.0, axis=1)
        return _chi_squares_two(tables, member), True
    random = np.random.default_rng(_SEED)
    labels = random.permuted(np.broadcast_to(label, (EXCHANGES, count)), axis=1)
    if len(sizes) == 2:
        return _chi_squares_two(tables, (labels == 0).astype(float)), False
    found = np.empty(1000)
    for i in range(found.size):
        member = (labels[i][None, :] == np.arange(len(sizes))[:, None]).astype(float)
        observed, expected, variance = _sums(tables, member)
        found[i] = _chi_square(observed - expected, variance)
    return found, False


def _chi_squares_two(tables: _Tables, member: Array) -> Array:
    """Chi-square of two groups for many assignments; ``member`` (assignments, specimens) is 1 in the first."""
    deaths, total = tables.fails.sum(axis=1), tables.at_risk.sum(axis=1)
    share = member @ tables.at_risk.T / total
    weight = np.where(total > 1, deaths * (total - deaths) / np.maximum(total - 1, 1), 0.0)
    variance = (share * (1 - share)) @ weight
    difference = member @ tables.scores
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(variance > 0, difference**2 / variance, 0.0)
