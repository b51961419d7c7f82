"""Pictures of a budget: estimate against measurement, which figure was wrong, which pack lasts."""

from pathlib import Path
from typing import Final, Literal, get_args

import numpy as np
from matplotlib.axes import Axes

from analysis.budget.story import BudgetStory
from analysis.budget.suspects import UNLISTED
from analysis.budget.words import hours_words
from analysis.doubt.quantity import Quantity
from analysis.electric.pack_choice import PackAnswer
from analysis.say.figures import (
    CHARGE,
    CURRENT,
    FAINT,
    INK,
    VOLTAGE,
    SizeName,
    figure_style,
    mark_simulated,
    new_figure,
    save_figure,
)
from analysis.say.section import FigureFile
from analysis.say.words import value_words
from logger.base.numbers import digits_text

_ROW_IN: Final = 0.42
_MOST_PACKS: Final = 9
PictureName = Literal["modes", "figures", "packs"]
PICTURES: Final[tuple[PictureName, ...]] = get_args(PictureName)


def draw_budget(
    story: BudgetStory, folder: Path, size: SizeName = "page"
) -> tuple[FigureFile, ...]:
    """Save the pictures that the budget has data for, the one that answers the question first."""
    files = []
    with figure_style():
        for name in PICTURES:
            if name != "packs" and story.comparison is None:
                continue
            figure, axes = new_figure(size)
            figure.set_figheight(picture_height_in(name, story))
            files.append(draw_picture(axes, name, story))
            save_figure(figure, folder / files[-1].stem)
    return tuple(files)


def draw_picture(axes: Axes, name: PictureName, story: BudgetStory) -> FigureFile:
    """Draw one picture, call inside ``figure_style``; ``modes`` and ``figures`` take a story with a run."""
    file = {"modes": _modes, "figures": _figures, "packs": _packs}[name](axes, story)
    if story.simulated:
        mark_simulated(axes, 40)
    return file


def picture_height_in(name: PictureName, story: BudgetStory) -> float:
    """Inches: a row each for what is compared."""
    if name == "modes":
        return 1.3 + 2 * _ROW_IN * len(story.comparison.modes if story.comparison else ())
    if name == "figures":
        return 1.4 + _ROW_IN * 1.5 * len(story.figure_rows())
    return 1.4 + _ROW_IN * max(len(_shown_packs(story)), 1)


def _modes(axes: Axes, story: BudgetStory) -> FigureFile:
    assert story.comparison is not None
    modes = story.comparison.modes
    for row, item in enumerate(modes):
        _span(axes, row - 0.17, item.estimate.current, VOLTAGE.colour, "D", hollow=True)
        _span(axes, row + 0.17, item.measured, CURRENT.colour, "o")
        _beside(
            axes,
            row - 0.17,
            item.estimate.current,
            f"estimated {value_words(item.estimate.current)}",
            VOLTAGE.colour,
        )
        _beside(
            axes,
            row + 0.17,
            item.measured,
            f"measured {value_words(item.measured)}",
            CURRENT.colour,
        )
    _rows(axes, [item.estimate.mode for item in modes])
    axes.set_xlim(0, 1.45 * max(_end(item.measured, item.estimate.current) for item in modes))
    axes.set_xlabel("current out of the pack in mA")
    off = [item.estimate.mode for item in modes if not item.explained]
    axes.set_title(_modes_title(story, off))
    alt = "Estimated and measured current by mode. " + " ".join(
        f"{item.estimate.mode}: {value_words(item.estimate.current)} estimated, {value_words(item.measured)} measured."
        for item in modes
    )
    return FigureFile(
        "budget-modes", alt, "Estimate (hollow) and measurement (filled), bars at 95 %."
    )


def _modes_title(story: BudgetStory, off: list[str]) -> str:
    if off:
        return f"Budget wrong in: {', '.join(off)}"
    return (
        "The budget holds in every mode" if story.all_clear else "Every mode within its tolerances"
    )


def _figures_title(story: BudgetStory) -> str:
    if story.culprits:
        label = story.figure_rows()[story.culprits[0]][0]
        return f"Most likely wrong: {'a part that is not listed' if label == UNLISTED else label}"
    return "No figure has to be wrong" + ("" if story.all_clear else ", but not shown to hold")


