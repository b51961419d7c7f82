"""What voltage would a pack hold under the heavy draw, where the load comes at another level each time?

Least squares over the run: V = a smooth fall in the charge - R0 I - R1 I', with I' the current averaged over the minutes before
(exponential, of the length that fits best): the drop at once and the one that grows while a draw lasts. The step
from one draw to the next shows the first only, and a pack seen under light draws looks better than it is.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.run.history import Bins

Array = NDArray[np.float64]

_LENGTHS_S: Final = (60.0, 180.0, 600.0)
_BENDS: Final = 4  # terms of the smooth fall
_BINS_LEAST: Final = 12
_RECENT: Final = 0.3  # weight of the first bins against the last


@dataclass(frozen=True)
class Varied:
    """``volts``: pack V of each bin under the heavy draw; ``sd_v``: of one draw about the fit; ``ohm``: in all."""

    volts: Array
    sd_v: float
    ohm: float


def under_heavy(bins: Bins, heavy_ma: float) -> Varied | None:
    """None where too little was seen to tell the drop from the fall."""
    count = len(bins.end_s)
    if count < _BINS_LEAST or not bins.charge_mah[-1] > 0:
        return None
    q = bins.charge_mah / bins.charge_mah[-1]
    # Charge that flows back (a panel, a charger) takes q below 0 and above 1.
    weight = np.sqrt(_RECENT + (1 - _RECENT) * np.clip(q, 0.0, 1.0))
    fits = [_fitted(bins, q, weight, length_s) for length_s in _LENGTHS_S]
    found = [fit for fit in fits if fit is not None]
    if not found:
        return None
    rest, drops, slow_ma = min(found, key=lambda fit: float(np.mean((weight * fit[0]) ** 2)))
    now, grown = map(float, drops)
    volts = bins.held_v - now * (heavy_ma - bins.held_ma) - grown * (heavy_ma - slow_ma)
    sd_v = float(np.sqrt(np.mean(rest**2) * count / max(count - _BENDS - 2, 1)))
    return Varied(volts, sd_v, 1e3 * (now + grown))


def _fitted(
    bins: Bins, q: Array, weight: Array, length_s: float
) -> tuple[Array, Array, Array] | None:
    """Rest of the fit (n,), drops at once and grown (2,), V per mA, and I' of this length (n,); None: none fits."""
    slow_ma = _averaged(bins, length_s)
    smooth = np.stack([q**power for power in range(_BENDS)], axis=1)
    draws = np.stack([bins.held_ma, slow_ma], axis=1)
    for used in ([0, 1], [0], [1]):  # a drop below none is left out
        table = np.column_stack([smooth, -draws[:, used]])
        scale = np.sqrt((table**2).mean(axis=0))
        best = np.linalg.lstsq((table / scale) * weight[:, None], bins.held_v * weight, rcond=None)
        coefficient = best[0] / scale
        if (coefficient[_BENDS:] >= 0).all():
            drops = np.zeros(2)
            drops[used] = coefficient[_BENDS:]
            return bins.held_v - table @ coefficient, drops, slow_ma
    return None


def _averaged(bins: Bins, length_s: float) -> Array:
    """Current averaged with a memory of ``length_s``, at the end of each bin."""
    found = np.empty(len(bins.end_s))
    level = float(bins.mean_ma[0])
    for place, (span_s, mean_ma) in enumerate(zip(bins.span_s, bins.mean_ma, strict=True)):
        level += (float(mean_ma) - level) * (1 - float(np.exp(-span_s / length_s)))
        found[place] = level
    return found
