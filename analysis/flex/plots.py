"""Pictures of a flex test: who is alive, on which line the failures lie.

Groups differ in colour, lightness, line and marker, and are labelled in place, so they
can be told apart in grey print.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from analysis.flex.claim import Claim
from analysis.flex.failure import SIMULATED_NOTE
from analysis.flex.judge import FlexLife, GroupLife
from analysis.flex.results import FEW_FAILURES
from analysis.life.goodness import plot_points
from analysis.life.interval import Asked, intervals
from analysis.life.solver import WEIBULL
from analysis.say.figures import (
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
from analysis.say.section import FigureFile

PROBABILITY_SIZE_IN: Final = (SIZES["page"][0], SIZES["page"][1] + 0.4)
_WAY_MARKS: Final = ("o", "^", "s", "X", "D")
_SHARES: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.9, 0.99)


def draw_flex(result: FlexLife, folder: Path) -> tuple[FigureFile, ...]:
    """Survival curves, and the probability plot if any group could be fitted."""
    with figure_style():
        figure = Figure(figsize=survival_size_in(result), layout="constrained")
        files = [draw_survival(figure, result)]
        save_figure(figure, folder / files[0].stem)
        if any(group.weibull is not None for group in result.groups):
            figure = Figure(figsize=PROBABILITY_SIZE_IN, layout="constrained")
            files.append(draw_probability(figure.add_subplot(), result))
            save_figure(figure, folder / files[1].stem)
    return tuple(files)


def _name(group: GroupLife) -> str:
    return group.name or "all specimens"


def _look(place: int) -> Look:
    return SERIES[place % len(SERIES)]


def survival_size_in(result: FlexLife) -> tuple[float, float]:
    """Width and height of the picture of survival, a strip per group."""
    width, height = SIZES["page"]
    strip = height if len(result.groups) == 1 else 1.9
    return width, 0.55 + (strip + 0.25) * len(result.groups)


def draw_survival(figure: Figure, result: FlexLife) -> FigureFile:
    """One strip per group in an empty figure, the others faint behind it; call inside ``figure_style``."""
    groups = result.groups
    strips = figure.subplots(len(groups), 1, sharex=True, squeeze=False)[:, 0]
    for place, axes in enumerate(strips):
        draw_strip(axes, result, place)
    _mark_target(strips[0], result)
    strips[-1].set_xlabel("full bends and back (above each strip: pieces still on test)")
    figure.suptitle(
        "How many joints are still whole", x=0.01, ha="left", fontsize=11.5, fontweight="bold"
    )
    _mark(strips[-1], result)
    coverage = f"{groups[0].curve.coverage * 100:g} %"
    behind = " Grey: the other groups." if len(groups) > 1 else ""
    return FigureFile(
        "flex-survival",
        "; ".join(_survival_alt(group) for group in groups) + ".",
        f"Share of joints still whole (Kaplan-Meier). Pale: pointwise {coverage} band (log-minus-log). "
        f"Small strokes: pieces that stopped whole.{behind}",
    )


def draw_strip(axes: Axes, result: FlexLife, place: int) -> None:
    """Who of the group at this ``place`` is still whole; above it the pieces still on test."""
    groups = result.groups
    end, target = _survival_end(result), result.claim.target_cycles
    for other in groups:
        if other is not groups[place]:
            axes.step(*_steps(other), where="post", color="#b4b9be", linewidth=1.0)
    _survival_of(axes, groups[place], _look(place))
    if target is not None and target <= 1.02 * end:
        axes.axvline(target, color=INK, linewidth=1.1, linestyle=(0, (1, 1.5)))
    axes.set_ylim(0, 104)
    axes.set_yticks([0, 50, 100] if len(groups) > 1 else [0, 25, 50, 75, 100])
    axes.set_xlim(0, end * 1.03)
    axes.set_ylabel("still whole, %")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    _on_test(axes, groups[place], _look(place), end)


def draw_group(axes: Axes, result: FlexLife, place: int) -> None:
    """One group's survival by itself in axes of any figure, the others faint behind it."""
    draw_strip(axes, result, place)
    _mark_target(axes, result)
    axes.set_xlabel("full bends and back (above: pieces still on test)")
    _mark(axes, result)


def _survival_end(result: FlexLife) -> float:
    """Where the picture of survival ends: the longest test, or a target not far beyond it."""
    end = max(group.curve.end_cycles for group in result.groups)
    target = result.claim.target_cycles
    return end if target is None else max(end, min(target, 3 * end))


