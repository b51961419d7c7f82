"""Runs given to the live forecast in portions, as a recording would."""

from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis.forecast.live import PageForecaster
from logger.run.course import Rows
from logger.run.description import Description
from logger.run.reader import Run

Array = NDArray[np.float64]


@dataclass
class Begun:
    begin_s: float = 0.0


@dataclass
class PlayedFeed:
    """Stands in for the file's feed: the rows of one portion."""

    description: Description
    rows: list[Rows] = field(default_factory=list)
    course: Begun = field(default_factory=Begun)
    keep_fresh: bool = True
    folder: Path = Path("played-run")  # beside no other

    def take_fresh(self) -> list[Rows]:
        rows, self.rows = self.rows, []
        return rows


def portions(run: Run, count: int) -> list[Rows]:
    """The run's rows cut into about ``count`` portions."""
    samples = run.samples
    nothing = np.full(len(samples), np.nan)

    def column(*names: str) -> Array:
        name = next((name for name in names if name in samples), None)
        return nothing if name is None else samples[name].to_numpy(np.float64)

    columns = (
        column("time_s"),
        column("pack_v"),
        column("pack_min_v", "pack_v"),
        column("current_ma"),
        column("current_min_ma", "current_ma"),
        column("current_max_ma", "current_ma"),
        column("charge_mah"),
    )
    counted = column("conversions") if "conversions" in samples else None
    edges = np.unique(np.linspace(0, len(samples), count + 1).astype(int))
    return [
        replace(
            Rows(*(values[begin:end] for values in columns)),
            conversions=None if counted is None else counted[begin:end],
        )
        for begin, end in pairwise(edges.tolist())
    ]


def play(run: Run, count: int = 20, *, forecast: bool = True) -> PageForecaster:
    """The forecaster after the whole run, asked after each of ``count`` portions.

    ``forecast``: False where only faults in the rows are asked for: they are looked for all the same, and the
    forecast, which costs a hundred times as much, is left out as for a run without a cutoff.
    """
    clock = [0.0]
    forecaster = PageForecaster(lambda: clock[0], without_cutoff=True)
    description = run.description
    if not forecast:
        description = replace(description, stop=replace(description.stop, cutoff_v=None))
    feed = PlayedFeed(description)
    for rows in portions(run, count):
        feed.rows.append(rows)
        clock[0] += 1000.0
        forecaster(feed)  # type: ignore[arg-type]
    return forecaster
