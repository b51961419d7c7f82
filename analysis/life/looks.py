"""Was each life seen as it ended, or only at the next look? Step between looks, and the lives as intervals.

Lives that all fall on multiples of one number are inspection intervals whoever entered
them as exact. The chance that n whole numbers without such a habit share a divisor of ``step`` or more is
sum over k >= step of k^-n <= step^(1 - n) / (n - 1).
"""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

LUCK_MAX: Final = 0.01
# A step below this share of the middle life moves nothing that is shown.
MATTERS_FROM: Final = 0.01


def looked_every(failed_cycles: Sequence[float]) -> int | None:
    """Step of which all these lives are multiples; None where it may be chance or does not matter."""
    whole = [round(value) for value in failed_cycles]
    if len(set(whole)) < 2 or any(
        abs(value - seen) > 1e-9 for value, seen in zip(failed_cycles, whole, strict=True)
    ):
        return None
    step = math.gcd(*whole)
    count = len(whole)
    if step < 2 or math.log(step) * (1 - count) - math.log(count - 1) > math.log(LUCK_MAX):
        return None
    return step if step >= MATTERS_FROM * float(np.median(whole)) else None


def last_whole_cycles(seen_cycles: float, step: float) -> float:
    """Last look before the one at ``seen_cycles`` where it was found broken; 0 for the first look."""
    return max(math.ceil(seen_cycles / step - 1e-9) * step - step, 0.0)
