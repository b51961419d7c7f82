"""``drawbench list``: all runs of a folder in one table, on one page, in one picture."""

import json
import sys
import textwrap
from collections.abc import Container, Sequence
from datetime import UTC
from pathlib import Path
from typing import Any

import click
from rich.table import Table
from rich.text import Text

from analysis.commands.rundown import asked_again
from analysis.commands.screen import TEXT_WIDTH, echo_damaged, echo_next
from analysis.report.pieces import SEVERAL_SHOWN, Piece, pieces_answer, pieces_of, several_words
from analysis.report.run_table import (
    BY_TROUBLE,
    COLUMNS,
    Line,
    as_csv,
    by_lasting,
    in_order,
    matching,
    read_lines,
    shown,
)
from logger.base.clean_text import clean_console, trusted
from logger.base.command_options import Hold, need_option
from logger.base.errors import BenchError, spoken
from logger.base.measures import VOLTS_ABOVE_0, whole_number
from logger.base.next_step import command_line
from logger.base.safe_files import replace_file
from logger.base.typed.number import number_text
from logger.base.typed.suggest import Choice
from logger.run.run_list import find_runs

_NEEDED = ("need_s", "verdict")
# From so many pieces on, the page of all is the next step; from so many runs on, a column that says
# the same of all is said once below.
_CLASS = 5
_SCROLLED = 40
_SAID_ONCE = 4
_NARROW = ("run", "pack", "lasted_s", *_NEEDED, "end", "given_mah", "mean_current_ma")
_MIDDLE = ("run", "title", *_NARROW[1:])
# For screens of a phone's width.
_SLIM = (
    ("run", "title", "lasted_s", *_NEEDED, "end"),
    ("run", "pack", "lasted_s", *_NEEDED, "end"),
    ("run", *_NARROW[2:]),
    ("run", "lasted_s", *_NEEDED, "end"),
    ("run", "lasted_s", *_NEEDED),
    ("run", "lasted_s", "verdict"),
    ("run", "lasted_s"),
)
_WIDE = (*_MIDDLE[:3], "started", *_MIDDLE[3:], "last_voltage_v", "ended")
_TEXTS = ("run", "title", "pack", "started", "ended", "end", "verdict")
_WHOLE = ("end", "verdict")  # never cut short
# Names may be cut short to this many letters; numbers never are.
_TEXT_LEAST = 12
_RUN_LEAST = 24  # the run's name is typed into the next command
_GAP = 1


@click.command("list")
@click.argument("folder", type=click.Path(path_type=Path), default="runs")
@click.option(
    "--find",
    "texts",
    multiple=True,
    metavar="TEXT",
    help="Only runs with this in title, load, notes, pack, author or name; repeat for more.",
)
@click.option(
    "--since",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Recorded on this day or later.",
)
@click.option(
    "--before",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Recorded before this day.",
)
@click.option(
    "--ended", metavar="REASON", help="Ended by this: cutoff, duration, charge, user, ..."
)
@click.option(
    "--sort",
    "column",
    type=Choice([BY_TROUBLE, *COLUMNS]),
    default="started",
    show_default=True,
    help="trouble: who needs a look first.",
)
@click.option("--reverse", is_flag=True, help="Greatest first.")
@click.option("--best", type=whole_number("3", 1), metavar="N", help="The N that lasted longest.")
@click.option("--worst", type=whole_number("3", 1), metavar="N", help="The N that lasted shortest.")
@click.option(
    "--cutoff",
    "cutoff_v",
    type=VOLTS_ABOVE_0,
    metavar="V",
    help="One cutoff for all runs [default: each run's own].",
)
@click.option(
    "--hold", "hold_s", type=Hold(), help="One hold for all runs, e.g. 10s; 0: the first touch."
)
@need_option
@click.option(
    "--csv",
    "csv_file",
    type=click.Path(path_type=Path, allow_dash=True),
    metavar="FILE",
    help="Write the table as CSV; - for the terminal.",
)
@click.option("--json", "as_json", is_flag=True, help="Every result as JSON.")
@click.option(
    "--overview",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Write the page of a class: all pieces with pictures and links, and a page each to print.",
)
def list_command(folder: Path, **options: Any) -> None:
    """All runs in FOLDER (default: runs): filter, sort, best and worst, CSV, one page for all.

    The first time each run is read whole; after that its digest beside it answers at once.
    """
    lines = _chosen(folder, options)
    csv_file, overview = options["csv_file"], options["overview"]
    only_csv = str(csv_file) == "-" and not options["as_json"]
    pieces = [] if only_csv and overview is None else pieces_of(lines)
    if options["as_json"]:
        document = _as_json(lines, pieces)
        click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))
    elif only_csv:
        click.echo(as_csv(lines), nl=False)
    else:
        answer = textwrap.fill(pieces_answer(lines, pieces), TEXT_WIDTH)
        click.echo(answer + "\n")
        _show(lines)
        _show_pieces(pieces)
        if len(lines) >= _SCROLLED:  # the first lines are out of sight by now
            click.echo(f"\n{answer}")
    if csv_file is not None and str(csv_file) != "-":
        _write(csv_file, as_csv(lines))
        click.echo(f"Written: {csv_file}")
    if overview is not None:
        from analysis.report.overview import write_overview

        write_overview(lines, overview, pieces, _maker(folder, overview, options))
        click.echo(f"\nOpen in a browser: {overview / 'overview.html'}")
        click.echo(f"A page of each piece, to print: {overview / 'hand-outs.html'}")
    if not options["as_json"] and str(csv_file) != "-":
        whole = overview is None and len(pieces) >= _CLASS and not _chosen_few(options)
        page: list[str | Path] = ["list", folder, *_asked(options), "--overview", "class"]
        if whole:
            echo_next(("All on one page", page))
        elif overview is not None and len(pieces) >= _CLASS:
            page = ["report", folder, *_asked(options), "--overview", overview]
            echo_next(("Reports and sheets of all, with links on that page", page))
        else:
            echo_next(*_next_steps(lines))


