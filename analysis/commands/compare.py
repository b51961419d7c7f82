"""``drawbench compare``: runs side by side, before and after, brand against brand."""

import json
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click
from rich.table import Table
from rich.text import Text

from analysis.commands.rundown import asked_again, cutoff_option, hold_option
from analysis.commands.screen import (
    TEXT_WIDTH,
    details_option,
    echo_next,
    echo_warnings,
    echo_warnings_in_short,
)
from analysis.curve.spread import MANY, Spread
from analysis.door.compare import Comparison, compare
from analysis.doubt.quantity import Quantity
from analysis.say.words import plain_text, quantity_words, span_words, value_words
from logger.base.clean_text import clean_console
from logger.base.errors import BenchError, spoken
from logger.base.measures import MILLIAMPERES_ABOVE_0
from logger.base.typed.number import number_text
from logger.run.format import SAMPLES_NAME
from logger.run.run_list import find_runs


@click.command("compare")
@click.argument("run_folders", metavar="RUN_A RUN_B ...", nargs=-1, type=click.Path(path_type=Path))
@cutoff_option
@hold_option
@click.option(
    "--draw",
    "draw_ma",
    type=MILLIAMPERES_ABOVE_0,
    metavar="MA",
    help="How long would it last at this mean draw, by the line through runs at different draws?",
)
@click.option(
    "--plot",
    "plot_stem",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Where to write the overlay picture (.png and .svg). Default: compare beside the first run.",
)
@details_option
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def compare_command(
    run_folders: tuple[Path, ...],
    cutoff_v: float | None,
    hold_s: float | None,
    draw_ma: float | None,
    plot_stem: Path | None,
    details: bool,
    as_json: bool,
) -> None:
    """Is the difference between runs larger than the measurement's doubt?

    A folder of runs stands for all in it. Of six or more: how far they lie apart, the longest, the odd ones.
    """
    given, run_folders = run_folders, _runs_in(run_folders)
    found = compare(run_folders, cutoff_v, hold_s)
    stem = plot_stem or run_folders[0].resolve().parent / "compare"
    if stem.suffix.lower() in (".png", ".svg"):
        stem = stem.with_suffix("")
    drawn = _draw(found, stem)
    if as_json:
        text = json.dumps(
            comparison_json(found, draw_ma), ensure_ascii=False, indent=1, allow_nan=False
        )
        click.echo(text)
        return
    if found.simulated:
        click.echo("SIMULATED: for some run no hardware was there.\n")
    for sentence in found.sentences:
        click.echo(textwrap.fill(sentence, TEXT_WIDTH))
    if draw_ma is not None:
        click.echo(textwrap.fill(_draw_words(found, draw_ma), TEXT_WIDTH))
    if found.spread is not None:
        _show_many(found, found.spread)
    if details or len(found.names) == 2:
        _show_differences(found, whole=details)
    if drawn:
        click.echo("")
    for picture, what in zip(drawn, ("Picture", "Each by itself"), strict=False):
        click.echo(f"{what}: {picture}.png, {picture.name}.svg")
    warnings = [plain_text(warning) for warning in found.warnings]
    if details:
        echo_warnings(warnings)
        echo_next(("Each run by itself", ["rundown", run_folders[0]]))
        return
    echo_warnings_in_short(warnings)
    draw = [] if draw_ma is None else ["--draw", number_text(draw_ma)]
    again: list[str | Path] = ["compare", *_in_short(given), *asked_again(cutoff_v, hold_s), *draw]
    echo_next(("Details", [*again, "--details"]))


def _runs_in(given: Sequence[Path]) -> tuple[Path, ...]:
    """Runs as they were given; in place of a folder of runs all in it."""
    found: list[Path] = []
    for path in given:
        a_run = not path.is_dir() or (path / SAMPLES_NAME).exists()
        found += [path] if a_run else find_runs((path,))
    return tuple(found)


def _in_short(given: Sequence[Path]) -> list[Path]:
    """The folder in place of many runs, where it holds just these."""
    parents = {path.parent for path in given}
    if len(given) >= MANY and len(parents) == 1:
        (parent,) = parents
        if sorted(given) == sorted(_runs_in((parent,))):
            return [parent]
    return list(given)


