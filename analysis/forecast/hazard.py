"""An end that nothing has shown yet: a knee of a kind not known, a weak or old cell in the row.

No voltage so far tells of it. What is left is chance: of a thing of whose life nothing is known but that it has lasted
``elapsed`` so far, P(rest < x) = x / (x + elapsed) (the moment of asking is any of the life: Gott 1993). With a small weight this
law stands beside the forecast, toward an earlier end only: the end is the earlier of the two.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Weight where no known curves have earned the say, and where they have: several cells in a row, one cell.
# The first from the tuning material (whole groups left out in turn), the others a base rate: judgement, no source.
UNKNOWN_KIND: Final = 0.15
IN_A_ROW: Final = 0.08
ALONE: Final = 0.04
_SEED: Final = 1993


def unseen_end(left_s: Array, elapsed_s: float, weight: float) -> Array:
    """Draws of the time left, sorted, with the chance (``weight``) of an end that nothing has shown."""
    count = len(left_s)
    rng = np.random.default_rng(_SEED)
    chance = rng.permutation((np.arange(count) + 0.5) / count)
    by_chance_s = elapsed_s * chance / (1 - chance)
    met = rng.permutation(count) < weight * count
    return np.sort(np.where(met, np.minimum(left_s, by_chance_s), left_s))