def _asked(options: dict[str, Any]) -> list[str]:
    return asked_again(options["cutoff_v"], options["hold_s"], options["need_s"])


def _maker(folder: Path, overview: Path, options: dict[str, Any]) -> str:
    """What makes every report and sheet, and this page with links to them; for the page: no path of this machine."""
    runs, page = (Path(path.name) if path.is_absolute() else path for path in (folder, overview))
    return command_line("report", runs, *_asked(options), "--overview", page)


def _chosen_few(options: dict[str, Any]) -> bool:
    names = ("texts", "since", "before", "ended", "best", "worst")
    return any(options[name] for name in names)


def _show_pieces(pieces: Sequence[Piece]) -> None:
    """What several runs of one piece say together."""
    several = several_words(pieces)
    for words in several[:SEVERAL_SHOWN]:
        click.echo(textwrap.fill(words, TEXT_WIDTH))
    if len(several) > SEVERAL_SHOWN:
        click.echo(
            f"... and {len(several) - SEVERAL_SHOWN} more pieces with several runs: --overview FOLDER"
        )


def _next_steps(lines: list[Line]) -> list[tuple[str, list[str | Path]]]:
    """The longest run by itself, and against the next on such a pack; with one cutoff where theirs differ."""
    best = [line for line in by_lasting(lines) if line.reached] or by_lasting(lines)
    if not best:
        return [("What is wrong with it", ["check", lines[0].folder])]
    steps: list[tuple[str, list[str | Path]]] = [
        ("The one that lasted longest", ["rundown", best[0].folder])
    ]
    pack = best[0].description.pack
    second = next((line for line in best[1:] if line.description.pack == pack), None)
    if second is not None:
        pair = (best[0], second)
        cutoffs = [float(v) for line in pair if (v := line.value("cutoff_v")) is not None]
        one = ["--cutoff", number_text(max(cutoffs))] if len(set(cutoffs)) > 1 else []
        folders = [line.folder for line in pair]
        steps.append(("Against the next on such a pack", ["compare", *folders, *one]))
    return steps


def _chosen(folder: Path, options: dict[str, Any]) -> list[Line]:
    folders = find_runs((folder,))

    def progress(done: int) -> None:
        if sys.stderr.isatty() and len(folders) > 20 and (done % 10 == 0 or done == len(folders)):
            end = "\r" if done < len(folders) else "\r" + " " * 40 + "\r"
            stream = trusted(sys.stderr)
            stream.write(f"reading run {done} of {len(folders)}{end}")
            stream.flush()

    lines = read_lines(folders, options["cutoff_v"], options["hold_s"], progress, options["need_s"])
    since, before = (
        moment and moment.replace(tzinfo=UTC) for moment in (options["since"], options["before"])
    )
    lines = matching(lines, options["texts"], since, before, options["ended"])
    if not lines:
        raise BenchError(
            f"No run in {folder} fits.",
            evidence=f"{len(folders)} runs there",
            next_step="ask for less with --find, --since, --before or --ended.",
        )
    best, worst = options["best"], options["worst"]
    if best or worst:
        ranked = by_lasting(lines)
        first = ranked[: best or 0]
        last = ranked[len(ranked) - worst :] if worst else []
        return [*first, *(line for line in last if line not in first)]
    return in_order(lines, options["column"], options["reverse"])