def _figures(axes: Axes, story: BudgetStory) -> FigureFile:
    rows = story.figure_rows()
    widest = 0.0
    for row, (_, before, after) in enumerate(rows):
        assert before.value is not None
        if before.value <= 0:
            axes.annotate(
                f"{value_words(after)}, not in the budget", (0, row), xytext=(6, 0),
                textcoords="offset points", va="center", fontsize=9.5, color=INK,
                fontweight="bold" if row in story.culprits else "normal",
            )  # fmt: skip
            continue
        shares = [_share(quantity, before.value) for quantity in (before, after)]
        for offset, share, look, hatch in zip(
            (-0.17, 0.17), shares, (VOLTAGE, CURRENT), ("////", ""), strict=True
        ):
            value, low, high = share
            axes.barh(
                row + offset,
                value,
                height=0.32,
                color=look.band,
                edgecolor=look.colour,
                hatch=hatch,
            )
            axes.plot([low, high], [row + offset] * 2, color=look.colour, linewidth=1.6)
            widest = max(widest, high)
        culprit = row in story.culprits
        text = f"{digits_text(before.value, 3)} → {value_words(after)}"
        axes.annotate(
            text, (shares[1][2], row + 0.17), xytext=(6, 0), textcoords="offset points", va="center",
            fontsize=9.5, color=INK, fontweight="bold" if culprit else "normal",
        )  # fmt: skip
    axes.axvline(100, color=FAINT, linestyle=":", linewidth=1.2)
    _rows(axes, [label for label, _, _ in rows])
    axes.set_xlim(0, 1.6 * widest)
    axes.set_xlabel("% of the figure in the budget")
    axes.set_title(_figures_title(story))
    alt = "Every figure of the budget before and after the run. " + " ".join(
        f"{label}: {digits_text(before.value or 0.0, 3)} {before.unit} before, {value_words(after)} after."
        for label, before, after in rows
    )
    caption = "Figures before (hatched) and after the run (plain), lines at 90 %. Bold: most likely wrong."
    return FigureFile("budget-figures", alt, caption)


def _shown_packs(story: BudgetStory) -> list[PackAnswer]:
    return [answer for answer in story.packs if answer.runtime.value is not None][:_MOST_PACKS]


def _packs(axes: Axes, story: BudgetStory) -> FigureFile:
    shown = _shown_packs(story)
    for row, answer in enumerate(shown):
        colour = CHARGE.colour if answer.serves else FAINT
        _span(axes, row, answer.runtime, colour, "o", hollow=not answer.serves)
        _beside(axes, row, answer.runtime, hours_words(answer.runtime), colour)
    _rows(
        axes, [answer.name + (" (yours)" if answer is story.packs[0] else "") for answer in shown]
    )
    hours = sum(mode.hours for mode in story.budget.modes)
    if hours:
        axes.axvline(hours, color=INK, linestyle="--", linewidth=1.2)
        axes.annotate(
            f"asked for: {hours:g} h", (hours, 1), xycoords=("data", "axes fraction"), xytext=(3, 2),
            textcoords="offset points", fontsize=9.5, va="bottom",
        )  # fmt: skip
    axes.set_xlim(0, 1.25 * max((_end(answer.runtime) for answer in shown), default=1.0))
    axes.set_xlabel("hours to the cutoff")
    axes.set_title(f"{story.packs[0].name}: {_hours_title(story)}", pad=22)
    alt = "Runtime of packs at this draw. " + " ".join(
        f"{answer.name}: {value_words(answer.runtime)}." for answer in shown
    )
    return FigureFile(
        "budget-packs",
        alt,
        "Typical cells, bars at 90 %. Filled: lasts as long as asked for; hollow: does not, or may not.",
    )


def _hours_title(story: BudgetStory) -> str:
    runtime = story.packs[0].runtime
    return "cannot run it" if runtime.value is None else f"about {value_words(runtime)}"


def _rows(axes: Axes, labels: list[str]) -> None:
    axes.set_yticks(np.arange(len(labels)), labels)
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.grid(axis="y", visible=False)
    axes.tick_params(axis="y", length=0)


def _span(
    axes: Axes, row: float, quantity: Quantity, colour: str, marker: str, hollow: bool = False
) -> None:
    if quantity.value is None:
        return
    low = quantity.value if quantity.lower is None else quantity.lower
    high = quantity.value if quantity.upper is None else quantity.upper
    axes.plot([low, high], [row, row], color=colour, linewidth=3, alpha=0.5, solid_capstyle="butt")
    axes.plot(
        [quantity.value], [row], marker, color=colour, markersize=7,
        markerfacecolor="white" if hollow else colour,
    )  # fmt: skip


def _beside(axes: Axes, row: float, quantity: Quantity, text: str, colour: str) -> None:
    axes.annotate(
        text, (_end(quantity), row), xytext=(8, 0), textcoords="offset points", va="center",
        fontsize=9.5, color=colour, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
    )  # fmt: skip


def _end(*quantities: Quantity) -> float:
    ends = [end for item in quantities for end in (item.value, item.upper) if end is not None]
    return max(ends, default=0.0)


def _share(quantity: Quantity, whole: float) -> tuple[float, float, float]:
    value = 100 * (quantity.value or 0.0) / whole
    low = value if quantity.lower is None else 100 * quantity.lower / whole
    high = value if quantity.upper is None else 100 * quantity.upper / whole
    return value, max(low, 0.0), high
