"""``drawbench rundown``: numbers of one run in the terminal or as JSON."""

import json
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from analysis.report.digest import Digest, Keeping, description_of, kept_digest
from analysis.run.heat import heat_caution, mean_power_w
from analysis.say.words import plain_text, quantity_words
from logger.base.durations import HOLD_DEFAULT_S, parse_duration_s
from logger.base.measures import VOLTS
from logger.base.pack import SAFETY_CLOSING
from logger.run.description import Description

# Imported where they are needed: what is kept beside a run is shown without them, at once.
if TYPE_CHECKING:
    from analysis.run.rundown import Rundown
    from logger.run.reader import Run

TEXT_WIDTH = 79
_NO_CUTOFF = (
    "No cutoff was given, and the run was not stopped by one: no time to it was looked for. "
    "Add --cutoff with the volts at which the circuit gives up, e.g. --cutoff 3.0."
)


class Hold(click.ParamType[float]):
    """A length of time as ``log --hold`` takes it, or a bare number of seconds; 0 is the first touch."""

    name = "TIME"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        try:
            return float(value)
        except ValueError:
            pass
        try:
            return parse_duration_s(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


cutoff_option = click.option(
    "--cutoff",
    "cutoff_v",
    type=VOLTS,
    metavar="V",
    help="Voltage of the whole pack at which the circuit gives up. Default: the one the run was stopped by.",
)
hold_option = click.option(
    "--hold",
    "hold_s",
    type=Hold(),
    help=f"How long the voltage must stay there, e.g. 10s; 0: the first touch counts. Default: the run's own, else {HOLD_DEFAULT_S:g}s.",
)


@click.command("rundown")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@cutoff_option
@hold_option
@click.option("--doubt", is_flag=True, help="Show where the doubt of each result comes from.")
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def rundown_command(
    run_folder: Path, cutoff_v: float | None, hold_s: float | None, doubt: bool, as_json: bool
) -> None:
    """How long did the pack last, what did it give, what did the piece draw?"""
    kept = None if doubt else kept_digest(run_folder, cutoff_v, hold_s)
    result = None
    if kept is not None:
        description = description_of(run_folder)
    else:
        run, result, kept = analysed(run_folder, cutoff_v, hold_s)
        description = run.description
    warnings = kept.warnings
    has_voltage = kept.number("first_voltage") is not None
    if cutoff_v is None and description.stop.cutoff_v is None and has_voltage:
        warnings = [_NO_CUTOFF, *warnings]
    if as_json:
        document = {**kept.results, "simulated": kept.simulated, "warnings": warnings}
        click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))
        return
    _show(description, kept, warnings)
    if doubt and result is not None:
        _show_doubt(result)


def analysed(
    run_folder: Path, cutoff_v: float | None, hold_s: float | None
) -> "tuple[Run, Rundown, Digest]":
    """The run, read and analysed with the cutoff asked for, else its own; its digest is put beside it."""
    from analysis.door.runs import read_run, rundown

    keeping = Keeping(run_folder, cutoff_v, hold_s)
    run = read_run(run_folder)
    result = rundown(run, cutoff_v, hold_s)
    return run, result, keeping.keep(result)


def _show(description: Description, kept: Digest, warnings: Sequence[str]) -> None:
    if kept.simulated:
        click.echo("SIMULATED: a simulated board recorded this run; no hardware was there.\n")
    click.echo(textwrap.fill(kept.answer, TEXT_WIDTH))
    click.echo()
    label_width = max(len(label) for label, _, _ in kept.rows)
    value_width = max(len(value) for _, value, _ in kept.rows)
    if kept.interval:
        click.echo(f"{'':{label_width}}  {'':{value_width}}  {kept.interval}")
    for label, value, interval in kept.rows:
        click.echo(f"{label:{label_width}}  {value:>{value_width}}  {interval}".rstrip())
    duration = kept.results["duration"]
    if duration["lower"] is None:
        click.echo()
        click.echo(textwrap.fill(duration.get("note", ""), TEXT_WIDTH))
    echo_warnings(warnings)
    for caution in heat_caution(mean_power_w(kept.number("energy"), kept.number("duration"))):
        click.echo()
        click.echo(textwrap.fill(f"Caution: {caution}", TEXT_WIDTH))
    pack = description.pack
    if pack is not None and not any(pack.caution in warning for warning in warnings):
        click.echo()
        click.echo(textwrap.fill(f"Caution, {plain_text(str(pack))}: {pack.caution}", TEXT_WIDTH))
    elif pack is None:
        click.echo()
        click.echo(f"The run does not say which pack it was. {SAFETY_CLOSING}")


def _show_doubt(result: "Rundown") -> None:
    """Uncertainty budgets and the probe's own effect as tables."""
    from analysis.run.doubt_table import KINDS_WORDS

    if result.probe is not None:
        click.echo("\nWhat the probe itself did:")
        for _, label, quantity in result.probe.named():
            click.echo(textwrap.fill(f"{label}: {quantity_words(quantity)}", TEXT_WIDTH, initial_indent="  ", subsequent_indent="    "))  # fmt: skip
    if not result.doubts:
        return
    click.echo()
    click.echo(textwrap.fill(KINDS_WORDS, TEXT_WIDTH))
    for table in result.doubts:
        if len(table.components) < 2:
            continue
        rows = table.rows()
        click.echo()
        click.echo(textwrap.fill(table.caption(), TEXT_WIDTH))
        widths = [max(len(row[column]) for row in rows) for column in range(4)]
        for source, kind, size, share in rows:
            click.echo(
                f"  {source:{widths[0]}}  {kind:{widths[1]}}  {size:>{widths[2]}}  {share:>{widths[3]}}"
            )


def echo_warnings(warnings: Sequence[str]) -> None:
    """Each warning as a paragraph of its own."""
    for warning in warnings:
        click.echo()
        click.echo(textwrap.fill(f"! {warning}", TEXT_WIDTH, subsequent_indent="  "))
