"""Looking more than once: failures allowed at each look so that the error of all looks keeps to its limit.

The error spent by the time the share t of the planned joints is in follows a named rule (Lan &
DeMets 1983, Biometrika 70:659): O'Brien-Fleming type, 2 (1 - Phi(z / sqrt t)) with z at half the error,
spends next to nothing early. Chances are exact: binomial, stage after stage. Without a plan
each look takes what counting alone would allow until the error is spent.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from analysis.life.demonstration import check_share
from logger.base.errors import BenchError

Array = NDArray[np.float64]

NEVER: Final = -1
RULE: Final = "O'Brien-Fleming spending, exact binomial"
LOOKS_MAX: Final = 10
_SPECIMENS_MAX: Final = 2000
_HAIR: Final = 1e-12


@dataclass(frozen=True)
class StagedPlan:
    """``joints`` in all at each look, ``allowed`` failures there (-1: it cannot be shown yet)."""

    reliability: float
    confidence: float
    joints: tuple[int, ...]
    allowed: tuple[int, ...]


def spent_by(share: float, error: float) -> float:
    """Error that may be spent by this share of the planned joints (O'Brien-Fleming type)."""
    if share >= 1:
        return error
    z = float(scipy.special.ndtri(1 - error / 2))
    return float(2 * scipy.special.ndtr(-z / math.sqrt(share)))


def allowed_failures(
    joints: Sequence[int], reliability: float, may_spend: Callable[[int], float]
) -> tuple[int, ...]:
    """Most failures at each look so that the error spent by then stays within ``may_spend(joints)``."""
    at_large = np.array([1.0])  # chance of so many failures, not shown yet
    spent, before = 0.0, 0
    found: list[int] = []
    for count in joints:
        at_large = _more(at_large, count - before, 1 - reliability)
        room = may_spend(count) * (1 + _HAIR) - spent
        reached = np.cumsum(at_large)
        limit = int(np.searchsorted(reached, room, side="right")) - 1
        # An outcome that cannot happen any more (all of it was shown before) is no new permission.
        while limit >= 0 and at_large[limit] < 1e-15:
            limit -= 1
        if limit >= 0:
            spent += float(reached[limit])
            at_large[: limit + 1] = 0.0
        found.append(limit)
        before = count
    return tuple(found)


def unplanned(joints: Sequence[int], reliability: float, confidence: float) -> tuple[int, ...]:
    """Failures allowed at each look nobody planned: the first may spend all, the later ones what is left."""
    return allowed_failures(joints, reliability, lambda _: 1 - confidence)


def planned(
    joints: Sequence[int], planned_joints: int, reliability: float, confidence: float
) -> tuple[int, ...]:
    """Failures allowed at the looks that were taken, by the plan's rule and its number of joints."""
    error = 1 - confidence
    return allowed_failures(
        joints, reliability, lambda count: spent_by(min(count / planned_joints, 1.0), error)
    )


def staged_plan(reliability: float, confidence: float, looks: int, failures: int) -> StagedPlan:
    """Fewest joints with evenly spread looks whose last one allows ``failures``. Raises BenchError."""
    check_share(reliability, "reliability")
    check_share(confidence, "confidence")
    if not 2 <= looks <= LOOKS_MAX:
        raise BenchError(
            f"{looks} looks cannot be planned.", next_step=f"give 2 to {LOOKS_MAX} looks."
        )
    first = max(math.ceil(math.log(1 - confidence) / math.log(reliability) - 1e-9), looks)
    for total in range(first, _SPECIMENS_MAX):
        joints = tuple(math.ceil(total * (i + 1) / looks) for i in range(looks))
        allowed = planned(joints, total, reliability, confidence)
        if allowed[-1] >= failures:
            return StagedPlan(reliability, confidence, joints, allowed)
    raise BenchError(
        "No staged plan within two thousand joints.",
        next_step="ask for a lower reliability or confidence, or fewer failures.",
    )


def chance_of_passing(
    joints: Sequence[int], allowed: Sequence[int], reliability: float
) -> tuple[float, ...]:
    """Chance of having passed by each look if the joints are this good."""
    at_large = np.array([1.0])
    passed, before = 0.0, 0
    found = []
    for count, limit in zip(joints, allowed, strict=True):
        at_large = _more(at_large, count - before, 1 - reliability)
        if limit >= 0:
            passed += float(at_large[: limit + 1].sum())
            at_large[: limit + 1] = 0.0
        found.append(passed)
        before = count
    return tuple(found)


def _more(at_large: Array, joints: int, share_failed: float) -> Array:
    """Chances of failures in all after ``joints`` more."""
    if joints == 0:
        return at_large.copy()
    k = np.arange(joints + 1)
    logs = (
        scipy.special.gammaln(joints + 1)
        - scipy.special.gammaln(k + 1)
        - scipy.special.gammaln(joints - k + 1)
        + scipy.special.xlogy(k, share_failed)
        + scipy.special.xlog1py(joints - k, -share_failed)
    )
    return np.asarray(np.convolve(at_large, np.exp(logs)))
