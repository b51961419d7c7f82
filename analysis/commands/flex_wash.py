"""``drawbench flex wash``: what washing did to resistance and draw."""

from pathlib import Path

import click

from analysis.commands.screen import echo_next
from analysis.flex.terminal import echo_json, echo_table, say
from analysis.flex.washing import CAUTION, read_wash_table, wash_change
from analysis.say.table import rows_of
from logger.base.measures import Measure


@click.command("wash", short_help="What did washing do?")
@click.argument("table", type=click.Path(path_type=Path))
@click.option(
    "--coverage",
    type=Measure("%", {"%": 1.0}, "95 or 95%", least=50.0, most=99.9),
    default=95.0,
    show_default=True,
    metavar="%",
)
@click.option(
    "--report",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write a page with a picture into this folder.",
)
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def wash_command(table: Path, coverage: float, report: Path | None, as_json: bool) -> None:
    """What did washing do? TABLE: resistance and draw of each specimen before and after."""
    measured = read_wash_table(table)
    from analysis.flex.section import wash_rows, wash_section, wash_words

    result = wash_change(measured, coverage / 100)
    if report is not None:
        from analysis.flex.report import write_page

        write_page(lambda folder: wash_section(result, folder), report, "", simulated=False)
    if as_json:
        echo_json(
            {
                "resistance_ratio": result.resistance_ratio.as_json(),
                "resistance_change": result.resistance_change.as_json(),
                "current_change": result.current_change.as_json(),
                "broken": list(result.broken),
                "warnings": list(result.warnings),
            }
        )
        return
    for sentence in wash_words(result):
        say(sentence)
    echo_table(rows_of(wash_rows(result)))
    for warning in result.warnings:
        say(f"! {warning}", indent="  ")
    say(f"Caution: {CAUTION}")
    if report is not None:
        click.echo(f"\nOpen in a browser:\n  {report / 'report.html'}")
    echo_next(
        ("How long washed joints live, on a table of their own", ["flex", "new", "washed.csv"])
    )
