"""How do the discharge curves of one kind of cell look, and how do cells of that kind differ?"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class CurveFamily:
    """Typical loaded voltage of one kind of cell against depth, and how real cells differ from it.

    ``depth``, ``volts``: knots, depth rising from 0 to 1. ``slow_v``: standard deviation of what
    shifts long stretches of the curve; ``fine_v``: of bends over a tenth of the depth;
    ``warp``: of the depth at which its features stand. ``drop_v_h``: volts lost per unit of rate
    (current over capacity, 1/h), relative spread ``drop_spread``. ``start_v``: of the fresh
    cell's extra height. ``modes``: ways in which cells of this kind differ together, volts per
    standard deviation at the knots. ``trust``: power to which the likelihood of its curves is raised
    when it tells of capacity; below 1 where real cells are of kinds that no family has.
    """

    chemistry: str
    name: str
    weight: float
    depth: tuple[float, ...]
    volts: tuple[float, ...]
    slow_v: float
    fine_v: float
    warp: float
    drop_v_h: float
    source: str = "typical"
    drop_spread: float = 0.6
    start_v: float = 0.05
    modes: tuple[tuple[float, ...], ...] = ()
    trust: float = 1.0

    @property
    def spread_v(self) -> float:
        """Standard deviation (V) of the curve's height from cell to cell, mean over the depth."""
        along = np.array([np.mean(np.square(mode)) for mode in self.modes])
        return float(np.sqrt(self.slow_v**2 + along.sum()))
