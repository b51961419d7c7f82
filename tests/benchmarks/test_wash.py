"""Is a dry piece left in peace after the wash, and is a leak named?

``python -m pytest tests/benchmarks/test_wash.py -s`` prints both tables; WASH_SEED, WASH_PAIRS.
"""

import os
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pytest

from analysis.electric.wet import since_wash
from logger.run.description import Board, Description, Sensor
from logger.run.reader import Run
from tests.support.washed_pieces import CONTROLS, Measured, dry_pair, wet_pair

SEED: Final = int(os.environ.get("WASH_SEED", "0"))
PAIRS: Final = int(os.environ.get("WASH_PAIRS", "60"))
FALSE_MOST: Final = 0.05
# A leak of this share of the draw, and of so many mA, is to be found.
SIZES_MA: Final = ((0.0, 1.0), (1.0, 3.0), (3.0, 10.0), (10.0, 1e4))
ANSWERS: Final = ("wet", "open", "less", "dry")
DESCRIPTION: Final = Description(
    title="vest",
    source="board",
    state="ended",
    started_utc="2026-01-10T18:00:00Z",
    window_s=1.0,
    sensor=Sensor("INA219", shunt_ohm=0.1, range_ma=3200.0, bus_range_v=32.0, address="40"),
)


def run_of(measured: Measured, board: str) -> Run:
    current_ma, volts = measured.current_ma, measured.volts
    samples = pd.DataFrame(
        {
            "time_s": measured.time_s,
            "sequence": np.arange(len(volts)),
            "boot": 17,
            "conversions": 900,
            "pack_v": volts,
            "pack_min_v": volts,
            "bus_v": volts,
            "current_ma": current_ma,
            "current_min_ma": current_ma,
            "current_max_ma": current_ma,
            "charge_mah": np.cumsum(current_ma) / 3600,
            "energy_mwh": np.cumsum(current_ma * volts) / 3600,
        }
    )
    return Run(Path("wash"), replace(DESCRIPTION, board=Board(board, 17)), samples)


@pytest.mark.timeout(600)
def test_dry_pieces_raise_no_alarm() -> None:
    print(
        "\n\n| dry | not dry | cannot be told | draws less | no leak seen |\n|---|---|---|---|---|"
    )
    for kind in CONTROLS:
        said: Counter[str] = Counter()
        for number in range(PAIRS):
            pair = dry_pair(kind, 1000 * SEED + number)
            second = "AA" if pair.same_board else "BB"
            said[since_wash(run_of(pair.before, "AA"), run_of(pair.after, second)).answer] += 1
        print(f"| {kind} | {' | '.join(f'{100 * said[a] / PAIRS:.0f} %' for a in ANSWERS)} |")
        assert said["wet"] <= FALSE_MOST * PAIRS, kind
        if kind not in ("other mode", "mode changes"):
            assert said["wet"] + said["less"] <= FALSE_MOST * PAIRS, kind
        if kind == "same":
            assert said["dry"] >= 0.9 * PAIRS


@pytest.mark.timeout(600)
def test_leaks_are_named_by_size() -> None:
    missed = 0
    said: dict[tuple[float, float], Counter[str]] = {size: Counter() for size in SIZES_MA}
    for number in range(4 * PAIRS):
        pair = wet_pair(1000 * SEED + number)
        second = "AA" if pair.same_board else "BB"
        found = since_wash(run_of(pair.before, "AA"), run_of(pair.after, second))
        answer = found.answer
        missed += answer == "dry" and pair.leak_ma > 2 * found.least_seen_ma
        size = next(size for size in SIZES_MA if size[0] <= pair.leak_ma < size[1])
        said[size][answer] += 1
    # "A leak under about ... would not show" holds.
    assert missed <= 0.05 * 4 * PAIRS
    print("\n\n| leak | pairs | not dry | cannot be told | draws less | no leak seen |\n|---|---|---|---|---|---|")  # fmt: skip
    for (least, most), counts in said.items():
        count = max(counts.total(), 1)
        shares = " | ".join(f"{100 * counts[a] / count:.0f} %" for a in ANSWERS)
        print(f"| {least:g} to {most:g} mA | {counts.total()} | {shares} |")
        if least >= 10:
            assert counts["dry"] <= 0.05 * count
            assert counts["wet"] >= 0.5 * count
