"""``drawbench sheet`` and ``drawbench pictures``: what goes into documentation besides the report, of one run or of many."""

import textwrap
from pathlib import Path
from typing import Final

import click

from analysis.commands.makers import (
    PICTURES,
    SHEET,
    Asked,
    Job,
    kept_pictures,
    kept_sheet,
    make_pictures,
    make_sheet,
)
from analysis.commands.opening import open_file, open_option
from analysis.commands.rundown import asked_again, cutoff_option, hold_option
from analysis.commands.screen import TEXT_WIDTH, echo_next
from analysis.commands.several import (
    make_and_tell,
    named_again,
    refuse_unmade,
    runs_argument,
    single_run,
)
from analysis.say.figures import SIZES
from logger.base.command_options import need_option
from logger.base.typed.suggest import Choice

FORMATS: Final = ("png", "svg", "pdf")
out_option = click.option(
    "--out",
    "out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Where to write [default: a folder of its own inside RUN]; of several runs: a folder for each.",
)


@click.command("sheet")
@runs_argument
@cutoff_option
@hold_option
@need_option
@out_option
@open_option
def sheet_command(
    paths: tuple[Path, ...],
    cutoff_v: float | None,
    hold_s: float | None,
    need_s: float | None,
    out: Path | None,
    open_it: bool,
) -> None:
    """One page to print (PDF): wiring, pack, conditions, results, doubt and cautions; RUN: a run, several, or a folder of runs."""
    asked, again = Asked(cutoff_v, hold_s, need_s), asked_again(cutoff_v, hold_s, need_s)
    run = single_run(paths)
    if run is None:
        meant, done = make_and_tell(SHEET, paths, out, asked, open_it=open_it)
        where = f"a folder of its own in {out}" if out else "its run's folder sheet"
        click.echo(f"\nPrint: run-sheet.pdf, each in {where}.")
        step: list[str | Path] = ["report", *named_again(paths, meant.runs)]
        step += ["--overview", Path("overview"), *again]
        echo_next(("The page of all of them, with their reports", step))
        refuse_unmade(SHEET, meant, done)
        return
    job = Job(run, out, asked)
    made = kept_sheet(job) or make_sheet(job)
    for text in made.told:
        click.echo(textwrap.fill(text, TEXT_WIDTH))
    click.echo(f"\nPrint: {made.named(SHEET.page)}")
    echo_next(("A page to open", ["report", run, *again]))
    if open_it:
        open_file(made.named(SHEET.page))


@click.command("pictures")
@runs_argument
@click.option("--size", type=Choice(list(SIZES)), default="page", show_default=True)
@click.option(
    "--format", "formats", multiple=True, type=Choice(FORMATS), help="[default: all three]"
)
@cutoff_option
@hold_option
@out_option
@open_option
def pictures_command(
    paths: tuple[Path, ...],
    size: str,
    formats: tuple[str, ...],
    cutoff_v: float | None,
    hold_s: float | None,
    out: Path | None,
    open_it: bool,
) -> None:
    """The run's pictures in the size of a page, a slide or a phone; PNG, SVG, PDF; RUN: a run, several, or a folder of runs."""
    asked = Asked(cutoff_v, hold_s, size=size, formats=formats or FORMATS)
    again = asked_again(cutoff_v, hold_s)
    run = single_run(paths)
    if run is None:
        meant, done = make_and_tell(PICTURES, paths, out, asked, open_it=open_it)
        where = f"a folder of its own in {out}" if out else f"its run's folder pictures-{size}"
        click.echo(f"\nEach run's are in {where}.")
        runs = named_again(paths, meant.runs)
        echo_next(("A page for each with all of them", ["report", *runs, *again]))
        refuse_unmade(PICTURES, meant, done)
        return
    job = Job(run, out, asked)
    made = kept_pictures(job) or make_pictures(job)
    for file in made.files:
        click.echo(str(file))
    if made.numbers:
        click.echo("\nNumbers above the pictures:")
        for text in made.numbers:
            click.echo(f"  {text}")
    echo_next(("A page with all of them", ["report", run, *again]))
    if open_it:
        open_file(made.named(PICTURES.page))
