"""Voltages of several runs in one picture: a few as lines, many as a band with the odd ones named, and each by itself."""

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePath
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from analysis.curve.spread import Spread
from analysis.say.figures import (
    FAINT,
    INK,
    SERIES,
    VOLTAGE,
    figure_style,
    mark_simulated,
    new_figure,
    save_figure,
    set_title,
    time_unit,
)
from analysis.say.section import FigureFile
from analysis.say.words import count_words, span_words

Array = NDArray[np.float64]
Course = tuple[Array, Array]  # times in s since the run began, volts; thinned

_SHARE: Final = (10, 90)  # percentiles of the band: 8 in 10 runs
_ALL_IN_BAND: Final = 10
_GRID: Final = 240
_NAMED: Final = 4
EACH_MOST: Final = 60
_COLUMNS: Final = 5
_NAME_SIGNS: Final = 20


def plot_overlay(
    names: Sequence[str],
    courses: Sequence[Course],
    cutoff_v: float | None,
    cutoffs_s: Sequence[float | None],
    stem: Path,
    *,
    spread: Spread | None = None,
    simulated: bool = False,
) -> FigureFile:
    """Save the picture that ``draw_overlay`` makes; ``spread``: of many runs ``draw_many``'s."""
    with figure_style():
        figure, axes = new_figure()
        if spread is None:
            file = draw_overlay(axes, names, courses, cutoff_v, cutoffs_s, simulated=simulated)
        else:
            file = draw_many(axes, courses, cutoff_v, spread, simulated=simulated)
        save_figure(figure, stem)
    return replace(file, stem=stem.name)


def draw_overlay(
    axes: Axes,
    names: Sequence[str],
    courses: Sequence[Course],
    cutoff_v: float | None,
    cutoffs_s: Sequence[float | None],
    *,
    simulated: bool = False,
) -> FigureFile:
    """Voltage of several runs against time in one picture; ``courses``: (time in s, volts) each, thinned."""
    divisor, unit = time_unit(max(float(times[-1]) for times, _ in courses))
    for number, (name, (times, volts)) in enumerate(zip(legend_names(names), courses, strict=True)):
        look = SERIES[number % len(SERIES)]
        axes.plot(times / divisor, volts, color=look.colour, linestyle=look.line, label=name)
        end_s = cutoffs_s[number]
        if end_s is not None and cutoff_v is not None:
            axes.plot(
                end_s / divisor,
                cutoff_v,
                look.marker,
                color=look.colour,
                markersize=7,
                zorder=5,
            )
            axes.annotate(
                span_words(end_s, 60.0),
                (end_s / divisor, cutoff_v),
                xytext=(-7, -4),
                textcoords="offset points",
                ha="right",
                va="top",
                fontsize=9,
                color=look.colour,
            )
    if cutoff_v is not None:
        axes.axhline(cutoff_v, color=INK, linewidth=0.9)
    # lines that lie upon each other cannot be labelled at their ends
    axes.legend(loc="upper right", frameon=False, handlelength=3.2)
    axes.set_xlabel(f"time since the run began in {unit}")
    axes.set_ylabel("pack voltage in V")
    axes.set_title(_overlay_title(cutoff_v, [end_s for end_s in cutoffs_s if end_s is not None]))
    if simulated:
        mark_simulated(axes)
    return FigureFile(
        "compare",
        f"Pack voltage against time of {len(names)} runs: {', '.join(names)}.",
        "Marks: where each run reached the cutoff.",
    )


def legend_names(names: Sequence[str], most: int = 36) -> list[str]:
    """Names that leave room for the picture: without the folders that all share, at most ``most`` characters.

    What would look alike after that gets its number in front.
    """
    parts = [PurePath(name).parts or (name,) for name in names]
    shared = 0
    while all(len(part) > shared + 1 and part[shared] == parts[0][shared] for part in parts):
        shared += 1
    short = ["/".join(part[shared:]) for part in parts]
    short = [name if len(name) <= most else "…" + name[-(most - 1) :] for name in short]
    if len(set(short)) < len(short):
        short = [f"{number}. {name}" for number, name in enumerate(short, 1)]
    return short


def _overlay_title(cutoff_v: float | None, ends_s: Sequence[float]) -> str:
    if cutoff_v is None:
        return "Runs side by side"
    if not ends_s:
        return f"Runs side by side; cutoff {cutoff_v:g} V not reached"
    least, most = span_words(min(ends_s), 60.0), span_words(max(ends_s), 60.0)
    return f"Down to the cutoff of {cutoff_v:g} V: " + (
        least if least == most else f"{least} to {most}"
    )