def _mark_target(axes: Axes, result: FlexLife) -> None:
    end, target = _survival_end(result), result.claim.target_cycles
    if target is not None and target <= 1.02 * end:
        left = target < 0.6 * end
        axes.annotate(
            "target",
            (target, 6),
            xytext=(4 if left else -4, 0),
            textcoords="offset points",
            ha="left" if left else "right",
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
    if group.ways:
        _ends(axes, group, look)
        return
    axes.plot(
        curve.cycles,
        100 * curve.survival,
        linestyle="none",
        marker=look.marker,
        markersize=5,
        color=look.colour,
    )


def _ends(axes: Axes, group: GroupLife, look: Look) -> None:
    """Failures by the part that gave up, each with its own mark."""
    for way, marker in zip(group.ways, _WAY_MARKS, strict=False):
        failed = way.lives.upper[np.isfinite(way.lives.upper)]
        axes.plot(
            failed,
            [100 * group.curve.at(cycles)[0] for cycles in failed],
            linestyle="none",
            marker=marker,
            markersize=6,
            color=look.colour,
            markeredgecolor="white",
            label=f"{way.words} ({failed.size})",
        )
    axes.legend(loc="upper right", frameon=False, fontsize=8, title="gave up", title_fontsize=8)


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


def _key(axes: Axes, groups: Sequence[GroupLife]) -> None:
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
            label=_name(group) + ("" if _has_line(group) else " (too few failed for a line)"),
        )
    figure = axes.get_figure(root=True)
    assert figure is not None
    if isinstance(figure.get_layout_engine(), ConstrainedLayoutEngine) and len(figure.axes) == 1:
        figure.legend(
            loc="outside lower left", frameon=False, handlelength=3.4, fontsize=9, ncols=2
        )
    else:  # somebody's own figure has no room kept free outside
        axes.legend(loc="lower right", frameon=False, handlelength=3.4, fontsize=9)


def draw_probability(axes: Axes, result: FlexLife) -> FigureFile:
    """Failures and fitted lines of the groups that could be fitted; call inside ``figure_style``."""
    fitted = [(place, group) for place, group in enumerate(result.groups) if group.weibull]
    # More bands than two hide each other; a band round a line that the lives do not follow holds nothing.
    banded = len(fitted) <= 2 and not any(group.model.poor for _, group in fitted)
    for place, group in fitted:
        _line_of(axes, group, _look(place), result.claim, banded)
    z = WEIBULL.percentile(np.array(_SHARES))
    axes.set_yticks(z, [f"{100 * share:g}" for share in _SHARES])
    axes.set_ylim(float(z[0]), float(z[-1]))
    axes.set_xscale("log")
    low, high = axes.get_xlim()
    subs = (1.0, 2.0, 5.0) if high < 300 * low else (1.0,)
    axes.xaxis.set_major_locator(LogLocator(subs=subs))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
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
    _key(axes, result.groups)
    _mark(axes, result)
    return FigureFile(
        "flex-probability",
        "Weibull probability plot of failures with fitted lines. "
        + "; ".join(_line_words(group) for _, group in fitted)
        + ".",
        "Weibull probability plot: failures and fitted lines"
        + (
            f"; pale: {result.claim.coverage * 100:g} % likelihood-ratio interval of each percentile life"
            if banded
            else ""
        )
        + ". A bend in the points means two kinds of failure.",
    )


def _line_words(group: GroupLife) -> str:
    p = group.model.straight
    if p is None or not _has_line(group):
        return f"{_name(group)}: too few failures to judge"
    early = f", {', '.join(group.suspects)} too early" if group.suspects else ""
    chance = "p < 0.001" if p < 0.001 else f"p = {p:.2g}"
    return f"{_name(group)}: {'off' if group.model.poor else 'on'} the line ({chance}){early}"


def _has_line(group: GroupLife) -> bool:
    """Through two or three failures any line goes."""
    return group.model.fit is not None and group.lives.failures >= FEW_FAILURES


def _line_of(axes: Axes, group: GroupLife, look: Look, claim: Claim, banded: bool) -> None:
    if _has_line(group):
        _line(axes, group, look, claim, banded)
    cycles, share = plot_points(group.lives)
    z = WEIBULL.percentile(share)
    axes.plot(
        cycles,
        z,
        linestyle="none",
        marker=look.marker,
        markersize=6,
        color=look.colour,
        markeredgecolor="white",
    )
    if group.suspects and group.model.early is not None:
        _suspects(axes, group, look, cycles, z)


def _line(axes: Axes, group: GroupLife, look: Look, claim: Claim, banded: bool) -> None:
    """The fitted line; thin where the lives do not follow it."""
    fit = group.model.fit
    assert fit is not None
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
    width = 0.8 if group.model.poor else None
    axes.plot(line, z, color=look.colour, linestyle=look.line, linewidth=width)


def _suspects(axes: Axes, group: GroupLife, look: Look, cycles: Floats, z: Floats) -> None:
    """Rings round the failures that came too early, and which they are."""
    failed = sorted(item.broken_cycles for item in group.specimens if item.failed)
    early = cycles <= failed[len(group.suspects) - 1]
    axes.plot(
        cycles[early],
        z[early],
        linestyle="none",
        marker="o",
        markersize=12,
        markerfacecolor="none",
        markeredgecolor=look.colour,
    )
    names = ", ".join(name.split(" (row")[0] for name in group.suspects[:4])
    more = f" and {len(group.suspects) - 4} more" if len(group.suspects) > 4 else ""
    axes.annotate(
        f"too early:\n{names}{more}",
        (float(cycles[early][-1]), float(z[early][-1])),
        xytext=(10, -4),
        textcoords="offset points",
        va="top",
        fontsize=9,
    )
