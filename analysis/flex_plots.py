"""Pictures of a flex test: who is alive, on which line the failures lie, how the resistance crept.

Groups differ in colour, lightness, line and marker, and are labelled in place, so they
can be told apart in grey print.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from analysis.figures import (
    FAINT,
    INK,
    SERIES,
    SIZES,
    Floats,
    Look,
    figure_style,
    mark_simulated,
    save_figure,
)
from analysis.flex_failure import SIMULATED_NOTE, Verdict
from analysis.flex_life import Claim, FlexLife, GroupLife
from analysis.life_goodness import plot_points
from analysis.life_interval import Asked, intervals
from analysis.life_solver import WEIBULL
from analysis.section import FigureFile
from analysis.washing import WashResult
from logger.flex_criterion import Criterion

_SHARES: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.9, 0.99)
_HEALED_SHOWN: Final = 400
_STRIPS_MAX: Final = 8


def draw_flex(result: FlexLife, folder: Path) -> tuple[FigureFile, ...]:
    """Survival curves, and the probability plot if any group could be fitted."""
    with figure_style():
        files = [_survival(result, folder)]
        if any(group.weibull is not None for group in result.groups):
            files.append(_probability(result, folder))
    return tuple(files)


def _name(group: GroupLife) -> str:
    return group.name or "all specimens"


def _look(place: int) -> Look:
    return SERIES[place % len(SERIES)]


def _survival(result: FlexLife, folder: Path) -> FigureFile:
    """One strip per group, the others faint behind it; above each strip the pieces still on test."""
    groups = result.groups
    width, height = SIZES["page"]
    strip = height if len(groups) == 1 else 1.9
    figure = Figure(figsize=(width, 0.55 + (strip + 0.25) * len(groups)), layout="constrained")
    strips = figure.subplots(len(groups), 1, sharex=True, squeeze=False)[:, 0]
    end = max(group.curve.end_cycles for group in groups)
    target = result.claim.target_cycles
    if target is not None:
        end = max(end, min(target, 3 * end))
    for place, (axes, group) in enumerate(zip(strips, groups, strict=True)):
        for other in groups:
            if other is not group:
                axes.step(*_steps(other), where="post", color="#b4b9be", linewidth=1.0)
        _survival_of(axes, group, _look(place))
        if target is not None and target <= 1.02 * end:
            axes.axvline(target, color=INK, linewidth=1.1, linestyle=(0, (1, 1.5)))
        axes.set_ylim(0, 104)
        axes.set_yticks([0, 50, 100] if len(groups) > 1 else [0, 25, 50, 75, 100])
        axes.set_xlim(0, end * 1.03)
        axes.set_ylabel("still whole, %")
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
        _on_test(axes, group, _look(place), end)
    if target is not None and target <= 1.02 * end:
        left = target < 0.6 * end
        strips[0].annotate(
            "target",
            (target, 6),
            xytext=(4 if left else -4, 0),
            textcoords="offset points",
            ha="left" if left else "right",
        )
    strips[-1].set_xlabel("full bends and back (above each strip: pieces still on test)")
    figure.suptitle(
        "How many joints are still whole", x=0.01, ha="left", fontsize=11.5, fontweight="bold"
    )
    _mark(strips[-1], result)
    save_figure(figure, folder / "flex-survival")
    coverage = f"{groups[0].curve.coverage * 100:g} %"
    behind = " Grey: the other groups." if len(groups) > 1 else ""
    return FigureFile(
        "flex-survival",
        "; ".join(_survival_alt(group) for group in groups) + ".",
        f"Share of joints still whole (Kaplan-Meier). Pale: pointwise {coverage} band (log-minus-log). "
        f"Small strokes: pieces that stopped whole.{behind}",
    )


def _survival_alt(group: GroupLife) -> str:
    failures = int(group.lives.failures)
    return f"{_name(group)}: {failures} of {len(group.specimens)} joints failed within {group.curve.end_cycles:,.0f} bends"


def _steps(group: GroupLife) -> tuple[Floats, Floats]:
    """Cycles and share alive in per cent, from 0 to where the group's test ended."""
    curve = group.curve
    alive = np.concatenate(([1.0], curve.survival))
    cycles = np.concatenate(([0.0], curve.cycles, [curve.end_cycles]))
    return cycles, 100 * np.append(alive, alive[-1])


def _survival_of(axes: Axes, group: GroupLife, look: Look) -> None:
    curve = group.curve
    cycles, alive = _steps(group)
    axes.step(cycles, alive, where="post", color=look.colour, linestyle=look.line)
    if curve.cycles.size:
        low = 100 * np.concatenate(([1.0], curve.lower, curve.lower[-1:]))
        high = 100 * np.concatenate(([1.0], curve.upper, curve.upper[-1:]))
        axes.fill_between(cycles, low, high, step="post", color=look.band, alpha=0.6, linewidth=0)
    whole = group.lives.lower[~group.lives.seen_failed]
    marks = [100 * curve.at(value)[0] for value in whole]
    axes.plot(whole, marks, linestyle="none", marker="|", markersize=9, color=look.colour)
    axes.plot(
        curve.cycles,
        100 * curve.survival,
        linestyle="none",
        marker=look.marker,
        markersize=5,
        color=look.colour,
    )


