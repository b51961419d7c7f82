"""``drawbench flex``: bend joints until they break, and say what a handful of them shows."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from analysis.commands.flex_plan import plan_command
from analysis.commands.flex_wash import wash_command
from analysis.door.flex import FlexLife, flex_life
from analysis.flex.bend import Acceleration
from analysis.flex.failure import SIMULATED_NOTE, Verdict, criteria_words
from analysis.flex.terminal import (
    BEND_RADIUS_MM,
    PERCENT,
    echo_json,
    echo_table,
    say,
    target_options,
)
from analysis.flex.washing import CAUTION, PROCEDURE, wash_table
from analysis.flex.words import (
    answers,
    method_words,
    result_rows,
)
from analysis.life.data import COLUMNS, flex_table
from analysis.life.interval import METHODS
from analysis.say.new_file import write_new
from analysis.say.table import rows_of
from logger.base.measures import plain_number
from logger.commands.flex_log import flex_log
from logger.flex.criterion import CRITERIA, Criterion

TEXT_WIDTH: Final = 79
_F = TypeVar("_F", bound=Callable[..., Any])


@click.group("flex")
def flex() -> None:
    """Bend wire joints until they break or last: plan, record, and say what it shows."""


@flex.command("new", short_help="An empty table to be filled in at the bench.")
@click.argument("table", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--group", "groups", multiple=True, metavar="NAME", help="What is compared; repeat it."
)
@click.option(
    "--specimens", type=click.IntRange(1, 500), default=5, show_default=True, help="Rows per group."
)
@click.option("--wash", is_flag=True, help="A table for before and after washing instead.")
def new_command(table: Path, groups: tuple[str, ...], specimens: int, wash: bool) -> None:
    """Make an empty TABLE (CSV) to be filled in at the bench."""
    text = wash_table(specimens) if wash else flex_table(groups or ("",), specimens)
    write_new(table, text)
    click.echo(f"{table}: fill in a row per specimen.")
    if wash:
        for number, step in enumerate(PROCEDURE, 1):
            say(f"{number}. {step}")
        say(f"Caution: {CAUTION}")
        click.echo(f"\nThen: drawbench flex wash {table}")
        return
    for name, meaning in COLUMNS.items():
        say(f"  {name}: {meaning}", indent="      ")
    click.echo(f"\nThen: drawbench flex life {table} --cycles 4800")


@flex.command("life", short_help="How long do the joints live, is the claim shown?")
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@target_options
@click.option(
    "--coverage",
    type=PERCENT,
    default=90.0,
    show_default=True,
    metavar="%",
    help="Of two-sided intervals.",
)
@click.option(
    "--interval",
    "method",
    type=click.Choice(METHODS),
    default="calibrated",
    show_default=True,
    help="Likelihood ratio calibrated for small samples, plain likelihood ratio, or Wald.",
)
@click.option(
    "--reference", default="", metavar="GROUP", help="Compare the others with this group."
)
@click.option(
    "--criterion", type=click.Choice(CRITERIA), help="Of recorded runs: what failed means."
)
@click.option(
    "--open-ms",
    type=plain_number("10"),
    metavar="MS",
    help="Least interruption that counts.",
)
@click.option(
    "--factor",
    type=plain_number("2"),
    metavar="X",
    help="Resistance over the joint's own first value.",
)
@click.option("--in-a-row", type=int, metavar="N", help="... for so many cycles in a row.")
@click.option(
    "--wire",
    metavar="WIRE",
    help='For bends at another radius: "24 stranded", or mm of one strand.',
)
@click.option(
    "--bench-radius", type=BEND_RADIUS_MM, metavar="MM", help="Inner bend radius on the bench."
)
@click.option("--worn-radius", type=BEND_RADIUS_MM, metavar="MM", help="Inner bend radius as worn.")
@click.option(
    "--exponent",
    type=plain_number("2", least=0.1, most=20.0),
    metavar="X",
    help="Of life against strain: an assumption. Left out with two radii in the table: fitted.",
)
@click.option(
    "--report",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write a page with pictures into this folder.",
)
@click.option("--title", default="", help="Of that page.")
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def life_command(
    sources: tuple[Path, ...], report: Path | None, title: str, as_json: bool, **o: Any
) -> None:
    """How long do the joints live, and is the claim shown? SOURCES: hand-test tables and recorded runs."""
    criterion = _criterion(o)
    result = flex_life(
        sources,
        cycles=o["cycles"],
        wearings=o["wearings"],
        at=o["place"],
        per_wearing=o["per_wearing"],
        reliability=o["reliability"] / 100,
        confidence=o["confidence"] / 100,
        coverage=o["coverage"] / 100,
        interval=o["method"],
        shape=o["shape"],
        reference=o["reference"],
        criterion=criterion,
        wire=o["wire"],
        bench_radius_mm=o["bench_radius"],
        worn_radius_mm=o["worn_radius"],
        exponent=o["exponent"],
    )
    verdicts, used, speed = result.verdicts, result.criterion, result.acceleration
    if report is not None:
        from analysis.flex.report import write_page
        from analysis.flex.section import flex_section

        files = write_page(
            lambda folder: flex_section(result, folder, verdicts, used, speed),
            report,
            title,
            simulated=result.simulated,
            items=tuple(criteria_words(verdict) for verdict in verdicts),
        )
    if as_json:
        from analysis.flex.section import flex_json

        echo_json(flex_json(result, verdicts, speed))
        return
    _show_life(result, verdicts, used, speed)
    if report is not None:
        page = next(file for file in files if file.name == "report.html")
        click.echo(f"\nOpen in a browser:\n  {page}")


def _criterion(o: dict[str, Any]) -> Criterion | None:
    given = {
        "name": o["criterion"],
        "open_s": None if o["open_ms"] is None else o["open_ms"] / 1000,
        "resistance_factor": o["factor"],
        "cycles_in_a_row": o["in_a_row"],
    }
    chosen = {key: value for key, value in given.items() if value is not None}
    return Criterion(**chosen) if chosen else None


def _show_life(
    result: FlexLife,
    verdicts: Sequence[Verdict],
    used: Criterion | None,
    speed: Acceleration | None,
) -> None:
    from analysis.flex.section import RIG_CAUTION, acceleration_words, all_warnings, fit_words

    if SIMULATED_NOTE in result.warnings:
        say(SIMULATED_NOTE)
        click.echo()
    for sentence in answers(result):
        say(sentence)
        click.echo()
    if used is not None:
        say(f"Failed means: {used}. First cycle by each criterion:")
        _criteria_table(verdicts)
        click.echo()
    if speed is not None:
        say(acceleration_words(speed))
        click.echo()
    for group in result.groups:
        failures = int(group.lives.failures)
        click.echo(f"{group.name or 'All specimens'}: {failures} of {len(group.specimens)} failed")
        echo_table(rows_of(result_rows(group, result.claim)))
        for line in fit_words(group):
            say(line, indent="  ")
        click.echo()
    for warning in all_warnings(result):
        if warning == SIMULATED_NOTE:
            continue
        say(f"! {warning}", indent="  ")
        click.echo()
    say(method_words(result.claim))
    click.echo()
    say(f"Caution: {RIG_CAUTION}")


def _criteria_table(verdicts: Sequence[Verdict]) -> None:
    width = max(8, *(len(verdict.specimen) for verdict in verdicts))
    click.echo(f"  {'':{width}}" + "".join(f"{name:>12}" for name in (*CRITERIA, "healed")))
    for verdict in verdicts:
        cells = ["-" if c is None else f"{c:,}" for c in verdict.first_cycle.values()]
        cells.append(f"{len(verdict.healed):,}")
        click.echo(f"  {verdict.specimen:{width}}" + "".join(f"{cell:>12}" for cell in cells))
    click.echo("  healed: interrupted cycles after which the joint conducted again")


for _command in (flex_log, plan_command, wash_command):
    flex.add_command(_command)
