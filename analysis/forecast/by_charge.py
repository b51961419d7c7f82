"""Sources that show nothing of their charge: recognised by their flat voltage, answered from the label.

A regulator in the cell, a power bank: then only the stated capacity less the charge used tells anything, and
where nobody knows how full the source began, only a lower bound holds.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.forecast.chemistry_prior import (
    TYPICAL_RATE_PER_H,
    CapacityPrior,
    capacity_prior,
    curve_table,
    families,
)
from analysis.forecast.start_state import DEPTHS, start_prior
from logger.base.pack import Pack

Array = NDArray[np.float64]

_DRAWS: Final = 20000
_DROPOUT_V: Final = 0.3
_LINEAR: Final = 0.5
_LABEL_WRONG: Final = 0.15


def usable_share(pack: Pack, level_v: float, mean_ma: float, rng: np.random.Generator) -> Array:
    """Draws of the share of its charge that the pack gives before a regulator that holds ``level_v`` (pack V) lets go.

    A linear one needs up to 0.3 V more than it gives (1117 kind: 1.1 V, low-dropout kind: 0.3 V or less); one that
    boosts uses nearly all. Which it is nobody knows: half and half.
    """
    shares = np.ones(_DRAWS)
    prior = capacity_prior(pack, mean_ma)
    pick = rng.integers(len(families(pack.chemistry)), size=_DRAWS)
    needed_v = (level_v + _DROPOUT_V * rng.random(_DRAWS)) / pack.cells
    for number, family in enumerate(families(pack.chemistry)):
        knots, volts, _ = curve_table(family)
        drop_v = family.drop_v_h * (mean_ma / prior.median_mah - TYPICAL_RATE_PER_H)
        mine = (pick == number) & (rng.random(_DRAWS) < _LINEAR)
        shares[mine] = np.interp(-(needed_v[mine] + drop_v), -volts, knots)
    return shares


def charge_left(
    prior: CapacityPrior,
    used_mah: float,
    sure_full: bool,
    fresh: bool | None,
    rng: np.random.Generator,
    usable: Array | None = None,
) -> Array:
    """Draws of the charge left (mAh), sorted: stated capacity, how full it began, and what came out already.

    ``sure_full``: a source that is charged as a whole (power bank); ``usable``: draws of the share of a full charge
    that comes out (None: all). Empty where more came out than the label
    allows. Where the label may be wrong the moment is not special: left over used has the density 1 / (1 + x)^2.
    """
    full = np.exp(np.log(prior.median_mah) + prior.log_sd * rng.standard_normal(_DRAWS))
    if sure_full:
        return np.sort(full[full > used_mah] - used_mah)
    begun = rng.choice(DEPTHS, size=_DRAWS, p=start_prior(fresh))
    begun = np.clip(begun + 0.07 * (begun > 0.1) * rng.standard_normal(_DRAWS), 0.0, 0.97)
    left = full * ((1.0 if usable is None else usable) - begun) - used_mah
    left = left[left > 0]
    place = rng.random(round(_LABEL_WRONG * _DRAWS))
    left = np.concatenate([left, used_mah * (1 / place - 1)])
    return np.asarray(np.sort(left))
