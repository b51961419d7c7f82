"""Packs behind a regulator out in the cold, the temperature told at the start: does "at least" hold?

    python -m tests.benchmarks.forecast_judge.cold_regulated SEED [EACH]

As "after a regulator" of the third sealed set, at -12 to 6 deg C; a third of them warm up on the way. What the
cold leaves of the charge, beside what the cells' own physics takes: shares at a moderate draw as on makers' sheets
(alkaline 50 to 85 % at 0 deg C, 15 to 50 % at -20 deg C; lithium-ion 85 to 97 and 60 to 85 %), straight between
(from memory). Beside them the same packs without a regulator, so that none of those is called regulated.
"""

import sys
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.random import Generator

from .rundown import Rundown
from .third_groups import GROUPS as THIRD
from .third_groups import Wish
from .third_seal import one, print_table

# Least and greatest share at 20, 0 and -20 deg C.
SHARES = {
    "alkaline": ((1.0, 1.0), (0.50, 0.85), (0.15, 0.50)),
    "li-ion": ((1.0, 1.0), (0.85, 0.97), (0.60, 0.85)),
}
AT_C = (20.0, 0.0, -20.0)


def share(rng: Generator, said: str, celsius: float) -> float:
    """What the cold leaves of the charge."""
    place = -np.array(AT_C)
    low, high = (
        float(np.interp(-celsius, place, [ends[end] for ends in SHARES[said]])) for end in (0, 1)
    )
    return float(rng.uniform(low, high))


def _cold(rng: Generator) -> Wish:
    wish = THIRD["after a regulator"](rng)
    celsius = float(rng.uniform(-12, 6))
    left = share(rng, wish.said, celsius)
    parts = tuple(
        replace(part, cell=replace(part.cell, capacity_mah=part.cell.capacity_mah * left))
        for part in wish.parts
    )
    warms_k = float(rng.uniform(10, 20)) if rng.random() < 1 / 3 else 0.0
    return replace(wish, parts=parts, air_c=celsius, warms_k=warms_k, warms_in=0.5)


def _bare(rng: Generator) -> Wish:
    wish = _cold(rng)
    cells = wish.cells
    cutoff_v = (0.9 * cells, 1.1 * cells) if wish.said == "alkaline" else (2.9, 3.3)
    return replace(wish, regulator=None, cutoff_v=cutoff_v)


GROUPS = {"after a regulator, cold": _cold, "no regulator, cold": _bare}


def draw(seed: int, each: int) -> Iterator[Rundown]:
    """`each` rundowns of every group."""
    for group in GROUPS:
        for number in range(each):
            yield one(seed, group, number, GROUPS, "cold")


if __name__ == "__main__":
    wanted = int(sys.argv[2]) if len(sys.argv) > 2 else 6
    print_table(draw(int(sys.argv[1]), wanted), wanted * len(GROUPS))
