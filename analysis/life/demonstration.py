"""Few or no failures: what so many specimens show, and how many are needed.

Success run (no failure in n): R = (1 - C)^(1/n), n = ln(1 - C) / ln R. With f failures:
exact binomial (Clopper & Pearson 1934). The other published form with a uniform prior
takes one specimen fewer; it is not used here. With a stated Weibull shape cycles beyond the
target count, too: scale_low = (sum t^shape / (chi2_C(2 f + 2) / 2))^(1/shape), for
f = 0 (sum t^shape / -ln(1 - C))^(1/shape) (Abernethy, New Weibull Handbook, ch. 6).
"""

import math

import numpy as np
import scipy
from numpy.typing import NDArray

from logger.base.errors import BenchError

SPECIMENS_MAX = 1_000_000


def specimens_needed(reliability: float, confidence: float, failures: int = 0) -> int:
    """Least number of specimens run to the target that shows ``reliability`` if ``failures`` of them fail.

    Raises BenchError unless both shares lie between 0 and 1.
    """
    check_share(reliability, "reliability")
    check_share(confidence, "confidence")
    if failures == 0:
        count = math.ceil(math.log1p(-confidence) / math.log(reliability) - 1e-9)
        return max(count, 1)
    low, high = failures, SPECIMENS_MAX * 10
    while high - low > 1:  # more specimens with as many failures always show more
        middle = (low + high) // 2
        if reliability_lower(middle, failures, confidence) >= reliability:
            high = middle
        else:
            low = middle
    return high


def reliability_lower(specimens: float, failures: float, confidence: float) -> float:
    """One-sided lower bound of the share that survives, from ``failures`` of ``specimens`` (Clopper-Pearson).

    Fractions are those of strips of which a part failed.
    """
    if failures >= specimens:
        return 0.0
    if failures == 0:
        return float((1.0 - confidence) ** (1.0 / specimens))
    return float(scipy.special.betaincinv(specimens - failures, failures + 1, 1.0 - confidence))


def reliability_upper(specimens: float, failures: float, confidence: float) -> float:
    """One-sided upper bound of the share that survives (Clopper-Pearson); 1 without a failure."""
    if failures <= 0:
        return 1.0
    return float(scipy.special.betaincinv(specimens - failures + 1, failures, confidence))


def error_of_counting(specimens: int, reliability: float, confidence: float) -> float:
    """How often counting says "shown" of joints that are exactly as good as the claim: at most 1 - confidence.

    Failures come in whole numbers, so of the error that is allowed something is left.
    """
    failures = -1
    while reliability_lower(specimens, failures + 1, confidence) >= reliability - 1e-12:
        failures += 1
    return 0.0 if failures < 0 else float(scipy.special.bdtr(failures, specimens, 1 - reliability))


def confidence_shown(specimens: int, failures: int, reliability: float) -> float:
    """Confidence with which the share is at least ``reliability``."""
    if failures >= specimens:
        return 0.0
    return float(1.0 - scipy.special.bdtr(failures, specimens, 1.0 - reliability))


def scale_lower_cycles(
    cycles: NDArray[np.float64], failures: int, shape: float, confidence: float
) -> float:
    """Lower bound of the Weibull scale if its shape is what was stated; ``cycles`` of all pieces, failed or not.

    Exact if the test ended at a failure or none failed; a little low if it ended at a count.
    """
    limit = float(scipy.special.gammainccinv(failures + 1, 1.0 - confidence))
    top = float(cycles.max())
    return float(top * (np.sum((cycles / top) ** shape) / limit) ** (1.0 / shape))


def reliability_lower_stated_shape(
    cycles: NDArray[np.float64],
    failures: int,
    shape: float,
    confidence: float,
    target_cycles: float,
) -> float:
    """Lower bound of the reliability at the target with a stated Weibull shape."""
    scale = scale_lower_cycles(cycles, failures, shape, confidence)
    return float(np.exp(-((target_cycles / scale) ** shape)))


def cycles_each_needed(
    specimens: int, target_cycles: float, reliability: float, confidence: float, shape: float
) -> float:
    """How far each of so many specimens must run without failure, with a stated Weibull shape."""
    check_share(reliability, "reliability")
    check_share(confidence, "confidence")
    multiple = math.log(1.0 - confidence) / (specimens * math.log(reliability))
    return float(target_cycles * multiple ** (1.0 / shape))


def check_share(value: float, name: str) -> None:
    """Raises BenchError unless 0 < value < 1."""
    if not 0.0 < value < 1.0:
        raise BenchError(
            f"A {name} of {value * 100:g} % cannot be shown by any test.",
            next_step=f"give a {name} between 0 and 100 %, e.g. 90.",
        )
