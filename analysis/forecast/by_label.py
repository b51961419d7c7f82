"""What the label alone says of the charge left: one more opinion, the best one where the voltage tells nothing.

The belief in the whole charge (label, rate, cutoff, how far the pack was emptied before), cut off at what came out
already. Real packs fall short of their label far oftener than they beat it (``CapacityBelief.weight``), and the
moment at which somebody asks is anywhere in the life: of lives twice as long the moments are half as dense.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.forecast.any_curve import CapacityBelief
from analysis.forecast.opinions import weighed

Array = NDArray[np.float64]

_GRID: Final = 400
_NEAREST: Final = 0.003  # charge left over charge out: what the grid holds
_FURTHEST: Final = 30.0


def by_label(belief: CapacityBelief, used_mah: float, draws: int) -> Array:
    """Draws of the charge left (mAh), sorted, with ``used_mah`` out already."""
    left = used_mah * np.geomspace(_NEAREST, _FURTHEST, _GRID)
    share = used_mah / (used_mah + left)
    weight = belief.weight(used_mah + left) * share * (1 - share)
    return weighed(left, weight, (np.arange(draws) + 0.5) / draws)
