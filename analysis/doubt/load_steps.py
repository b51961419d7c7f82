"""Steps of the load between neighbouring rows, and the resistance that each shows."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


STEPS_LEAST: Final = 4
# A step counts when it is this share of the run's greatest current.
_STEP_SHARE: Final = 0.05
_STEP_LEAST_MA: Final = 2.0
# A step so many spreads (1.4826 median deviations) off its neighbours in depth is a fault, not a resistance.
_FAR_OFF: Final = 5.0
_FAR_OFF_ROWS: Final = 10


def load_steps(
    volts: Floats, current: Floats, joined: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.intp]]:
    """Resistance of each clear step (ohm) and the row before it."""
    rise_ma, fall_v = np.diff(current), -np.diff(volts)
    least_ma = max(_STEP_SHARE * float(np.max(np.abs(current))), _STEP_LEAST_MA)
    noise_ma = 1.4826 * float(np.median(np.abs(rise_ma)))
    typical = float(np.median(np.abs(current)))
    if noise_ma < 0.02 * typical:  # steady but for its steps: they must stand clear of the noise
        least_ma = max(least_ma, 6 * noise_ma)
    clear = (np.abs(rise_ma) >= least_ma) & joined
    # the slow fall between rows, taken from rows without a step
    quiet = ~clear & joined
    drift_v = float(np.median(fall_v[quiet])) if quiet.sum() > 10 else 0.0
    at = np.flatnonzero(clear)
    return (fall_v[at] - drift_v) / rise_ma[at] * 1e3, at


def without_far_off(ohms: Floats, part: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which steps to keep: those not far off the others of their part of the run."""
    near = np.ones(len(ohms), dtype=bool)
    for number in np.unique(part):
        mine = np.flatnonzero(part == number)
        if len(mine) >= _FAR_OFF_ROWS:
            off = np.abs(ohms[mine] - np.median(ohms[mine]))
            # rounded readings may all be equal but a few: the mean deviation is a floor to the spread
            near[mine] = off <= _FAR_OFF * max(1.4826 * float(np.median(off)), float(off.mean()))
    return near