def _show(lines: list[Line]) -> None:
    console = clean_console()
    sound = [line for line in lines if not line.problem]
    same = _same(sound)
    widths = _fitting(sound, console.width, same)
    columns = list(widths)
    table = Table(box=None, padding=(0, _GAP, 0, 0), header_style="bold")
    for column in columns:
        table.add_column(
            COLUMNS[column],
            justify="left" if column in _TEXTS else "right",
            no_wrap=True,
            overflow="ellipsis",
            width=widths[column],
        )
    for line in lines:
        if not line.problem:
            table.add_row(*(Text(_cell(line, column)) for column in columns))
    console.print(table)
    for line in lines:
        if line.problem:
            told = f"{line.name.ljust(widths['run'])}{' ' * _GAP}{line.problem}"
            click.echo(
                textwrap.fill(told, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False)
            )
    echo_damaged(lines)
    simulated = sum(1 for line in lines if line.digest is not None and line.digest.simulated)
    notes = [f"{len(lines)} run{'s' if len(lines) != 1 else ''}", *same.values()]
    if simulated:
        notes.append(f"{simulated} of them SIMULATED")
    if trimmed := sum(1 for line in lines if line.description.trim is not None):
        notes.append(f"{trimmed} trimmed: a part of each counts")
    cutoffs = {line.value("cutoff_v") for line in lines if line.value("cutoff_v") is not None}
    if len(cutoffs) > 1:
        notes.append("their cutoffs differ: give one --cutoff")
    click.echo("; ".join(notes) + ".")


def _cell(line: Line, column: str) -> str:
    """As everywhere; a run that is not to be built on is marked at its verdict, without one at its time."""
    text = shown(line, column)
    marked = "verdict" if line.answer else "lasted_s"
    return f"{text} !" if line.damage and column == marked else text


def _same(lines: Sequence[Line]) -> dict[str, str]:
    """Columns that say the same of all these runs that have it, and that in words."""
    if len(lines) < _SAID_ONCE:
        return {}
    found = {}
    for column, words in (("pack", "on"), ("need_s", "needed")):
        texts = [text for line in lines if (text := shown(line, column))]
        if len(set(texts)) == 1:
            count = "all" if len(texts) == len(lines) else str(len(texts))
            found[column] = f"{count} {words} {texts[0]}"
    return found


def _fitting(lines: list[Line], width: int, left_out: Container[str] = ()) -> dict[str, int]:
    """The most columns that stand side by side in this width, and the width of each."""
    for columns in (_WIDE, _MIDDLE, _NARROW, *_SLIM):
        offered = [column for column in columns if column not in left_out]
        longest = {
            column: max([len(COLUMNS[column]), *(len(_cell(line, column)) for line in lines)])
            for column in offered
            if column == "run" or any(shown(line, column) for line in lines)
        }
        widths = {
            column: min(letters, _RUN_LEAST if column == "run" else _TEXT_LEAST)
            if column in _TEXTS and column not in _WHOLE
            else letters
            for column, letters in longest.items()
        }
        spare = width - sum(widths.values()) - _GAP * len(widths)
        if spare >= 0:
            break
    for column in longest:
        more = min(longest[column] - widths[column], max(spare, 0))
        widths[column] += more
        spare -= more
    return widths


def _as_json(lines: list[Line], pieces: Sequence[Piece]) -> dict[str, Any]:
    return {
        "answer": pieces_answer(lines, pieces),
        "pieces": [
            {
                "piece": piece.name,
                "answer": piece.answer or None,
                "runs": [line.name for line in piece.lines],
                "same_piece": None if piece.all_runs is None else piece.all_runs.as_json(),
            }
            for piece in pieces
        ],
        "runs": [
            {
                "run": line.name,
                "title": line.description.title,
                "pack": str(line.description.pack) if line.description.pack else None,
                "started_utc": line.description.started_utc,
                "ended": line.value("ended"),
                "simulated": line.digest is not None and line.digest.simulated,
                **({} if line.digest is None else line.digest.results),
                **_asked_json(line),
                "warnings": [line.problem]
                if line.problem
                else list(line.digest.warnings if line.digest else ()),
            }
            for line in lines
        ],
        "warnings": [f"{line.name}: {line.problem}" for line in lines if line.problem],
    }


def _asked_json(line: Line) -> dict[str, Any]:
    """The verdict on a need asked for now in place of the run's own."""
    found = line.verdict_asked()
    return {} if found is None else {"verdict": found.as_json()}


def _write(path: Path, text: str) -> None:
    try:
        replace_file(path, text.encode(), own=False)
    except OSError as error:
        raise BenchError(
            f"{path} cannot be written.",
            evidence=spoken(error),
            next_step="give another file with --csv.",
        ) from error
