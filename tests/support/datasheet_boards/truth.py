"""What a perfect board would have said of the same windows."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from tests.support.datasheet_boards.packs import World
from tests.support.datasheet_boards.record import Windows

Floats = npt.NDArray[np.float64]
PERCENTS: Final = (5.0, 50.0, 95.0)


@dataclass(frozen=True)
class Truth:
    """True values of a run, from its first row's beginning to its last row's end, by true time.

    Charge, energy and mean are the load's own, without the board's pin currents. Percentiles are of
    the current averaged over a window, which is the finest that rows can show; ``peak_ma`` is the greatest
    current there is, however short. ``cutoff_s``: what the tool promises, the mean voltage below the cutoff without a
    break for ``hold_s``: from the run's beginning until the pack's voltage, averaged over the second around the moment
    (not the one before it, which would be late by half a second), goes under to stay; None: never.
    """

    duration_s: float
    charge_mah: float
    energy_mwh: float
    mean_ma: float
    percentiles_ma: dict[float, float]
    peak_ma: float
    cutoff_s: float | None


def truth_of(
    world: World, windows: Windows, cutoff_v: float | None = None, hold_s: float = 10.0
) -> Truth:
    """Truth for the rows of ``windows``."""
    begin_s, end_s = windows.begin_s, windows.end_s
    charge = world.load.charge_as(end_s) - world.load.charge_as(begin_s)
    total_as, duration_s = float(charge.sum()), float(end_s[-1] - begin_s[0])
    means_ma = 1e3 * charge / (end_s - begin_s)
    energy = world.energy_ws(np.array([begin_s[0], end_s[-1]]))
    return Truth(
        duration_s=duration_s,
        charge_mah=total_as / 3.6,
        energy_mwh=float(energy[1] - energy[0]) / 3.6,
        mean_ma=1e3 * total_as / duration_s,
        percentiles_ma={
            percent: float(np.percentile(means_ma, percent, method="inverted_cdf"))
            for percent in PERCENTS
        },
        peak_ma=1e3 * world.load.peak_a,
        cutoff_s=None if cutoff_v is None else cutoff_after_s(world, cutoff_v, hold_s),
    )


def cutoff_after_s(
    world: World, cutoff_v: float, hold_s: float, mean_s: float = 1.0
) -> float | None:
    """First moment from which the voltage, averaged over the ``mean_s`` around it, stays under the cutoff for ``hold_s``."""
    ends = np.arange(mean_s, world.seconds, 0.1)
    volts = (world.volt_seconds(ends) - world.volt_seconds(ends - mean_s)) / mean_s
    under = volts < cutoff_v
    needed = round(hold_s / 0.1)
    kept = np.convolve(under.astype(np.int64), np.ones(needed, dtype=np.int64))[needed - 1 :]
    found = np.flatnonzero(kept[: len(under)] == needed)
    return float(ends[found[0]]) - mean_s / 2 if len(found) else None
