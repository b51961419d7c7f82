"""``drawbench report``: the page, the Markdown and the pictures of one run."""

import os
import textwrap
from pathlib import Path

import click

from analysis.commands.rundown import analysed, asked_again, cutoff_option, hold_option
from analysis.commands.screen import TEXT_WIDTH, echo_next, echo_warnings_in_short
from analysis.report.digest import inputs_of, kept_digest
from analysis.report.same_piece import made_from, together_at
from analysis.report.told import paragraphs_of
from analysis.run.asked import cutoff_of
from analysis.say.publish import unchanged
from logger.base.command_options import need_option
from logger.base.errors import BenchError
from logger.base.measures import whole_number


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
    type=whole_number("4800", 1, 1e9),
    metavar="N",
    help="Bends that the joints have to survive.",
)
def report_command(
    run_folder: Path,
    cutoff_v: float | None,
    hold_s: float | None,
    need_s: float | None,
    out: Path | None,
    budget_file: Path | None,
    flex_sources: tuple[Path, ...],
    flex_cycles: float | None,
) -> None:
    """A page to open, Markdown to paste, and the pictures."""
    source = None
    if not flex_sources and flex_cycles is None and need_s is None:  # a flex test may be many files
        chosen_by = [] if budget_file is None else _chosen_by(budget_file, run_folder)
        source = inputs_of(run_folder, cutoff_v, hold_s, "report", budget_file, *chosen_by)
    folder = out if out is not None else run_folder / "report"
    kept = kept_digest(run_folder, cutoff_v, hold_s)
    piece = None if kept is None else together_at(run_folder, kept, need_s)
    files = unchanged(folder, made_from(source, piece))
    fresh = files is None or kept is None
    if files is None or kept is None:
        _refuse_parts(budget_file, flex_sources, flex_cycles)
        run, result, kept = analysed(run_folder, cutoff_v, hold_s, need_s)
        piece = together_at(run_folder, kept, need_s)
        from analysis.report.parts import write_whole_report

        folder = out if out is not None else run.folder / "report"
        files = write_whole_report(
            run,
            result,
            folder,
            hold_s=cutoff_of(run, cutoff_v, hold_s)[1],
            budget_file=budget_file,
            flex_sources=flex_sources,
            flex_cycles=flex_cycles,
            source=made_from(source, piece),
            told=paragraphs_of(kept, piece),
        )
    if kept.simulated:
        click.echo("SIMULATED: no hardware was there.")
    for text in paragraphs_of(kept, piece):
        click.echo(textwrap.fill(text, TEXT_WIDTH))
    echo_warnings_in_short(kept.warnings)
    if not fresh:
        click.echo("\nNothing changed since this report was made; it is left as it is.")
    click.echo("\nOpen in a browser:")
    click.echo(f"  {_here(files, 'report.html')}")
    click.echo("Paste into a write-up, with the pictures beside it:")
    click.echo(f"  {_here(files, 'report.md')}")
    echo_next(("One page to print", ["sheet", run_folder, *asked_again(cutoff_v, hold_s, need_s)]))


def _refuse_parts(
    budget_file: Path | None, flex_sources: tuple[Path, ...], flex_cycles: float | None
) -> None:
    """Raises BenchError for a budget or a flex test that cannot be read, before the run is reckoned with."""
    if flex_cycles is not None and not flex_sources:
        raise BenchError("--flex-cycles needs a flex test.", next_step="add --flex TABLE-OR-RUN.")
    if budget_file is not None:
        from analysis.budget.file import read_budget

        read_budget(budget_file)
    if flex_sources:
        from analysis.flex.sources import read_sources

        read_sources(flex_sources, None)


def _chosen_by(budget_file: Path, run_folder: Path) -> list[Path | str]:
    """What the budget's part goes by besides: the other runs' descriptions, and where they lie."""
    from analysis.budget.own_run import looked_at, places_of

    runs = looked_at(places_of(budget_file, run_folder))
    return [*runs, *(str(path) for path in runs)]


def _here(files: tuple[Path, ...], name: str) -> str:
    """Path as seen from where the user stands; whole where there is no way from there."""
    path = next(file for file in files if file.name == name)
    try:
        return os.path.relpath(path)
    except ValueError:  # another drive
        return str(path)
