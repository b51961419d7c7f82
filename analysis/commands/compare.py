"""``drawbench compare``: runs side by side, before and after, brand against brand."""

import json
import textwrap
from pathlib import Path
from typing import Any

import click

from analysis.commands.rundown import asked_again, cutoff_option, hold_option
from analysis.commands.screen import (
    TEXT_WIDTH,
    details_option,
    echo_next,
    echo_warnings,
    echo_warnings_in_short,
)
from analysis.door.compare import Comparison, compare
from analysis.doubt.quantity import Quantity
from analysis.say.words import plain_text, quantity_words, span_words, value_words
from logger.base.errors import BenchError, spoken
from logger.base.measures import MILLIAMPERES_ABOVE_0
from logger.base.typed.number import number_text


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
    """Is the difference between runs larger than the measurement's doubt?"""
    found = compare(run_folders, cutoff_v, hold_s)
    stem = plot_stem or run_folders[0].resolve().parent / "compare"
    if stem.suffix.lower() in (".png", ".svg"):
        stem = stem.with_suffix("")
    _draw(found, stem)
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
    if details or len(found.names) == 2:
        _show_differences(found, whole=details)
    click.echo(f"\nPicture: {stem}.png, {stem.name}.svg")
    warnings = [plain_text(warning) for warning in found.warnings]
    if details:
        echo_warnings(warnings)
        echo_next(("Each run by itself", ["rundown", run_folders[0]]))
        return
    echo_warnings_in_short(warnings)
    draw = [] if draw_ma is None else ["--draw", number_text(draw_ma)]
    again: list[str | Path] = ["compare", *run_folders, *asked_again(cutoff_v, hold_s), *draw]
    echo_next(("Details", [*again, "--details"]))


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


def _draw(found: Comparison, stem: Path) -> None:
    from analysis.report.discharge_plots import plot_overlay

    courses = found.courses()
    if len(courses) != len(found.runs):
        return
    try:
        plot_overlay(
            found.names,
            courses,
            found.cutoff_v,
            [result.cutoff_time.value for result in found.rundowns],
            stem,
            simulated=found.simulated,
        )
    except OSError as error:
        raise BenchError(
            "The picture cannot be written.",
            evidence=spoken(error),
            next_step="choose another place with --plot.",
        ) from error
