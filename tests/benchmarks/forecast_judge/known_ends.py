"""A forecaster that is told the ends: what the judge has to say of it is known beforehand."""

from collections.abc import Sequence

import numpy as np

from .rundown import Rundown, Seen
from .score import Forecast, Forecaster


def knows_nine_in_ten(runs: Sequence[Rundown]) -> Forecaster:
    """The median is the truth; its narrow interval holds nine times in ten, on purpose."""
    ends = {r.name: r.end_s for r in runs}
    rng = np.random.default_rng(3)

    def knows(seen: Seen) -> Forecast:
        left_s = ends[seen.name] - seen.at_s
        off = 1.0 if rng.random() < 0.9 else 1.3
        return Forecast(0.95 * left_s * off, left_s, 1.05 * left_s * off, 0.9 * left_s)

    return knows
