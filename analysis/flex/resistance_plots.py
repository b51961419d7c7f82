"""Pictures of a joint's resistance: how it crept while bending, and what washing did to it."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from analysis.flex.failure import Verdict
from analysis.flex.washing import WashResult
from analysis.say.figures import (
    FAINT,
    INK,
    SERIES,
    SIZES,
    Floats,
    figure_style,
    mark_simulated,
    save_figure,
)
from analysis.say.section import FigureFile
from logger.flex.criterion import Criterion

_HEALED_SHOWN: Final = 400
_STRIPS_MAX: Final = 8
_POINTS_MAX: Final = 1500


def draw_resistance(
    verdicts: Sequence[Verdict], criterion: Criterion, folder: Path, simulated: bool = False
) -> tuple[FigureFile, ...]:
    """Greatest resistance of each cycle, a strip per specimen, with failures and healed opens marked."""
    sheets = [verdicts[i : i + _STRIPS_MAX] for i in range(0, len(verdicts), _STRIPS_MAX)]
    with figure_style():
        return tuple(
            _resistance_sheet(sheet, criterion, folder, f"flex-resistance-{number}", simulated)
            for number, sheet in enumerate(sheets, 1)
        )


def _resistance_sheet(
    verdicts: Sequence[Verdict], criterion: Criterion, folder: Path, stem: str, simulated: bool
) -> FigureFile:
    rows = len(verdicts)
    width, _ = SIZES["page"]
    figure = Figure(figsize=(width, 1.2 + 0.95 * rows), layout="constrained")
    strips = figure.subplots(rows, 1, sharex=True, squeeze=False)[:, 0]
    for axes, verdict in zip(strips, verdicts, strict=True):
        _strip(axes, verdict, criterion)
    strips[-1].set_xlabel("full bends and back")
    strips[-1].xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    figure.suptitle(
        "Resistance of each joint, times its first value",
        x=0.01,
        ha="left",
        fontsize=11.5,
        fontweight="bold",
    )
    if simulated:
        mark_simulated(strips[-1])
    save_figure(figure, folder / stem)
    parts = []
    for verdict in verdicts:
        first = verdict.first_cycle[criterion.name]
        state = "whole" if first is None else f"failed at {first:,}"
        parts.append(
            f"{verdict.specimen} {state}, {len(verdict.healed)} cycles with opens that healed"
        )
    return FigureFile(
        stem,
        "; ".join(parts) + ".",
        "Greatest resistance of each cycle over the joint's own first one. Strokes at the foot: opens that healed. "
        f"Cross and line: failed ({criterion}). Dashes: {criterion.resistance_factor:g} times.",
    )


def _course(verdict: Verdict) -> tuple[Floats, Floats]:
    """Cycles and greatest resistance over the baseline, thinned to the greatest of each stretch."""
    baseline_ohm = verdict.baseline_ohm or 1.0
    cycle = np.array([seen.cycle for seen in verdict.cycles], dtype=float)
    ratio = np.array(
        [
            np.nan if seen.resistance_max_ohm is None else seen.resistance_max_ohm / baseline_ohm
            for seen in verdict.cycles
        ]
    )
    step = max(1, cycle.size // _POINTS_MAX)
    if step == 1:
        return cycle, ratio
    cut = cycle.size // step * step
    blocks = ratio[:cut].reshape(-1, step)
    known = ~np.isnan(blocks).all(axis=1)
    thinned = np.full(blocks.shape[0], np.nan)
    thinned[known] = np.nanmax(blocks[known], axis=1)
    return cycle[:cut:step], thinned


def _strip(axes: Axes, verdict: Verdict, criterion: Criterion) -> None:
    look = SERIES[0]
    cycle, ratio = _course(verdict)
    axes.plot(cycle, ratio, color=look.colour, linewidth=1.0)
    top = max(
        criterion.resistance_factor * 1.15,
        float(np.nanmax(ratio)) if ratio.size and np.isfinite(ratio).any() else 1,
    )
    axes.set_ylim(0, min(top, 6 * criterion.resistance_factor))
    axes.axhline(criterion.resistance_factor, color=FAINT, linewidth=0.9, linestyle=(0, (4, 3)))
    healed = [seen.cycle for seen in verdict.healed]
    healed = healed[:: max(1, len(healed) // _HEALED_SHOWN)]
    if healed:  # an empty line that is not clipped would upset the layout
        axes.plot(
            healed,
            np.full(len(healed), 0.0),
            linestyle="none",
            marker="|",
            markersize=12,
            color=SERIES[1].colour,
            clip_on=False,
        )
    first = verdict.first_cycle[criterion.name]
    if first is not None:
        axes.axvline(first, color=INK, linewidth=1.2)
        axes.plot([first], [1.0], marker="X", markersize=9, color=INK, markeredgecolor="white")
    text = "whole" if first is None else f"failed at {first:,}"
    axes.set_title(f"{verdict.specimen}: {text}", fontsize=9, pad=3)


def draw_wash(result: WashResult, folder: Path) -> FigureFile | None:
    """Each specimen's resistance before and after as a pair; None if no pair was measured."""
    pairs = [
        (item.specimen, item.resistance_before_ohm, item.resistance_after_ohm)
        for item in result.specimens
        if item.resistance_before_ohm is not None and item.resistance_after_ohm is not None
    ]
    if not pairs:
        return None
    pairs.sort(key=lambda pair: -pair[2] / pair[1])  # the worst on top
    with figure_style():
        width, _ = SIZES["page"]
        figure = Figure(figsize=(width, 1.2 + 0.32 * len(pairs)), layout="constrained")
        axes = figure.add_subplot()
        before, after = SERIES[2], SERIES[1]
        for place, (_, first, second) in enumerate(pairs):
            if np.isfinite(second):
                axes.plot([first, second], [place, place], color=FAINT, linewidth=1.2)
                axes.plot(
                    [second], [place], marker=after.marker, color=after.colour, linestyle="none"
                )
            else:
                axes.annotate(
                    "no contact after",
                    (first, place),
                    xytext=(8, 0),
                    textcoords="offset points",
                    va="center",
                    fontsize=9,
                )
            axes.plot(
                [first],
                [place],
                marker=before.marker,
                color=before.colour,
                linestyle="none",
                markerfacecolor="white",
            )
        axes.set_yticks(range(len(pairs)), [name for name, _, _ in pairs])
        axes.set_ylim(len(pairs) - 0.5, -0.5)
        axes.set_xlim(left=0)
        axes.set_xlabel("resistance, ohm (open mark: before, full mark: after)")
        axes.set_title("Before and after washing")
        save_figure(figure, folder / "wash-resistance")
    worse = sum(np.isinf(second) or second > first for _, first, second in pairs)
    return FigureFile(
        "wash-resistance",
        f"Resistance of {len(pairs)} specimens before and after washing; {worse} went up.",
        "Each line is one specimen: open mark before, full mark after the wash.",
    )
