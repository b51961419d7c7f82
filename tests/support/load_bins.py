"""Bins of a run whose voltage and current are given every 10 s."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.run.history import Bins, History

Array = NDArray[np.float64]

STEP_S: Final = 10.0
TIME_S: Final[Array] = np.arange(STEP_S, 20001.0, STEP_S)


def bins_of(volts: Array, current_ma: Array) -> Bins:
    """Bins of 30 s of pack V and mA, both of one shape (n,), the first at ``STEP_S``."""
    history = History(30.0)
    history.add(STEP_S * np.arange(1, len(volts) + 1), volts, current_ma)
    return history.bins()