def _mark(axes: Axes, result: FlexLife) -> None:
    if SIMULATED_NOTE in result.warnings:
        mark_simulated(axes, 40)


def _on_test(axes: Axes, group: GroupLife, look: Look, end: float) -> None:
    """Pieces still on test above the ticks, the group's name above them."""
    seen = group.lives.seen_cycles
    for tick in axes.get_xticks():
        if 0 <= tick <= end * 1.03:
            count = int(group.lives.weights[seen >= max(tick, 1e-9)].sum())
            axes.annotate(
                str(count),
                (tick, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 3),
                textcoords="offset points",
                ha="center",
                fontsize=8.5,
                color=FAINT,
            )
    if group.name:
        axes.set_title(group.name, color=look.colour, fontsize=10)


def _key(figure: Figure, axes: Axes, groups: Sequence[GroupLife]) -> None:
    """Names below the picture, only where there is more than one group."""
    if len(groups) < 2:
        return
    for place, group in enumerate(groups):
        look = _look(place)
        axes.plot(
            [],
            [],
            color=look.colour,
            linestyle=look.line,
            marker=look.marker,
            label=_name(group) + ("" if group.weibull else " (too few failed for a line)"),
        )
    figure.legend(loc="outside lower left", frameon=False, handlelength=3.4, fontsize=9, ncols=2)


def _probability(result: FlexLife, folder: Path) -> FigureFile:
    width, height = SIZES["page"]
    figure = Figure(figsize=(width, height + 0.4), layout="constrained")
    axes = figure.add_subplot()
    fitted = [(place, group) for place, group in enumerate(result.groups) if group.weibull]
    banded = len(fitted) <= 2  # more bands than two hide each other
    for place, group in fitted:
        _line_of(axes, group, _look(place), result.claim, banded)
    z = WEIBULL.percentile(np.array(_SHARES))
    axes.set_yticks(z, [f"{100 * share:g}" for share in _SHARES])
    axes.set_ylim(float(z[0]), float(z[-1]))
    axes.set_xscale("log")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    axes.set_xlabel("full bends and back")
    axes.set_ylabel("failed, %")
    axes.set_title("Do the lives lie on a Weibull line?")
    axes.grid(True, which="major")
    if result.claim.target_cycles is not None:
        axes.axvline(result.claim.target_cycles, color=INK, linewidth=1.1, linestyle=(0, (1, 1.5)))
        axes.annotate(
            "target",
            (result.claim.target_cycles, float(z[-1])),
            xytext=(4, -12),
            textcoords="offset points",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
        )
    _key(figure, axes, result.groups)
    _mark(axes, result)
    save_figure(figure, folder / "flex-probability")
    parts = []
    for _, group in fitted:
        p = group.goodness[0].p_value
        parts.append(
            f"{_name(group)}: "
            + (
                "too few failures to judge"
                if p is None
                else f"{'off the line' if p < 0.05 else 'on the line'} (p = {p:.2g})"
            )
        )
    return FigureFile(
        "flex-probability",
        "Weibull probability plot of failures with fitted lines. " + "; ".join(parts) + ".",
        "Weibull probability plot: failures and fitted lines"
        + (
            f"; pale: {result.claim.coverage * 100:g} % likelihood-ratio interval of each percentile life"
            if banded
            else ""
        )
        + ". A bend in the points means two kinds of failure.",
    )


def _line_of(axes: Axes, group: GroupLife, look: Look, claim: Claim, banded: bool) -> None:
    assert group.weibull is not None
    fit = group.weibull.fit
    cycles, share = plot_points(group.lives)
    shares = np.array([0.01, 0.03, 0.1, 0.3, 0.6, 0.9, 0.985])
    z = WEIBULL.percentile(shares)
    line = np.exp(fit.location + fit.scale * z)
    if banded:
        # A chi-square band is enough to look at, and quicker than the calibrated one.
        asked = [Asked("percentile", float(share)) for share in shares]
        bounds = intervals(fit, asked, claim.coverage, "likelihood-ratio")
        low = np.clip([b.lower for b in bounds], line / 30, None)
        high = np.clip([b.upper for b in bounds], None, line * 30)
        axes.fill_betweenx(z, low, high, color=look.band, alpha=0.5, linewidth=0)
    axes.plot(line, z, color=look.colour, linestyle=look.line)
    axes.plot(
        cycles,
        WEIBULL.percentile(share),
        linestyle="none",
        marker=look.marker,
        markersize=6,
        color=look.colour,
        markeredgecolor="white",
    )


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


def _strip(axes: Axes, verdict: Verdict, criterion: Criterion) -> None:
    look = SERIES[0]
    baseline = verdict.baseline_ohm or 1.0
    cycle = np.array([seen.cycle for seen in verdict.cycles], dtype=float)
    ratio = np.array(
        [
            np.nan if s.resistance_max_ohm is None else s.resistance_max_ohm / baseline
            for s in verdict.cycles
        ]
    )
    step = max(1, cycle.size // 1500)
    if step > 1:  # thinned to the greatest of each stretch, so that no peak is lost
        cut = cycle.size // step * step
        cycle = cycle[:cut:step]
        blocks = ratio[:cut].reshape(-1, step)
        known = ~np.isnan(blocks).all(axis=1)
        ratio = np.full(blocks.shape[0], np.nan)
        ratio[known] = np.nanmax(blocks[known], axis=1)
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
