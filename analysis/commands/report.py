"""``drawbench report``: the page, the Markdown and the pictures of one run or of many."""

import os
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from analysis.commands.makers import (
    REPORT,
    Asked,
    Job,
    Made,
    kept_report,
    make_report,
    refuse_parts,
)
from analysis.commands.opening import open_file, open_option
from analysis.commands.rundown import asked_again, cutoff_option, hold_option
from analysis.commands.screen import TEXT_WIDTH, echo_next, echo_warnings_in_short
from analysis.commands.several import (
    make_all,
    meant_runs,
    named_again,
    refuse_unlike,
    refuse_unmade,
    runs_argument,
    single_run,
    tell_all,
)
from analysis.say.many import Done
from logger.base.command_options import need_option
from logger.base.errors import BenchError
from logger.base.measures import count_of_bends


@click.command("report")
@runs_argument
@cutoff_option
@hold_option
@click.option(
    "--out",
    "out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Where to write it. Default: the folder report inside RUN; of several runs: a folder for each.",
)
@click.option(
    "--budget",
    "budget_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Compare with this budget file (drawbench budget new) in the report.",
)
@need_option
@click.option(
    "--flex",
    "flex_sources",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="SOURCE",
    help="Add this flex test of the piece's joints: a table or a recorded run; repeat it.",
)
@click.option(
    "--flex-cycles",
    type=count_of_bends(1, 1e9),
    metavar="N",
    help="Bends that the joints have to survive.",
)
@click.option(
    "--overview",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Of several runs: each one's sheet, too, and the page of all of them into FOLDER.",
)
@open_option
def report_command(
    paths: tuple[Path, ...],
    cutoff_v: float | None,
    hold_s: float | None,
    need_s: float | None,
    out: Path | None,
    budget_file: Path | None,
    flex_sources: tuple[Path, ...],
    flex_cycles: float | None,
    overview: Path | None,
    open_it: bool,
) -> None:
    """A page to open, Markdown to paste, the pictures; RUN: a run, several, or a folder of runs."""
    asked = Asked(cutoff_v, hold_s, need_s, budget_file, flex_sources, flex_cycles)
    run = None if overview is not None else single_run(paths)
    if run is None:
        _several(paths, out, asked, overview, open_it=open_it)
        return
    job = Job(run, out, asked)
    made = kept_report(job) or make_report(job)
    _tell(made, job)
    if open_it:
        open_file(made.named(REPORT.page))


def _tell(made: Made, job: Job) -> None:
    asked = job.asked
    if made.digest.simulated:
        click.echo("SIMULATED: no hardware was there.")
    for text in made.told:
        click.echo(textwrap.fill(text, TEXT_WIDTH))
    echo_warnings_in_short(made.digest.warnings)
    if not made.fresh:
        click.echo("\nNothing changed since this report was made; it is left as it is.")
    click.echo("\nOpen in a browser:")
    click.echo(f"  {_here(made.named('report.html'))}")
    click.echo("Paste into a write-up, with the pictures beside it:")
    click.echo(f"  {_here(made.named('report.md'))}")
    again = asked_again(asked.cutoff_v, asked.hold_s, asked.need_s)
    echo_next(("One page to print", ["sheet", job.run_folder, *again]))


def _several(
    paths: Sequence[Path], out: Path | None, asked: Asked, overview: Path | None, *, open_it: bool
) -> None:
    """All of them, and the page of all where that was asked for."""
    if open_it and overview is None:
        raise BenchError(
            "--open opens one page, and several runs have one each.",
            next_step="add --overview FOLDER: the page of all of them is opened.",
        )
    if overview is not None and out is not None:
        raise BenchError(
            "--overview links to the reports inside the runs.",
            evidence=f"--out {out}",
            next_step="leave --out or --overview out.",
        )
    meant = meant_runs(paths)
    if asked.budget_file is not None:
        refuse_unlike(meant.runs, "--budget")
    if asked.flex_sources:
        refuse_unlike(meant.runs, "--flex")
    refuse_parts(asked)
    asked = replace(asked, with_sheet=overview is not None)
    done = make_all(REPORT, meant, out, asked)
    tell_all(REPORT, meant, done)  # first: the page may find no room
    page = None if overview is None or not meant.runs else _overview(meant.runs, overview, asked)
    again = asked_again(asked.cutoff_v, asked.hold_s, asked.need_s)
    runs = named_again(paths, meant.runs)
    if page is not None:
        click.echo(f"\nOpen in a browser, all of them with links:\n  {_here(page)}")
        click.echo(f"A page of each piece, to print:\n  {_here(page.with_name('hand-outs.html'))}")
        echo_next(("One to look at", ["rundown", _to_look_at(done), *again]))
    elif any(item.result is not None for item in done):
        where = "its run's folder report" if out is None else f"a folder of its own in {out}"
        click.echo(f"\nOpen in a browser: report.html, each in {where}.")
        step: list[str | Path] = ["report", *runs, "--overview", Path("overview"), *again]
        echo_next(("The page of all of them, with their sheets", step))
    if page is not None and open_it:
        open_file(page)
    refuse_unmade(REPORT, meant, done)


def _overview(runs: Sequence[Path], folder: Path, asked: Asked) -> Path:
    """The page of all runs; each was read a moment ago, and its digest answers."""
    from analysis.report.overview import write_overview
    from analysis.report.pieces import pieces_of
    from analysis.report.run_table import read_lines

    lines = read_lines(runs, asked.cutoff_v, asked.hold_s, need_s=asked.need_s)
    files = write_overview(lines, folder, pieces_of(lines))
    return next(file for file in files if file.name == "overview.html")


def _to_look_at(done: Sequence[Done[Job, Made]]) -> Path:
    """The first that was made: they stand in order of trouble."""
    made = [item for item in done if item.result is not None] or list(done)
    return made[0].thing.run_folder


def _here(path: Path) -> str:
    """Path as seen from where the user stands; whole where there is no way from there."""
    try:
        return os.path.relpath(path)
    except ValueError:  # another drive
        return str(path)
