"""Command ``drawbench import``: a run from any delimited text of another meter or sketch."""

import json
import sys
from pathlib import Path
from typing import Any

import click

from logger.base.command_options import given_again
from logger.base.errors import BenchError
from logger.base.next_step import next_words
from logger.base.typed.suggest import Choice
from logger.commands.import_options import (
    about_of,
    import_options,
    layout_wish,
    plan_wish,
    seconds_of,
)
from logger.commands.import_words import as_json, tell, tell_accuracy, tell_written
from logger.run.store import refuse_taken_folder
from logger.text.accuracy import parse_accuracy
from logger.text.layout import LayoutWish
from logger.text.mapping import Mapping, keeping_mapping, read_mapping, write_mapping
from logger.text.question import SIGNS, Question
from logger.text.read import Imported, read_text
from logger.text.run import About, write_run
from logger.text.table import PlanWish


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("run", type=click.Path(path_type=Path), required=False)
@import_options
@click.option(
    "--dry-run", is_flag=True, help="Only show how the first rows would be read; write nothing."
)
@click.option("--json", "to_json", is_flag=True, help="Say it as JSON.")
def import_command(
    file: Path, run: Path | None, dry_run: bool, to_json: bool, **given: Any
) -> None:
    """Make a run of FILE, any delimited text that another meter or sketch wrote, in the folder RUN.

    Columns are named as in the file's header or by number, from 1. What has one plausible reading
    is read so, and said; what has two is asked, with the option that settles each.
    Nothing is dropped silently: rejected lines go to RUN/rejected.txt with the reason. FILE is not changed.

    \b
    Time in ms, a shunt voltage over 3.5 ohm and the pack's volts, no header:
      drawbench import night.txt night --time 6 --time-unit ms --voltage 4 \\
          --current 2 --current-unit V --shunt-ohm 3.5
    """
    imported, about, answers = make_run(
        file, None if dry_run else run, given, asks=_asks() and not to_json, dry_run=dry_run
    )
    if to_json:
        said = as_json(imported, None if dry_run else run)
        click.echo(json.dumps(said, ensure_ascii=False, indent=1))
        return
    tell(imported, about)
    tell_accuracy(imported, about)
    if given["save_mapping"] is not None and not dry_run:
        click.echo(f"How it was read is kept for the next file: --mapping {given['save_mapping']}")
    elif answers:
        click.echo(f"Next time without questions: {' '.join(answers)}")
    if run is None or dry_run:
        click.echo("Nothing was written (--dry-run).\n")
        again = [*given_again(("dry_run",)), *answers]
        click.echo(
            next_words(
                (
                    "If that is right, without --dry-run",
                    ["import", file, run or Path("imported"), *again],
                )
            )
        )
        return
    tell_written(imported, about, run)


def make_run(
    file: Path,
    run: Path | None,
    given: dict[str, Any],
    *,
    asks: bool = False,
    dry_run: bool = False,
) -> tuple[Imported, About, list[str]]:
    """The file as read, written to the folder ``run`` unless it is a dry run, with the options that answered questions.

    ``given``: values of the command's options by name. Raises BenchError, and Question where nobody is asked.
    """
    if run is None and not dry_run:
        raise BenchError(
            "There is no name for the run.",
            next_step="give the folder to write to after the file, or --dry-run to only look.",
        )
    if not file.is_file():
        what = "is a folder" if file.is_dir() else "does not exist"
        raise BenchError(f"The file {file} {what}.", next_step="give the text file to import.")
    about = about_of(given)
    if given["accuracy"] is not None:
        parse_accuracy(given["accuracy"])
    mapping = None if given["mapping_file"] is None else read_mapping(given["mapping_file"])
    _wishes(given)
    if run is not None:
        refuse_taken_folder(run)
    imported, answers = _read(file, given, mapping, asks)
    if run is not None:
        _write(imported, run, about, None if dry_run else given["save_mapping"])
    return imported, about, answers


def _write(imported: Imported, run: Path, about: About, kept: Path | None) -> None:
    """The run, and its mapping in the file ``kept``: both or none, as far as the disk lets us."""
    if kept is None or imported.mapping is None:
        write_run(imported, run, about)
    elif run.resolve() in kept.resolve().parents:  # there is no such folder before the run
        write_run(imported, run, about)
        write_mapping(imported.mapping, kept)
    else:
        with keeping_mapping(imported.mapping, kept):
            write_run(imported, run, about)


def _asks() -> bool:
    """Whether there is a person to ask."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def _wishes(given: dict[str, Any]) -> tuple[LayoutWish, PlanWish, float | None]:
    return layout_wish(given), plan_wish(given), seconds_of(given["gap"])


def _read(
    file: Path, given: dict[str, Any], mapping: Mapping | None, asks: bool
) -> tuple[Imported, list[str]]:
    """The file as read, and the options that answer what was asked on the way. Raises Question if nobody can answer."""
    answers: list[str] = []
    while True:
        try:
            layout, plan, gap_s = _wishes(given)
            read = read_text(file, layout, plan, gap_s, given["accuracy"], mapping)
        except Question as question:
            if not asks or len(answers) > 40:
                raise
            click.echo(str(question))
            signs = [sign for sign, _ in zip(SIGNS, question.readings, strict=False)]
            chosen = click.prompt(
                "Which is right? (Enter: none, stop)",
                type=Choice([*signs, ""], case_sensitive=False),
                default="",
                show_choices=False,
                show_default=False,
            )
            if not chosen:
                raise
            settle = question.readings[signs.index(chosen)].settle
            for option, value in zip(settle[::2], settle[1::2], strict=True):
                name = option.lstrip("-").replace("-", "_")
                given[name] = (*given[name], value) if name == "leave_out" else value
            answers += settle
        else:
            return read, answers
