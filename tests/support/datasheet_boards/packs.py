"""True voltage of a pack: EMF falling with charge, resistance of cells and leads, slow polarisation.

Terminal voltage at the board = EMF(charge) - slow(t) - (cells + leads) x I(t). ``slow`` follows the mean
current through one resistor and capacitor (15 s and more), so that it knows nothing of pulses of a second.

EMF per cell over the share of charge taken: alkaline by the shape of tests/SOURCES.md B19 and its end from
memory; NiMH and lithium-ion from memory of makers' discharge curves. Resistances: cell makers'
sheets, from memory.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

from tests.support.datasheet_boards.loads import Load

Floats = npt.NDArray[np.float64]

GRID_S: Final = 0.1


@dataclass(frozen=True)
class Chemistry:
    """``emf``: share of the charge taken, volts per cell. ``ohm``: of a cell, least and greatest. ``low``: V per cell at a usual cutoff."""

    name: str
    cells: int
    size: str
    capacity_ah: float
    emf: tuple[tuple[float, float], ...]
    ohm: tuple[float, float]
    low_v: float

    @property
    def label(self) -> str:
        """As a person would write it: 3x AA alkaline."""
        return f"{self.cells}x {self.size} {self.name}"


_ALKALINE_EMF: Final = """
    0 1.60  .02 1.575  .05 1.50  .13 1.43  .24 1.378  .33 1.352  .50 1.300  .65 1.255  .78 1.20
    .88 1.13  .94 1.05  .98 .93  1 .75"""
_NIMH_EMF: Final = """
    0 1.42  .03 1.36  .10 1.31  .30 1.27  .60 1.24  .80 1.21  .90 1.17  .95 1.12  .98 1.03  1 .85"""
_LI_ION_EMF: Final = """
    0 4.19  .05 4.10  .15 3.99  .30 3.86  .50 3.75  .70 3.67  .85 3.58  .92 3.47  .96 3.35
    .985 3.15  1 2.8"""


def _table(text: str) -> tuple[tuple[float, float], ...]:
    """Pairs of share of charge taken and volts."""
    numbers = [float(word) for word in text.split()]
    return tuple(zip(numbers[::2], numbers[1::2], strict=True))


ALKALINE: Final = Chemistry("alkaline", 3, "AA", 2.5, _table(_ALKALINE_EMF), (0.12, 0.30), 0.9)
NIMH: Final = Chemistry("nimh", 3, "AA", 2.0, _table(_NIMH_EMF), (0.02, 0.05), 1.05)
LI_ION: Final = Chemistry("li-ion", 1, "pouch", 1.0, _table(_LI_ION_EMF), (0.06, 0.15), 3.3)
CHEMISTRIES: Final = (ALKALINE, NIMH, LI_ION)


@dataclass(frozen=True)
class Pack:
    """A pack as it lies on the bench. ``taken_ah``: charge that was out of it at time 0.

    ``ohm``: of cells and leads up to the board, at once; ``slow_ohm`` after ``slow_s``. ``growth``: share by
    which ``ohm`` has grown when the pack is empty.
    """

    chemistry: Chemistry
    capacity_ah: float
    taken_ah: float
    ohm: float
    slow_ohm: float
    slow_s: float
    growth: float = 0.5

    def emf_v(self, charge_as: Floats) -> Floats:
        """After that much charge since time 0."""
        share, volts = np.array(self.chemistry.emf).T
        depth = (self.taken_ah + charge_as / 3600) / self.capacity_ah
        # Beyond the table the last stretch goes on: nothing in it is flat enough to hide a dead pack.
        slope = (volts[-1] - volts[-2]) / (share[-1] - share[-2])
        beyond = np.maximum(depth - share[-1], 0.0) * slope
        return np.asarray(self.chemistry.cells * (np.interp(depth, share, volts) + beyond))

    def ohm_at(self, charge_as: Floats) -> Floats:
        depth = (self.taken_ah + charge_as / 3600) / self.capacity_ah
        return self.ohm * (1 + self.growth * np.clip(depth, 0.0, 1.0))


@dataclass(frozen=True)
class World:
    """A load on a pack for ``seconds``: pack voltage and its integrals, on a grid between whose points only the current moves.

    ``slow_v``: EMF less slow polarisation, ``ohm``: resistance up to the board, at ``grid_s``.
    """

    load: Load
    pack: Pack
    seconds: float
    grid_s: Floats
    slow_v: Floats
    ohm: Floats

    def pack_v(self, from_s: Floats, to_s: Floats) -> Floats:
        """Mean pack voltage between two moments, that lie no further apart than a conversion."""
        mean_a = (self.load.charge_as(to_s) - self.load.charge_as(from_s)) / (to_s - from_s)
        slow_v, ohm = self.between((from_s + to_s) / 2)
        return slow_v - ohm * mean_a

    def between(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Slow voltage and resistance at a moment, straight lines between the grid's points."""
        place = time_s / GRID_S
        index = np.clip(place.astype(np.int64), 0, len(self.grid_s) - 2)
        part = place - index
        slow_v = self.slow_v[index] * (1 - part) + self.slow_v[index + 1] * part
        return slow_v, self.ohm[index] * (1 - part) + self.ohm[index + 1] * part

    def energy_ws(self, time_s: Floats) -> Floats:
        """Integral of pack voltage times current from time 0: R x I^2 is in it, hence no error by pulses."""
        charge = np.diff(self.load.charge_as(self.grid_s))
        square = np.diff(self.load.square_aas(self.grid_s))
        slow_v = (self.slow_v[1:] + self.slow_v[:-1]) / 2
        ohm = (self.ohm[1:] + self.ohm[:-1]) / 2
        total = np.concatenate(([0.0], np.cumsum(slow_v * charge - ohm * square)))
        return np.interp(time_s, self.grid_s, total)

    def volt_seconds(self, time_s: Floats) -> Floats:
        """Integral of pack voltage from time 0."""
        charge = np.diff(self.load.charge_as(self.grid_s))
        slow_v = (self.slow_v[1:] + self.slow_v[:-1]) / 2
        ohm = (self.ohm[1:] + self.ohm[:-1]) / 2
        total = np.concatenate(([0.0], np.cumsum(slow_v * GRID_S - ohm * charge)))
        return np.interp(time_s, self.grid_s, total)


def grid_of(seconds: float) -> Floats:
    """Moments of the grid for so long and two seconds more."""
    return np.asarray(GRID_S * np.arange(int(np.ceil(seconds / GRID_S)) + 20), dtype=np.float64)


def make_world(load: Load, pack: Pack, seconds: float) -> World:
    """The world for so long and a little more."""
    grid_s = grid_of(seconds)
    charge = load.charge_as(grid_s)
    mean_a = np.diff(charge) / GRID_S
    keep = np.exp(-GRID_S / pack.slow_s)
    settled = pack.slow_ohm * load.mean_a  # the piece was on before the run began
    slow, _ = lfilter([1 - keep], [1, -keep], pack.slow_ohm * mean_a, zi=np.array([keep * settled]))
    slow = np.concatenate(([settled], slow))
    return World(load, pack, seconds, grid_s, pack.emf_v(charge) - slow, pack.ohm_at(charge))
