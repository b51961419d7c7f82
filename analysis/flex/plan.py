"""Before the first bend: how many specimens and cycles for a claim, and what so few can show.

Counting by the exact binomial; power to tell two groups apart by simulation: Weibull
lives, log-rank test at 5 %, its critical value simulated for the same sizes, because the
chi-square limit is off for a handful.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.life.demonstration import (
    check_share,
    confidence_shown,
    cycles_each_needed,
    reliability_lower,
    specimens_needed,
)
from analysis.life.staged import chance_of_passing
from logger.base.errors import BenchError

Array = NDArray[np.float64]

SHAPE_ASSUMED: Final = 2.0
FAILURES_LISTED: Final = 3
POWER_WANTED: Final = 0.8
LEVEL: Final = 0.05
_TESTS: Final = 4000
_SEED: Final = 71
_EACH_MAX: Final = 100
_SPECIMENS_MAX: Final = 10_000


@dataclass(frozen=True)
class ClaimPlan:
    """``needed``: (failures allowed, specimens). ``specimens`` None: not stated, else what so many without failure show."""

    target_cycles: float
    reliability: float
    confidence: float
    needed: tuple[tuple[int, int], ...]
    specimens: int | None
    reliability_shown: float | None
    confidence_shown: float | None
    shape: float
    shape_stated: bool
    cycles_each: float | None


@dataclass(frozen=True)
class Bench:
    """How the bending is done: seconds a bend by hand, and by the rig that holds several joints."""

    hand_s: float = 1.0
    rig_s: float = 2.0
    rig_joints: int = 4

    def by_hand_h(self, joints: int, cycles: float) -> float:
        """Hours of bending by hand, one joint after another."""
        return joints * cycles * self.hand_s / 3600

    def on_rig_h(self, joints: int, cycles: float) -> float:
        """Hours on the rig, load after load."""
        return math.ceil(joints / self.rig_joints) * cycles * self.rig_s / 3600


@dataclass(frozen=True)
class Way:
    """One way to plan: ``joints`` of which ``failures`` may fail shows ``reliability``; ``passes`` if joints are ``good``."""

    joints: int
    failures: int
    reliability: float
    good: float
    passes: float
    by_hand_h: float
    on_rig_h: float


@dataclass(frozen=True)
class PowerPlan:
    """Power (share of tests that would tell the groups apart) for the stated and the needed specimens per group."""

    ratio: float
    shape: float
    each: int | None
    power: float | None
    needed_each: int | None
    standard_error: float


def plan_claim(
    target_cycles: float,
    reliability: float,
    confidence: float,
    specimens: int | None = None,
    shape: float | None = None,
) -> ClaimPlan:
    """What a claim takes. Raises BenchError for impossible shares or numbers."""
    check_share(reliability, "reliability")
    check_share(confidence, "confidence")
    if target_cycles <= 0:
        raise BenchError("The target must be above 0 cycles.", next_step="give --cycles 4800.")
    if specimens is not None:
        check_specimens(specimens)
    used = SHAPE_ASSUMED if shape is None else shape
    needed = tuple(
        (failures, specimens_needed(reliability, confidence, failures))
        for failures in range(FAILURES_LISTED + 1)
    )
    if specimens is None:
        return ClaimPlan(
            target_cycles,
            reliability,
            confidence,
            needed,
            None,
            None,
            None,
            used,
            shape is not None,
            None,
        )
    return ClaimPlan(
        target_cycles,
        reliability,
        confidence,
        needed,
        specimens,
        reliability_lower(specimens, 0, confidence),
        confidence_shown(specimens, 0, reliability),
        used,
        shape is not None,
        max(cycles_each_needed(specimens, target_cycles, reliability, confidence, used), 0.0),
    )


def plan_ways(
    target_cycles: float, reliability: float, confidence: float, good: float, bench: Bench
) -> tuple[Way, ...]:
    """The claim with none, one and two failures allowed, then the reliability that half as many clean joints show.

    ``good``: share of a better joint type that survives; how often it would pass. Raises BenchError.
    """
    check_share(good, "share of good joints")
    least = specimens_needed(reliability, confidence)
    wanted = [(specimens_needed(reliability, confidence, f), f, reliability) for f in range(3)]
    if least > 1:
        half = (least + 1) // 2
        wanted.append((half, 0, reliability_lower(half, 0, confidence)))
    return tuple(
        Way(
            joints,
            failures,
            shown,
            good,
            chance_of_passing((joints,), (failures,), good)[0],
            bench.by_hand_h(joints, target_cycles),
            bench.on_rig_h(joints, target_cycles),
        )
        for joints, failures, shown in wanted
    )


def check_specimens(specimens: int) -> None:
    """Raises BenchError for a number of specimens that cannot be planned with."""
    if not 1 <= specimens <= _SPECIMENS_MAX:
        raise BenchError(
            f"{specimens} specimens cannot be planned with.",
            next_step=f"give 1 to {_SPECIMENS_MAX}.",
        )


def check_pair(ratio: float, shape: float) -> None:
    """Raises BenchError for two kinds of joint whose difference cannot be planned for."""
    if not (0 < ratio < 1e6) or ratio == 1 or not 0.2 <= shape <= 50:
        raise BenchError(
            f"A ratio of lives of {ratio:g} with a Weibull shape of {shape:g} cannot be planned for.",
            next_step="give a ratio other than 1, e.g. --ratio 2, and a shape from 0.2 to 50.",
        )


def plan_power(ratio: float, shape: float, each: int | None = None) -> PowerPlan:
    """Power to tell a group from one that lives ``ratio`` times as long, all bent until they fail."""
    check_pair(ratio, shape)
    ratio = max(ratio, 1 / ratio)
    power = None
    if each is not None:
        check_specimens(each)
        power = log_rank_power(ratio, shape, min(each, _EACH_MAX)) if each >= 2 else 0.0
    needed = each_needed(ratio, shape)
    error = float(np.sqrt(POWER_WANTED * (1 - POWER_WANTED) / _TESTS))
    return PowerPlan(ratio, shape, each, power, needed, error)


def each_needed(
    ratio: float, shape: float, level: float = LEVEL, tests: int = _TESTS
) -> int | None:
    """Specimens per group for four tests in five to tell them apart; None for more than a hundred."""

    def power(each: int) -> float:
        return log_rank_power(ratio, shape, each, tests, level)

    if power(_EACH_MAX) < POWER_WANTED:
        return None
    low, high = 2, _EACH_MAX
    while high - low > 1:
        middle = (low + high) // 2
        if power(middle) >= POWER_WANTED:
            high = middle
        else:
            low = middle
    return low if power(low) >= POWER_WANTED else high


def log_rank_power(
    ratio: float, shape: float, each: int, tests: int = _TESTS, level: float = LEVEL
) -> float:
    """Share of simulated pairs of groups (``each`` specimens, all failed) that the log-rank test tells apart.

    Only the order of the lives counts, so scales do not matter, and life ratio and shape only as ratio^shape.
    """
    random = np.random.default_rng(_SEED)
    first = random.exponential(size=(tests, each))
    second = random.exponential(size=(tests, each))
    null = chi_squares(first, second)
    limit = float(np.quantile(null, 1 - level))
    # Few orders are possible with few specimens: never more than the level above the limit.
    if np.mean(null >= limit) > level:
        above = null[null > limit]
        limit = float(above.min()) if above.size else float("inf")
    return float(np.mean(chi_squares(first, second * ratio**shape) >= limit))


def chi_squares(first: Array, second: Array) -> Array:
    """Log-rank chi-square of many pairs of complete samples without ties; (tests, n) and (tests, m) -> (tests,)."""
    values = np.concatenate((first, second), axis=1)
    order = np.argsort(values, axis=1)
    in_first = (order < first.shape[1]).astype(float)
    total = values.shape[1]
    at_risk = total - np.arange(total)
    share = np.cumsum(in_first[:, ::-1], axis=1)[:, ::-1] / at_risk
    difference = np.sum(in_first - share, axis=1)
    return np.asarray(difference**2 / np.maximum(np.sum(share * (1 - share), axis=1), 1e-12))
