"""The one figure style: peaks survive, pictures repeat byte for byte, lines differ without colour."""

from itertools import combinations, pairwise
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.colors import to_rgb

from analysis.say.figures import (
    CHARGE,
    CURRENT,
    SERIES,
    VOLTAGE,
    Floats,
    Look,
    envelope,
    figure_style,
    new_figure,
    save_figure,
    time_unit,
)


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1 definition."""
    parts = np.asarray(to_rgb(colour))
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@given(st.integers(2, 20000), st.integers(0, 2**32 - 1), st.integers(2, 300))
@settings(max_examples=60, deadline=None)
def test_no_peak_is_lost(rows: int, seed: int, steps: int) -> None:
    rng = np.random.default_rng(seed)
    time_s: Floats = np.cumsum(rng.exponential(1.0, rows))
    values: Floats = rng.standard_cauchy(rows)
    thin = envelope(time_s, values, values - 1, values + 1, np.zeros(rows, dtype=bool), steps)
    assert np.nanmin(thin.low) == values.min() - 1
    assert np.nanmax(thin.high) == values.max() + 1
    assert len(thin.time_s) <= 2 * steps
    assert np.all(np.diff(thin.time_s) >= 0)


@pytest.mark.parametrize("rows", [100, 50000])
def test_line_breaks_at_a_gap(rows: int) -> None:
    time_s = np.arange(rows, dtype=np.float64)
    time_s[rows // 2 :] += rows
    gap = np.zeros(rows, dtype=bool)
    gap[rows // 2] = True
    thin = envelope(time_s, time_s, time_s, time_s, gap)
    assert np.isnan(thin.mean).any()


@pytest.mark.parametrize("look", [VOLTAGE, CURRENT, CHARGE, *SERIES])
def test_lines_stand_out_from_paper(look: Look) -> None:
    # WCAG 2.1, 1.4.11: graphical objects 3:1 against what is next to them.
    assert 1.05 / (_luminance(look.colour) + 0.05) >= 3.0


def test_series_differ_by_line_and_marker_not_by_colour_alone() -> None:
    for one, other in combinations(SERIES, 2):
        assert one.line != other.line
        assert one.marker != other.marker
    lightness = [116 * _luminance(look.colour) ** (1 / 3) - 16 for look in SERIES[:3]]
    assert all(b - a > 10 for a, b in pairwise(lightness))


@pytest.mark.slow
def test_saving_twice_gives_the_same_bytes_and_no_date(tmp_path: Path) -> None:
    for name in ("a", "b"):
        with figure_style():
            figure, axes = new_figure()
            axes.plot([0, 1, 2], [3, 1, 2])
            axes.set_title("costs 5 $ or 6 $")
            axes.fill_between([0, 1, 2], [1, 1, 1], [2, 2, 2], hatch="//")
        save_figure(figure, tmp_path / name)
    for suffix in (".png", ".svg"):
        one, other = ((tmp_path / f"{name}{suffix}").read_bytes() for name in "ab")
        assert one == other
    assert b"dc:date" not in (tmp_path / "a.svg").read_bytes()
    # Letters are outlines: nothing is left to the reader's fonts.
    assert b"<text" not in (tmp_path / "a.svg").read_bytes()


def test_style_leaves_matplotlib_as_it_was() -> None:
    before = dict(mpl.rcParams)
    with figure_style():
        assert mpl.rcParams["svg.hashsalt"] == "drawbench"
    assert dict(mpl.rcParams) == before


def test_time_axis_unit_fits_the_length() -> None:
    assert time_unit(90) == (1.0, "s")
    assert time_unit(3600) == (60.0, "min")
    assert time_unit(40000) == (3600.0, "h")
