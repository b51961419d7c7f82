"""Runs whose answers are known from a formula, for the tests of analysis and report."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.forecast.chemistry_prior import FAMILIES, curve_table
from logger.base.pack import Pack
from logger.run.description import Board, Description, Sensor, Stop
from logger.run.format import COLUMN_BY_NAME
from logger.run.reader import Run
from logger.run.store import write_description

Floats = npt.NDArray[np.float64]
INA219 = Sensor("INA219", shunt_ohm=0.1, range_ma=3200.0, bus_range_v=32.0, address="40")
BOARD = Description(
    title="night-ride vest",
    source="board",
    state="ended",
    started_utc="2026-01-10T18:00:00Z",
    window_s=1.0,
    pack=Pack("alkaline", 3, "AA"),
    sensor=INA219,
    board=Board("7F3A91C2", 17, firmware="1.0.0"),
)
VEST = Pack("alkaline", 3, "AA")
LIFE_S = 20 * 3600.0
IMPORTED = Description(title="another meter", source="import", state="ended", end_reason="import")


def alkaline_v(time_s: Floats, life_s: float = LIFE_S) -> Floats:
    """Three alkaline AA by the family's typical curve, emptied in ``life_s``."""
    depth, volts, _ = curve_table(FAMILIES[0])
    return np.asarray(3 * np.interp(time_s / life_s, depth, volts))


def board_run(
    voltage_v: Callable[[Floats], Floats],
    current_ma: Callable[[Floats], Floats],
    duration_s: float,
    window_s: float = 1.0,
    *,
    keep: npt.NDArray[np.bool_] | None = None,
    parts: int = 20,
    **changes: Any,
) -> Run:
    """Board run of windows: each row the mean of ``parts`` midpoints, counters their running sums.

    ``voltage_v``, ``current_ma``: functions of time in s. ``keep``: rows that arrived.
    """
    rows = round(duration_s / window_s)
    time_s = window_s * np.arange(1, rows + 1)
    inner_s = window_s * (np.arange(rows * parts) + 0.5) / parts
    volt = np.broadcast_to(voltage_v(inner_s), inner_s.shape).reshape(rows, parts)
    amp = np.broadcast_to(current_ma(inner_s), inner_s.shape).reshape(rows, parts)
    samples = pd.DataFrame(
        {
            "time_s": time_s,
            "sequence": np.arange(rows, dtype=np.int64),
            "boot": np.full(rows, 17, dtype=np.int64),
            "conversions": np.full(rows, parts, dtype=np.int64),
            "pack_v": volt.mean(axis=1),
            "pack_min_v": volt.min(axis=1),
            "bus_v": (volt - 1e-4 * amp).mean(axis=1),
            "current_ma": amp.mean(axis=1),
            "current_min_ma": amp.min(axis=1),
            "current_max_ma": amp.max(axis=1),
            "charge_mah": np.cumsum(amp.mean(axis=1)) * window_s / 3600,
            "energy_mwh": np.cumsum((amp * volt).mean(axis=1)) * window_s / 3600,
        }
    )
    if keep is not None:
        samples = samples[keep].reset_index(drop=True)
    description = replace(BOARD, window_s=window_s, **changes)
    return Run(Path("vest-run"), description, samples)


def sampled_run(
    time_s: npt.ArrayLike,
    voltage_v: npt.ArrayLike | None = None,
    current_ma: npt.ArrayLike | None = None,
    **changes: Any,
) -> Run:
    """Imported run of point samples."""
    columns = {"time_s": time_s, "pack_v": voltage_v, "current_ma": current_ma}
    samples = pd.DataFrame(
        {
            name: np.asarray(values, dtype=np.float64)
            for name, values in columns.items()
            if values is not None
        }
    )
    return Run(Path("imported-run"), replace(IMPORTED, **changes), samples)


def stop_at(cutoff_v: float, hold_s: float = 10.0) -> Stop:
    return Stop(cutoff_v=cutoff_v, hold_s=hold_s)


def write_samples(folder: Path, run: Run) -> None:
    """``samples.csv`` of a run as the format has it."""
    folder.mkdir(parents=True, exist_ok=True)
    texts = {
        str(name): [
            f"{value:.{COLUMN_BY_NAME[str(name)].decimals}f}" for value in run.samples[name]
        ]
        for name in run.samples.columns
    }
    pd.DataFrame(texts).to_csv(folder / "samples.csv", index=False, lineterminator="\r\n")


def stored(folder: Path, run: Run) -> Path:
    """Write the run as a recording would leave it; gives the folder."""
    write_samples(folder, run)
    write_description(folder, run.description, [str(name) for name in run.samples.columns])
    return folder
