"""True current of a piece: modes one after the other, in each a base current with pulses on it.

A pulse train is a rectangle between two levels; everything that is asked of it, charge, integral of
the square, share of time under a level, is a closed form in time, so that a night costs as much as
its conversions and nothing is stepped through in microseconds.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Mode:
    """``base_a`` all the time, ``pulse_a`` more for a share ``duty`` of each period of ``hertz``.

    Pulses begin with the mode. Constant: ``pulse_a`` 0. A burst of 2 ms twice a second: 2 Hz, duty 0.004.
    """

    seconds: float
    base_a: float
    pulse_a: float = 0.0
    hertz: float = 1.0
    duty: float = 0.0

    @property
    def mean_a(self) -> float:
        """Over whole periods."""
        return self.base_a + self.pulse_a * self.duty

    def high_s(self, time_s: Floats) -> Floats:
        """How long the pulses were high until ``time_s`` after the mode began."""
        periods = time_s * self.hertz
        whole = np.floor(periods)
        return (whole * self.duty + np.minimum(periods - whole, self.duty)) / self.hertz


@dataclass(frozen=True)
class Load:
    """Modes that repeat from the first; ``start_s``: how far into them time 0 is."""

    modes: tuple[Mode, ...]
    start_s: float = 0.0
    name: str = ""

    @property
    def round_s(self) -> float:
        """Length of one round of all modes."""
        return sum(mode.seconds for mode in self.modes)

    @property
    def mean_a(self) -> float:
        """Over whole rounds."""
        charge_as = self._within_round(np.array([self.round_s]), 1)
        return float(charge_as[0] / self.round_s)

    @property
    def peak_a(self) -> float:
        """Greatest current there is, however short."""
        return max(m.base_a + (m.pulse_a if m.duty > 0 else 0.0) for m in self.modes)

    def charge_as(self, time_s: Floats) -> Floats:
        """Integral of the current from time 0, in A s."""
        return self._integral(time_s, 1) - self._integral(np.zeros(1), 1)

    def square_aas(self, time_s: Floats) -> Floats:
        """Integral of the squared current from time 0, in A^2 s."""
        return self._integral(time_s, 2) - self._integral(np.zeros(1), 2)

    def _integral(self, time_s: Floats, power: int) -> Floats:
        since_s = np.asarray(time_s, dtype=np.float64) + self.start_s
        rounds = np.floor(since_s / self.round_s)
        whole = float(self._within_round(np.array([self.round_s]), power)[0])
        return rounds * whole + self._within_round(since_s - rounds * self.round_s, power)

    def _within_round(self, time_s: Floats, power: int) -> Floats:
        total, begin_s = np.zeros_like(time_s), 0.0
        for mode in self.modes:
            if len(self.modes) == 1:
                inside = time_s
            else:
                inside = np.clip(time_s - begin_s, 0.0, mode.seconds)
            low, high = mode.base_a**power, (mode.base_a + mode.pulse_a) ** power
            total += low * inside
            if mode.pulse_a and mode.duty > 0:
                total += (high - low) * mode.high_s(inside)
            begin_s += mode.seconds
        return total


def constant(amps: float) -> Load:
    return Load((Mode(1.0, amps),), name="constant")