def _show_many(found: Comparison, spread: Spread) -> None:
    """A row per run, the longest first."""
    console = clean_console()
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("run", no_wrap=True, overflow="ellipsis", max_width=34)
    for heading in ("lasted", "to the middle", "mean draw"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    order = sorted(range(len(spread.names)), key=lambda n: -(spread.lasted[n].value or 0.0))
    for number in order:
        lasted, drew = spread.lasted[number], found.rundowns[number].mean_current
        over = "over " if lasted.at_least else ""
        off = (
            f"{round(100 * ((lasted.value or 0.0) / spread.median_s - 1)) or 0:+d} %".replace(
                "+0 ", "0 "
            )
            if spread.median_s and not lasted.at_least
            else ""
        )
        table.add_row(
            Text(spread.names[number]),
            f"{over}{span_words(lasted.value or 0.0, 60.0)}",
            off,
            "" if drew.value is None else value_words(drew),
            "odd" if number in spread.odd_numbers else "",
        )
    click.echo("")
    console.print(table)


def _show_differences(found: Comparison, *, whole: bool) -> None:
    """A row per result; without ``whole`` those that cannot be compared are only named."""
    for name, part in zip(found.names[1:], found.differences, strict=True):
        click.echo(f"\n{name} against {found.names[0]}:")
        shown = [item for item in part if whole or item.difference.value is not None]
        width = max((len(item.label) for item in shown), default=0)
        for item in shown:
            label = f"  {item.label:{width}}  "
            told = _row(item.first, item.second, item.difference, item.clear)
            for number, line in enumerate(told):
                start = " " * len(label) if number else label
                click.echo(
                    textwrap.fill(
                        line, TEXT_WIDTH, initial_indent=start, subsequent_indent=" " * len(label)
                    )
                )
        missing = [item.label for item in part if item not in shown]
        if missing:
            click.echo(textwrap.fill(f"  not to be compared: {', '.join(missing)}", TEXT_WIDTH))


def _draw_words(found: Comparison, draw_ma: float) -> str:
    runtime = found.runtime_at(draw_ma)
    if runtime.value is None:
        return f"How long it would last at {draw_ma:g} mA cannot be told: it {runtime.note}."
    note = f" ({runtime.note})" if runtime.note else ""
    seconds = [
        None if hours is None else 3600 * hours
        for hours in (runtime.value, runtime.lower, runtime.upper)
    ]
    if seconds[1] is None:
        return (
            f"At {draw_ma:g} mA it would last about {span_words(3600 * runtime.value, 60.0)}{note}."
        )
    lasts = Quantity(seconds[0], "s", seconds[1], seconds[2], runtime.coverage)
    return f"At {draw_ma:g} mA it would last {quantity_words(lasts)}{note}."


def comparison_json(found: Comparison, draw_ma: float | None = None) -> dict[str, Any]:
    """Plain object: per later run its differences to the first; ``draw_ma``: also the runtime at this draw."""
    extra = {} if draw_ma is None else {"runtime_at_draw": found.runtime_at(draw_ma).as_json()}
    return {
        **extra,
        "runs": list(found.names),
        "rundown": {
            name: {
                key: value
                for key, value in result.as_json().items()
                if key not in ("warnings", "simulated")
            }
            for name, result in zip(found.names, found.rundowns, strict=True)
        },
        "differences": {
            name: {
                item.name: {
                    "first": item.first.as_json(),
                    "second": item.second.as_json(),
                    "difference": item.difference.as_json(),
                    "percent": item.percent,
                    "clear": item.clear,
                }
                for item in part
            }
            for name, part in zip(found.names[1:], found.differences, strict=True)
        },
        "rate_exponent": found.rate_exponent.as_json(),
        "simulated": found.simulated,
        "spread": None if found.spread is None else found.spread.as_json(),
        "sentences": list(found.sentences),
        "warnings": list(found.warnings),
    }


def _row(
    first: Quantity, second: Quantity, difference: Quantity, clear: bool | None
) -> tuple[str, ...]:
    """Lines beside the label: both values, then their difference."""
    if difference.value is None:
        return (f"cannot be compared ({difference.note})",)
    verdict = {True: "more than the doubt", False: "within the doubt", None: "doubt not known"}
    return (
        f"{value_words(first)} -> {value_words(second)}: {verdict[clear]}",
        f"difference {quantity_words(difference)}",
    )


def _draw(found: Comparison, stem: Path) -> list[Path]:
    """Make the pictures; their places without the ending, none where a run has no voltage."""
    from analysis.report.overlay_plots import plot_each, plot_overlay

    courses = found.courses()
    if len(courses) != len(found.runs) and (found.spread is None or len(courses) < 2):
        return []
    spread = None if found.spread is None else found.spread.only(found.with_voltage())
    try:
        plot_overlay(
            found.names,
            courses,
            found.cutoff_v,
            [result.cutoff_time.value for result in found.rundowns],
            stem,
            spread=spread,
            simulated=found.simulated,
        )
        if spread is None:
            return [stem]
        each = stem.with_name(f"{stem.name}-each")
        plot_each(courses, found.cutoff_v, spread, each, simulated=found.simulated)
        return [stem, each]
    except OSError as error:
        raise BenchError(
            "The picture cannot be written.",
            evidence=spoken(error),
            next_step="choose another place with --plot.",
        ) from error
