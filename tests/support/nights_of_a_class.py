"""A class: pieces by formula, each with a night or a part of one, as the teacher finds them in one folder."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from logger.run.description import Event
from logger.run.reader import Run
from tests.support.runs_by_formula import BOARD, VEST, alkaline_v, stop_at, stored

WINDOW_S = 0.5


def piece_run(number: int, hours: float = 8.0, window_s: float = WINDOW_S) -> Run:
    """A lit piece on three alkaline AA, one window every half second; each piece draws otherwise.

    Every fifth is stopped well above its cutoff, every seventh goes dark on the way.
    """
    rng = np.random.default_rng(number)
    duration_s = hours * 3600
    life_s = duration_s * (2.0 if number % 5 == 4 else 0.93 + 0.01 * (number % 6))
    rows = round(duration_s / window_s)
    time_s = window_s * np.arange(1, rows + 1)
    mean_ma = np.where(time_s % 90 < 30, 1.5, 1.0) * (100 + 4 * (number % 9))
    mean_ma = mean_ma + rng.normal(0, 0.8, rows)
    if number % 7 == 3:
        mean_ma = np.where(time_s > 0.6 * duration_s, 0.6 + rng.normal(0, 0.02, rows), mean_ma)
    pack_v = alkaline_v(np.minimum(time_s, life_s), life_s) - 0.0004 * mean_ma
    pack_v = pack_v + rng.normal(0, 0.001, rows)
    charge_mah = np.cumsum(mean_ma) * window_s / 3600
    samples = pd.DataFrame(
        {
            "time_s": time_s,
            "sequence": np.arange(rows, dtype=np.int64),
            "boot": np.full(rows, 17, dtype=np.int64),
            "conversions": np.full(rows, 470, dtype=np.int64),
            "pack_v": pack_v,
            "pack_min_v": pack_v - 0.004,
            "bus_v": pack_v - 1e-4 * mean_ma,
            "current_ma": mean_ma,
            "current_min_ma": mean_ma - 0.2,
            "current_max_ma": mean_ma + 1.5,
            "charge_mah": charge_mah,
            "energy_mwh": np.cumsum(mean_ma * pack_v) * window_s / 3600,
        }
    )
    description = replace(
        BOARD, title=f"Vest of pupil {number:02}", window_s=window_s, pack=VEST, stop=stop_at(2.7), need_s=6 * 3600.0,
        started_utc=f"2026-01-{number % 28 + 1:02}T18:00:00Z", load="24 addressable LEDs and a motion sensor",
        author="Class 7b", events=(Event(0.3 * duration_s, "mark", "lights on"),),
    )  # fmt: skip
    return Run(Path(f"pupil-{number:02}"), description, samples)


def class_in(folder: Path, count: int, hours: float = 8.0) -> Path:
    """So many of them in ``folder``, on disk; gives the folder."""
    for number in range(count):
        run = piece_run(number, hours)
        stored(folder / run.folder.name, run)
    return folder
