"""Measured rundowns of two 18650 cells (origin and licence: `tests/data/real_rundowns/README.md`).

Cell 1 is for tuning, cell 2 for judging. Truth is read off the measured voltage, which has no
contact fault: the first stay below the cutoff that lasts the hold.
"""

import csv
import gzip
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

import numpy as np

from .rundown import Floats, Rundown

FOLDER = Path(__file__).parents[2] / "data" / "real_rundowns"
RATED_MAH = 2600.0
LOADS = ("c20", "half_c", "1c", "2c", "pulse", "random")
GROUPS = dict.fromkeys(("c20", "half_c", "1c", "2c"), "18650 constant") | {
    "pulse": "18650 pulsed",
    "random": "18650 random",
}
# Shorter than the 120 s of a draw and the 10 min of a pulse, longer than three rows.
HOLD_S = 30.0
CUTOFFS_V = (3.5, 3.3, 3.0, 2.75)
CUTS = (0.0, 0.3, 0.6)
SHORTEST_S = 600.0


@cache
def read(cell: int, load: str) -> tuple[Floats, ...]:
    """Runs of a file, each of shape (rows, 4): time s, pack V, current mA, surface deg C.

    The rest before the load comes on is left out, and time counts from there.
    """
    with gzip.open(FOLDER / f"18650-cell{cell}-{load}.csv.gz", "rt", newline="") as file:
        rows = list(csv.DictReader(file))
    runs: dict[str, list[list[float]]] = {}
    for row in rows:
        runs.setdefault(row.get("run", "1"), []).append(
            [
                float(row["time_s"]),
                float(row["voltage_v"]),
                1000 * float(row["current_a"]),
                float(row["surface_c"]),
            ]
        )
    return tuple(_from_first_load(np.array(run)) for run in runs.values())


def _from_first_load(run: Floats) -> Floats:
    loaded = run[int(np.argmax(run[:, 2] > 1)) :].copy()
    loaded[:, 0] -= loaded[0, 0]
    return loaded


def held_end_s(time_s: Floats, pack_v: Floats, cutoff_v: float, hold_s: float) -> float | None:
    """Start of the first stay below the cutoff that lasts the hold, s; None where there is none.

    Interpolated between the rows on either side of the crossing.
    """
    since: float | None = None
    for k, (now_s, volts) in enumerate(zip(time_s, pack_v, strict=True)):
        if volts >= cutoff_v:
            since = None
        elif since is None:
            if k == 0:
                return None
            fall = pack_v[k - 1] - volts
            since = float(now_s - (now_s - time_s[k - 1]) * (cutoff_v - volts) / fall)
        elif now_s - since >= hold_s:
            return since
    return None


def _cut(run: Floats, fraction: float, end_s: float) -> Floats:
    """The run without its first `fraction` of the way to the end, beginning under load."""
    rest = run[run[:, 0] >= fraction * end_s]
    return _from_first_load(rest)


def rundowns(
    cell: int,
    loads: Iterable[str] = LOADS,
    cutoffs_v: Iterable[float] = CUTOFFS_V,
    cuts: Iterable[float] = CUTS,
) -> Iterator[Rundown]:
    """Every file's runs of this cell (1 tune, 2 judge) to every cutoff, whole and part-used.

    A random run is cut once, at one of `cuts` in turn. Left out: a cutoff that was not held in the
    recording, and what is over within ten minutes. `settled_s` is 0: a random load's draws are
    foreseeable as draws.
    """
    chosen = tuple(cuts)
    for load in loads:
        for number, run in enumerate(read(cell, load)):
            for cutoff_v in cutoffs_v:
                some = (chosen[number % len(chosen)],) if load == "random" else chosen
                for fraction in some:
                    made = _rundown(cell, load, number, run, cutoff_v, fraction)
                    if made is not None:
                        yield made


def _rundown(
    cell: int, load: str, number: int, run: Floats, cutoff_v: float, fraction: float
) -> Rundown | None:
    whole_end_s = held_end_s(run[:, 0], run[:, 1], cutoff_v, HOLD_S)
    if whole_end_s is None:
        return None
    part = _cut(run, fraction, whole_end_s)
    end_s = held_end_s(part[:, 0], part[:, 1], cutoff_v, HOLD_S)
    if end_s is None or end_s < SHORTEST_S:
        return None
    keep = part[part[:, 0] <= end_s + HOLD_S + 20.0]
    gone = run[run[:, 0] <= run[-1, 0] - part[-1, 0]]
    to_end = run[run[:, 0] <= whole_end_s]
    used = float(np.trapezoid(gone[:, 2], gone[:, 0]) / np.trapezoid(to_end[:, 2], to_end[:, 0]))
    return Rundown(
        name=f"18650-{cell}-{load}-{number + 1}-{cutoff_v:g}V-{fraction:g}",
        group=GROUPS[load],
        chemistry_said="li-ion",
        cells=1,
        time_s=keep[:, 0],
        current_ma=keep[:, 2],
        pack_v=keep[:, 1],
        temperature_c=keep[:, 3],
        cutoff_v=cutoff_v,
        hold_s=HOLD_S,
        rated_mah=RATED_MAH,
        end_s=end_s,
        start_used=used if fraction else 0.0,
        pattern={"pulse": "pulses", "random": "random"}.get(load, "steady"),
        record=f"18650-{cell}-{load}-{number + 1}",
    )
