"""Rundown and pictures of a night at 100 windows a second, against pandas.read_csv of the same rows.

Printed, not asserted: a shared machine's clock proves nothing.
"""

import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.report.plots import draw_plots
from analysis.run.rundown import rundown
from logger.run.reader import Run
from tests.support.runs_by_formula import BOARD, write_samples

ROWS = 4_320_000
_PART = 20


def _seconds(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def _night() -> Run:
    rng = np.random.default_rng(0)
    time_s = 0.01 * np.arange(1, ROWS + 1)
    current_ma = np.where(time_s % 1.6 < 0.4, 150.0, 60.0) + rng.normal(0, 0.3, ROWS)
    pack_v = 4.7 - 1.9 * (time_s / time_s[-1]) ** 2
    samples = pd.DataFrame(
        {
            "time_s": time_s,
            "sequence": np.arange(ROWS),
            "boot": np.zeros(ROWS, dtype=np.int64),
            "pack_v": pack_v,
            "pack_min_v": pack_v - 0.01,
            "current_ma": current_ma,
            "current_min_ma": current_ma - 1,
            "current_max_ma": current_ma + 2,
            "charge_mah": np.cumsum(current_ma) * 0.01 / 3600,
            "energy_mwh": np.cumsum(current_ma * pack_v) * 0.01 / 3600,
        }
    )
    return Run(Path("night"), replace(BOARD, window_s=0.01), samples)


def test_rundown_and_pictures_of_a_long_run(tmp_path: Path) -> None:
    run = _night()
    part = Run(run.folder, run.description, run.samples[: ROWS // _PART])
    write_samples(tmp_path, part)
    read_s = _PART * min(_seconds(lambda: pd.read_csv(tmp_path / "samples.csv")) for _ in range(3))
    result = rundown(run, 3.0)
    rundown_s = min(_seconds(lambda: rundown(run, 3.0)) for _ in range(3))
    plots_s = _seconds(lambda: draw_plots(result, run.description.pack, (), tmp_path))
    tracemalloc.start()
    rundown(run, 3.0)
    peak = tracemalloc.get_traced_memory()[1] / run.samples.memory_usage().sum()
    tracemalloc.stop()
    print(
        f"\n{ROWS} rows, baseline pandas.read_csv {read_s:.1f} s (a twentieth, times 20): "
        f"rundown {rundown_s / read_s:.2f}, four pictures {plots_s / read_s:.2f} of it; "
        f"rundown's memory {peak:.2f} of the samples' own"
    )
    assert result.cutoff_time.value is not None
