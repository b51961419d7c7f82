"""``drawbench report``: the page, the Markdown and the pictures of one run."""

import os
import textwrap
from pathlib import Path

import click

from analysis.answer import answer
from analysis.budget_file import read_budget
from analysis.budget_section import budget_section
from analysis.budget_story import tell_budget
from analysis.commands_rundown import (
    TEXT_WIDTH,
    cutoff_of,
    cutoff_option,
    echo_warnings,
    hold_option,
)
from analysis.report import SectionMaker, write_report
from analysis.rundown import rundown
from logger.run_reader import Run, read_run


@click.command("report")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@cutoff_option
@hold_option
@click.option(
    "--out",
    "out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Where to write it. Default: the folder report inside RUN.",
)
@click.option(
    "--budget",
    "budget_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Compare with this budget file (drawbench budget new) in the report.",
)
def report_command(
    run_folder: Path,
    cutoff_v: float | None,
    hold_s: float | None,
    out: Path | None,
    budget_file: Path | None,
) -> None:
    """A page to open, Markdown to paste, and the pictures."""
    run = read_run(run_folder)
    cutoff_v, hold_s = cutoff_of(run, cutoff_v, hold_s)
    result = rundown(run, cutoff_v, hold_s)
    folder = out if out is not None else run.folder / "report"
    sections = [] if budget_file is None else [budget_part(budget_file, run)]
    files = write_report(run, result, folder, sections)
    if result.simulated:
        click.echo("SIMULATED: no hardware was there.")
    click.echo(textwrap.fill(answer(result), TEXT_WIDTH))
    echo_warnings(result)
    click.echo("\nOpen in a browser:")
    click.echo(f"  {_here(files, 'report.html')}")
    click.echo("Paste into a write-up, with the pictures beside it:")
    click.echo(f"  {_here(files, 'report.md')}")


def budget_part(budget_file: Path, run: Run) -> SectionMaker:
    """The section that compares a run with a budget file."""
    story = tell_budget(read_budget(budget_file), run)
    return lambda folder: budget_section(story, folder)


def _here(files: tuple[Path, ...], name: str) -> str:
    """Path as seen from where the user stands; whole where there is no way from there."""
    path = next(file for file in files if file.name == name)
    try:
        return os.path.relpath(path)
    except ValueError:  # another drive
        return str(path)