@dataclass(frozen=True)
class Band:
    """Over ``time_s``: the edges between which 8 in 10 runs lie, and their median, V; NaN where too few are known."""

    time_s: Array
    low_v: Array
    median_v: Array
    high_v: Array


def band_of(
    courses: Sequence[Course], gave_up_s: Sequence[float | None], cutoff_v: float | None = None
) -> Band:
    """Pointwise order statistics over the runs, down to the cutoff (without one: to the lowest voltage).

    A run that gave up (``gave_up_s``, s) counts as below all others from then on: left out, the survivors would
    lift the band. One that was only stopped is left out from there on; where fewer than half are known, no band.
    """
    end_s = max(float(times[-1]) for times, _ in courses)
    grid = np.linspace(0.0, end_s, _GRID)
    lowest = min(float(np.nanmin(volts)) for _, volts in courses)
    floor = lowest if cutoff_v is None else cutoff_v
    found = np.full((len(courses), _GRID), np.nan)
    for row, (times, volts), end in zip(found, courses, gave_up_s, strict=True):
        good = np.isfinite(volts)
        row[:] = np.interp(grid, times[good], volts[good], right=np.nan)
        if end is not None:
            row[grid > end] = floor
    np.maximum(found, floor, out=found)  # NaN stays
    few = np.isfinite(found).sum(axis=0) < max(len(courses) / 2, 2)
    found[:, few] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter(
            "ignore", RuntimeWarning
        )  # columns without a value give NaN, as they should
        low = np.nanpercentile(found, _SHARE[0], axis=0, method="lower")
        high = np.nanpercentile(found, _SHARE[1], axis=0, method="higher")
        middle = np.nanpercentile(found, 50, axis=0)
    gone = high <= floor
    low[gone] = high[gone] = np.nan
    middle[middle <= floor] = np.nan
    return Band(grid, low, middle, high)


def _band_of_others(
    courses: Sequence[Course], cutoff_v: float | None, spread: Spread
) -> tuple[Band, int]:
    """The band of those that are not drawn by name, and how many they are."""
    named = spread.odd_numbers[:_NAMED]
    gave_up = [None if q.at_least else q.value for q in spread.lasted]
    others = [n for n in range(len(courses)) if n not in named]
    band = band_of([courses[n] for n in others], [gave_up[n] for n in others], cutoff_v)
    return band, len(others)


def draw_many(
    axes: Axes,
    courses: Sequence[Course],
    cutoff_v: float | None,
    spread: Spread,
    *,
    simulated: bool = False,
) -> FigureFile:
    """The voltages of many runs as a band, with the odd ones as lines by name; ``courses``: as ``spread``'s names."""
    divisor, unit = time_unit(max(float(times[-1]) for times, _ in courses))
    band, others = _band_of_others(courses, cutoff_v, spread)
    _draw_band(axes, band, divisor, _share_words(others))
    odd = spread.odd_numbers
    names = _short(spread.names)
    for number, look in zip(odd[:_NAMED], SERIES[1:], strict=False):
        times, volts = courses[number]
        axes.plot(
            times / divisor, volts, color=look.colour, linestyle=look.line, linewidth=1.9, label=f"odd: {names[number]}"
        )  # fmt: skip
        axes.plot(times[-1] / divisor, volts[-1], look.marker, color=look.colour, markersize=6)
    if cutoff_v is not None:
        _draw_cutoff(axes, cutoff_v)
    axes.set_xlim(left=0)
    axes.set_xlabel(f"time since the run began in {unit}")
    axes.set_ylabel("pack voltage in V")
    set_title(axes, _many_title(spread))
    # Below, where no line can be: the odd ones run anywhere.
    axes.legend(loc="upper left", bbox_to_anchor=(-0.02, -0.2), ncols=2, frameon=False, handlelength=3.2, fontsize=9)  # fmt: skip
    if simulated:
        mark_simulated(axes)
    more = len(odd) - _NAMED
    told = f" {more} more odd runs are not drawn." if more > 0 else ""
    return FigureFile(
        "compare",
        f"Pack voltage against time of {count_words(len(courses), 'run')}: median and a band, "
        f"and {count_words(min(len(odd), _NAMED), 'odd run')} as lines.{told}",
        f"Band: {_share_words(others)}, those by name left out. A run that gave up counts as below all others from then on; one that was only "
        f"stopped is left out from there on.{told}",
    )


