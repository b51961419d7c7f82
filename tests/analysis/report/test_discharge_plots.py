"""Pictures of discharges: names of runs leave room for the curves."""

from pathlib import Path

import numpy as np
import pytest

from analysis.report.overlay_plots import legend_names, plot_overlay


def test_names_are_told_apart_and_leave_room() -> None:
    deep = "/home/somebody/" + "a-rather-long-folder/" * 12
    assert legend_names([deep + "one", deep + "two"]) == ["one", "two"]
    assert legend_names(["vest-1", "vest-2"]) == ["vest-1", "vest-2"]
    alike = [f"{place}/{'x' * 80}" for place in ("here", "there")]
    assert [name[:4] for name in legend_names(alike)] == ["1. …", "2. …"]


@pytest.mark.slow
def test_runs_in_long_folders_are_drawn(tmp_path: Path) -> None:
    # A legend as wide as the page left no axes; matplotlib's warning is an error in these tests.
    course = (np.array([0.0, 3600.0]), np.array([4.5, 2.7]))
    names = [f"{start}/" + "a-rather-long-folder/" * 12 for start in ("here", "there")]
    plot_overlay(names, [course, course], 2.7, [3600.0, None], tmp_path / "picture")
    assert (tmp_path / "picture.png").stat().st_size > 0
