"""``drawbench flex``: bend joints until they break, and say what a handful of them shows."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from analysis.commands.flex_plan import plan_command
from analysis.commands.flex_wash import wash_command
from analysis.commands.screen import echo_next
from analysis.door.flex import flex_life
from analysis.flex.failure import criteria_words
from analysis.flex.looks import looks_file
from analysis.flex.sources import keep_look
from analysis.flex.table import COLUMNS, flex_table
from analysis.flex.terminal import (
    BEND_RADIUS_MM,
    PERCENT,
    echo_json,
    say,
    target_options,
)
from analysis.flex.verdict import MEANING
from analysis.flex.washing import CAUTION, PROCEDURE, wash_table
from analysis.life.interval import METHODS
from analysis.say.new_file import write_new
from logger.base.command_options import given_again
from logger.base.measures import plain_number, whole_number
from logger.base.typed.suggest import Choice, SuggestingGroup
from logger.commands.flex_log import flex_log
from logger.flex.criterion import BY_KIND, CRITERIA, Criterion

# What only says where to and how much of the answer goes.
_NOT_AGAIN = ("report", "title", "details", "as_json")
_WORDS = "\b\nThe verdicts:\n" + "\n".join(
    f"  {word:17}  {line}" for word, line in (
        ("shown", "the joints prove it, at the stated confidence"),
        ("indicated", "proved only if a named assumption holds"),
        ("not shown", "too few joints, or too many failed, to say"),
        ("shown not to hold", "so many failed that the claim is wrong"),
    )
)  # fmt: skip
assert set(MEANING) == {line.strip().split("  ")[0] for line in _WORDS.split("\n")[2:]}


@click.group("flex", cls=SuggestingGroup, epilog=_WORDS)
def flex() -> None:
    """Bend wire joints until they break or last: plan, record, and say what it shows."""


@flex.command("new", short_help="An empty table to be filled in at the bench.")
@click.argument("table", type=click.Path(path_type=Path, dir_okay=False))
@click.option(
    "--group", "groups", multiple=True, metavar="NAME", help="What is compared; repeat it."
)
@click.option(
    "--specimens",
    type=whole_number("5", 1, 500),
    default=5,
    show_default=True,
    help="Rows per group.",
)
@click.option(
    "--joint", type=Choice(list(BY_KIND)), help="Kind of joint: say what failed means for it."
)
@click.option("--wash", is_flag=True, help="A table for before and after washing instead.")
def new_command(
    table: Path, groups: tuple[str, ...], specimens: int, joint: str | None, wash: bool
) -> None:
    """Make an empty TABLE (CSV) to be filled in at the bench."""
    text = wash_table(specimens) if wash else flex_table(groups or ("",), specimens)
    write_new(table, text)
    click.echo(f"{table}: fill in a row per specimen.")
    if wash:
        for number, step in enumerate(PROCEDURE, 1):
            say(f"{number}. {step}")
        say(f"Caution: {CAUTION}")
        echo_next(("Then", ["flex", "wash", table]))
        return
    for name, meaning in COLUMNS.items():
        say(f"  {name}: {meaning}", indent="      ")
    if joint is not None:
        say(f"Failed means for {joint} joints (usual, no source): {BY_KIND[joint]}.")
    echo_next(("Then", ["flex", "life", table, "--cycles", "4800"]))


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
    type=Choice(METHODS),
    default="calibrated",
    show_default=True,
    help="Likelihood ratio calibrated for small samples, plain likelihood ratio, or Wald.",
)
@click.option(
    "--reference", default="", metavar="GROUP", help="Compare the others with this group."
)
@click.option(
    "--joint",
    type=Choice(list(BY_KIND)),
    help="Of recorded runs: judge by what failed usually means for this kind of joint.",
)
@click.option("--criterion", type=Choice(CRITERIA), help="Of recorded runs: what failed means.")
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
@click.option(
    "--in-a-row", type=whole_number("10"), metavar="N", help="... for so many cycles in a row."
)
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
@click.option(
    "--looked-every",
    type=plain_number("200", least=1.0, most=1e6),
    metavar="N",
    help="Bends between two looks, if the table has the looks only. 1: every life is exact.",
)
@click.option("--details", is_flag=True, help="Every number, note and method.")
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def life_command(
    sources: tuple[Path, ...],
    report: Path | None,
    title: str,
    details: bool,
    as_json: bool,
    **o: Any,
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
        looked_every=o["looked_every"],
    )
    verdicts, used, speed = result.verdicts, result.criterion, result.acceleration
    # A demonstration is no test: simulated joints may be looked at as often as one likes.
    kept = result.simulated or keep_look(sources, result)
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
    from analysis.commands.flex_screen import show_brief, show_details

    if details:
        show_details(result, verdicts, used, speed)
    else:
        show_brief(result, sources, given_again(_NOT_AGAIN), used)
    if not kept:
        say(
            f"! This look could not be kept in {looks_file(sources[0])}: write it down yourself.",
            indent="  ",
        )
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
    if o["joint"] is not None:
        return replace(BY_KIND[o["joint"]], **chosen)
    return Criterion(**chosen) if chosen else None


for _command in (flex_log, plan_command, wash_command):
    flex.add_command(_command)
