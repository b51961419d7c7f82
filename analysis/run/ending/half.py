"""When had the draw sunk to half, slowly?"""

from typing import Final

import numpy as np

_HALF: Final = 0.5
_HALF_HELD: Final = 10  # minutes
_STEP_SHARE: Final = 0.85  # a fall that a hand or the program made within a minute, not the pack


class HalfWatch:
    """Means of minutes against the first hour's; steps that a hand made are left out."""

    def __init__(self) -> None:
        self._first_ma: list[float] = []
        self._scale = 1.0
        self._run = 0
        self._from_s = 0.0
        self.at_s: float | None = None

    def step(self, before_ma: float, after_ma: float) -> None:
        """The level was set anew within a minute."""
        if before_ma > 0 and after_ma < _STEP_SHARE * before_ma:
            self._scale *= after_ma / before_ma

    def take(self, first_s: float, mean_ma: float, *, early: bool) -> None:
        """A minute that began at ``first_s``; ``early``: within the first hour."""
        if early:
            self._first_ma.append(mean_ma)
        if self.at_s is not None or not self._first_ma:
            return
        if mean_ma >= _HALF * self._scale * float(np.median(self._first_ma)):
            self._run = 0
            return
        if not self._run:
            self._from_s = first_s
        self._run += 1
        if self._run >= _HALF_HELD and not early:
            self.at_s = self._from_s
