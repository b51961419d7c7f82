"""``drawbench sheet`` and ``drawbench pictures``: what goes into documentation besides the report."""

import textwrap
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final, cast

import click

from analysis.commands.rundown import analysed, asked_again, cutoff_option, hold_option
from analysis.commands.screen import TEXT_WIDTH, echo_next
from analysis.report.digest import description_of, digest_of, inputs_of, kept_digest
from analysis.report.same_piece import made_from, together_at
from analysis.report.told import paragraphs_of
from analysis.say.events import listed_events, numbered_events
from analysis.say.figures import SIZES, SizeName
from analysis.say.publish import publish, unchanged
from logger.base.command_options import need_option
from logger.base.typed.suggest import Choice

FORMATS: Final = ("png", "svg", "pdf")
out_option = click.option(
    "--out",
    "out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Where to write [default: a folder of its own inside RUN].",
)


@click.command("sheet")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@cutoff_option
@hold_option
@need_option
@out_option
def sheet_command(
    run_folder: Path,
    cutoff_v: float | None,
    hold_s: float | None,
    need_s: float | None,
    out: Path | None,
) -> None:
    """One page to print (PDF): wiring, pack, conditions, results, doubt and cautions."""
    source = None if need_s is not None else inputs_of(run_folder, cutoff_v, hold_s, "sheet")
    kept = kept_digest(run_folder, cutoff_v, hold_s)
    piece = None if kept is None else together_at(run_folder, kept, need_s)
    files = unchanged(out or run_folder / "sheet", made_from(source, piece))
    if files is None or kept is None:
        run, result, kept = analysed(run_folder, cutoff_v, hold_s, need_s)
        piece = together_at(run_folder, kept, need_s)
        from analysis.report.sheet import write_sheet

        with TemporaryDirectory(prefix="drawbench-") as temporary:
            write_sheet(run, result, Path(temporary), paragraphs_of(kept, piece))
            files = publish(
                Path(temporary),
                out or run.folder / "sheet",
                made_from(source, piece),
                what="The sheet",
            )
    for text in paragraphs_of(kept, piece):
        click.echo(textwrap.fill(text, TEXT_WIDTH))
    click.echo(f"\nPrint: {next(file for file in files if file.suffix == '.pdf')}")
    asked = asked_again(cutoff_v, hold_s, need_s)
    echo_next(("A page to open", ["report", run_folder, *asked]))


@click.command("pictures")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--size", type=Choice(list(SIZES)), default="page", show_default=True)
@click.option(
    "--format", "formats", multiple=True, type=Choice(FORMATS), help="[default: all three]"
)
@cutoff_option
@hold_option
@out_option
def pictures_command(
    run_folder: Path,
    size: str,
    formats: tuple[str, ...],
    cutoff_v: float | None,
    hold_s: float | None,
    out: Path | None,
) -> None:
    """The run's pictures in the size of a page, a slide or a phone; PNG, SVG, PDF."""
    formats = formats or FORMATS
    source = inputs_of(run_folder, cutoff_v, hold_s, "pictures", size, *formats)
    files = unchanged(out or run_folder / f"pictures-{size}", source)
    if files is not None:
        events, _ = listed_events(description_of(run_folder).events)
        end_s = digest_of(run_folder, cutoff_v, hold_s).last[0] or 0.0
    else:
        run, result, _ = analysed(run_folder, cutoff_v, hold_s)
        from analysis.report.plots import draw_plots

        events, _ = listed_events(run.description.events)
        end_s = result.draw.trace.end_s
        with TemporaryDirectory(prefix="drawbench-") as temporary:
            draw_plots(
                result,
                run.description.pack,
                events,
                Path(temporary),
                cast("SizeName", size),
                formats,
            )
            files = publish(
                Path(temporary),
                out or run.folder / f"pictures-{size}",
                source,
                what="The pictures",
            )
    for file in files:
        click.echo(str(file))
    marked = numbered_events(events, end_s)
    if marked:
        click.echo("\nNumbers above the pictures:")
    for event in marked:
        click.echo(f"  {event.number}: {event.kind}: {event.text}")
    echo_next(("A page with all of them", ["report", run_folder, *asked_again(cutoff_v, hold_s)]))