def plot_each(
    courses: Sequence[Course],
    cutoff_v: float | None,
    spread: Spread,
    stem: Path,
    *,
    simulated: bool = False,
) -> FigureFile:
    """Each run by itself before the band of all, the shortest first; at most ``EACH_MOST``."""
    order = sorted(range(len(courses)), key=lambda n: spread.lasted[n].value or 0.0)[:EACH_MOST]
    rows = math.ceil(len(order) / _COLUMNS)
    names = _short(spread.names, _NAME_SIGNS)
    divisor, unit = time_unit(max(float(times[-1]) for times, _ in courses))
    band, others = _band_of_others(courses, cutoff_v, spread)
    with figure_style():
        from matplotlib.figure import Figure

        figure = Figure(figsize=(8.0, 0.75 + 1.22 * rows), layout="constrained")
        panels = figure.subplots(rows, _COLUMNS, sharex=True, sharey=True, squeeze=False).ravel()
        for axes, number in zip(panels, order, strict=False):
            _panel(axes, courses[number], band, divisor, cutoff_v, odd=number in spread.odd_numbers)
            lasted = spread.lasted[number]
            over = "over " if lasted.at_least else ""
            axes.set_title(
                f"{names[number]}\n{over}{span_words(lasted.value or 0.0, 60.0)}", fontsize=8, pad=3
            )
        for axes in panels[len(order) :]:
            axes.set_axis_off()
        figure.supxlabel(f"time since the run began in {unit}", fontsize=9.5)
        figure.supylabel("pack voltage in V", fontsize=9.5)
        if simulated:
            figure.text(
                0.995,
                0.003,
                "SIMULATED",
                fontsize=9.5,
                ha="right",
                va="bottom",
                fontweight="bold",
                color=INK,
            )
        save_figure(figure, stem)
    left_out = len(courses) - len(order)
    more = f" {count_words(left_out, 'longer run')} not drawn." if left_out else ""
    return FigureFile(
        stem.name,
        f"Small pictures of {count_words(len(order), 'run')}, the shortest first.{more}",
        f"Line: the run; band: {_share_words(others)}; orange dashes: odd.{more}",
    )  # fmt: skip


def _panel(
    axes: Axes, course: Course, band: Band, divisor: float, cutoff_v: float | None, *, odd: bool
) -> None:
    look = SERIES[1] if odd else VOLTAGE
    _draw_band(axes, band, divisor)
    axes.plot(course[0] / divisor, course[1], color=look.colour, linestyle=look.line, linewidth=1.4)
    if cutoff_v is not None:
        axes.axhline(cutoff_v, color=INK, linestyle="--", linewidth=0.7)
    axes.set_xlim(left=0)
    axes.tick_params(labelsize=7.5, length=2)


def _draw_band(axes: Axes, band: Band, divisor: float, label: str = "") -> None:
    times = band.time_s / divisor
    axes.fill_between(
        times, band.low_v, band.high_v, color=VOLTAGE.band, linewidth=0, label=label or None,
    )  # fmt: skip
    if label:
        axes.plot(times, band.median_v, color=VOLTAGE.colour, label="their median")


def _draw_cutoff(axes: Axes, cutoff_v: float) -> None:
    axes.axhline(cutoff_v, color=INK, linewidth=0.9, linestyle="--")
    axes.annotate(
        f"cutoff {cutoff_v:g} V", (0, cutoff_v), xycoords=("axes fraction", "data"), xytext=(3, 3),
        textcoords="offset points", fontsize=9, color=FAINT,
    )  # fmt: skip


def _share_words(count: int) -> str:
    """What the band holds of so many runs; of ten or fewer the order statistics are the ends themselves."""
    return f"all other {count} runs" if count <= _ALL_IN_BAND else f"8 in 10 of {count} runs"


def _short(names: Sequence[str], most: int = 32) -> list[str]:
    return [name if len(name) <= most else f"{name[: most - 1]}…" for name in names]


def _many_title(spread: Spread) -> str:
    count = count_words(len(spread.names), "run")
    if spread.half is None:
        return f"{count}, one over the other"
    low, high = (span_words(end, 60.0) for end in spread.half)
    return f"{count}: the middle half lasted {low} to {high}"
