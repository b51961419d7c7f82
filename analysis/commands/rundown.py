"""``drawbench rundown``: numbers of one run in the terminal or as JSON."""

import json
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analysis.commands.dry import show_since_wash
from analysis.commands.screen import (
    TEXT_WIDTH,
    details_option,
    echo_caution,
    echo_next,
    echo_warnings,
    echo_warnings_in_short,
)
from analysis.report.digest import Digest, Keeping, description_of, kept_digest
from analysis.report.same_piece import together_at
from analysis.report.told import paragraphs_of
from analysis.run.heat import HOTTEST, heat_caution
from analysis.say.words import quantity_words
from logger.base.command_options import Hold, need_option
from logger.base.durations import HOLD_DEFAULT_S, duration_text
from logger.base.measures import VOLTS
from logger.base.pack import SAFETY_CLOSING, cutoff_to_try
from logger.base.typed.number import number_text
from logger.run.description import Description
from logger.run.own_check import own_check

# Imported where they are needed: what is kept beside a run is shown without them, at once.
if TYPE_CHECKING:
    from analysis.run.rundown import Rundown
    from logger.run.reader import Run

_NO_CUTOFF = (
    "No cutoff was given, and the run was not stopped by one. No time to it was looked for: "
    "add --cutoff with the volts at which the circuit gives up, e.g. --cutoff 3.0."
)


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
@need_option
@details_option
@click.option(
    "--before-wash",
    "before_wash",
    type=click.Path(path_type=Path),
    metavar="RUN-BEFORE",
    help="Is it dry, may the pack go back? The first minute against this run from before the wash.",
)
@click.option("--doubt", is_flag=True, help="Show where the doubt of each result comes from.")
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
def rundown_command(
    run_folder: Path,
    cutoff_v: float | None,
    hold_s: float | None,
    need_s: float | None,
    details: bool,
    before_wash: Path | None,
    doubt: bool,
    as_json: bool,
) -> None:
    """How long did the pack last, what did it give, what did the piece draw?"""
    if before_wash is not None:
        show_since_wash(before_wash, run_folder, as_json=as_json)
        return
    kept = None if doubt or need_s is not None else kept_digest(run_folder, cutoff_v, hold_s)
    result = None
    if kept is not None:
        description = description_of(run_folder)
    else:
        run, result, kept = analysed(run_folder, cutoff_v, hold_s, need_s)
        description = run.description
    warnings = kept.warnings
    has_voltage = kept.number("first_voltage") is not None
    if cutoff_v is None and description.asked.cutoff_v is None and has_voltage:
        warnings = [_NO_CUTOFF, *warnings]
    piece = together_at(run_folder, kept, need_s)
    if as_json:
        document = {**kept.results, "simulated": kept.simulated, "warnings": warnings}
        if piece is not None:
            document["same_piece"] = piece.as_json()
        click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))
        return
    if kept.simulated:
        click.echo("SIMULATED: no hardware was there.\n")
    for text in paragraphs_of(kept, piece):
        click.echo(textwrap.fill(text, TEXT_WIDTH))
    if details or doubt:
        _show_details(kept, warnings, "" if piece is None else kept.covers)
        _show_own(description)
    else:
        echo_warnings_in_short([text for text in warnings if text != _NO_CUTOFF])
    _show_cautions(description, kept, warnings, whole=details or doubt)
    if doubt and result is not None:
        _show_doubt(result)
    if not (details or doubt):
        click.echo("\nEvery number: --details.")
    again = asked_again(cutoff_v, hold_s, need_s)
    if _NO_CUTOFF in warnings:
        cutoff = ["--cutoff", cutoff_to_try(description.pack)]
        echo_next(("With your circuit's cutoff", ["rundown", run_folder, *cutoff, *again]))
    else:
        echo_next(("Report", ["report", run_folder, *again]))


def asked_again(
    cutoff_v: float | None, hold_s: float | None, need_s: float | None = None
) -> list[str]:
    """The same cutoff, hold and need for the next command."""
    asked = [] if cutoff_v is None else ["--cutoff", number_text(cutoff_v)]
    asked += [] if hold_s is None else ["--hold", duration_text(hold_s) if hold_s else "0"]
    return asked if need_s is None else [*asked, "--need", duration_text(need_s)]


def analysed(
    run_folder: Path, cutoff_v: float | None, hold_s: float | None, need_s: float | None = None
) -> "tuple[Run, Rundown, Digest]":
    """The run, read and analysed with the cutoff asked for, else its own; its digest is put beside it."""
    from analysis.door.runs import read_run, rundown
    from analysis.doubt.clock import on_computer_time

    keeping = Keeping(run_folder, cutoff_v, hold_s)
    run = on_computer_time(read_run(run_folder))
    result = rundown(run, cutoff_v, hold_s, need_s=need_s)
    # What another need makes of the run is not what the next one wants to find beside it.
    return run, result, keeping.keep(result, run.description, beside=need_s is None)


def _show_details(kept: Digest, warnings: Sequence[str], covers: str) -> None:
    """What the verdict covers, every result with its interval, every warning whole."""
    if covers:
        click.echo(textwrap.fill(covers, TEXT_WIDTH))
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


def _show_own(description: Description) -> None:
    """How far the sensor's own counters agree; that they do not is among the warnings."""
    own = own_check(description.own)
    if own is not None and own.agrees:
        click.echo()
        click.echo(textwrap.fill(own.text, TEXT_WIDTH))


def _show_cautions(
    description: Description, kept: Digest, warnings: Sequence[str], *, whole: bool
) -> None:
    """Heat on the skin, and the cells, unless a warning that is shown whole has their caution in it."""
    for caution in heat_caution(kept.number("hottest_power") or 0.0, HOTTEST):
        echo_caution("rundown", "", caution, whole=whole)
    pack = description.pack
    if pack is None:
        click.echo()
        click.echo(f"The run does not say which pack it was. {SAFETY_CLOSING}")
    elif not (whole and any(pack.caution in warning for warning in warnings)):
        echo_caution("rundown", str(pack), pack.caution, whole=whole)


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
