"""Command ``drawbench import``: a run from any delimited text of another meter or sketch."""

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeVar

import click

from logger.base.command_options import given_again
from logger.base.errors import BenchError
from logger.base.measures import MAH_ABOVE_0, OHMS_ABOVE_0
from logger.base.next_step import next_words
from logger.base.pack import cutoff_to_try, parse_pack
from logger.base.said_tonight import caution_words
from logger.base.sensor_limits import sensor_limits
from logger.run.format import COLUMN_BY_NAME
from logger.run.store import refuse_taken_folder
from logger.text.accuracy import parse_accuracy
from logger.text.cells import DELIMITER_WORDS
from logger.text.layout import LayoutWish
from logger.text.plan import TARGETS
from logger.text.read import Imported, read_text
from logger.text.run import REJECTED_NAME, About, summary_lines, write_run
from logger.text.table import PlanWish
from logger.text.timing.written import date_time_s, has_zone, utc_text
from logger.text.units import known_units, parse_amount

_PREVIEW_ROWS = 8
_EVENTS_SHOWN = 8
_F = TypeVar("_F", bound=Callable[..., Any])


def _column_options(function: _F) -> _F:
    """``--voltage COLUMN --voltage-unit UNIT`` and so on for every quantity."""
    helps = {
        "voltage": "Column of the pack's voltage.",
        "bus-voltage": "Column of the voltage on the load side of the shunt.",
        "current": "Column of the current out of the pack.",
        "charge": "Column of a charge that the meter counted itself.",
        "energy": "Column of an energy that the meter counted itself.",
    }
    for word in reversed(TARGETS):
        volts = "; or a voltage over --shunt-ohm: V, mV, uV" if word == "current" else ""
        function = click.option(
            f"--{word}-unit", metavar="UNIT", help=f"Its unit: {known_units(word)}{volts}."
        )(function)
        function = click.option(f"--{word}", metavar="COLUMN", help=helps[word])(function)
    return function


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("run", type=click.Path(path_type=Path), required=False)
@click.option(
    "--time", metavar="COLUMN", help="Column of the time; 1+2 joins a date and a clock column."
)
@click.option(
    "--time-unit", metavar="UNIT", help="Unit of a time that is a bare number: s, ms, us, min, h."
)
@click.option(
    "--time-format", metavar="PATTERN", help='How dates are written, e.g. "%m/%d/%Y %H:%M:%S".'
)
@click.option("--every", metavar="TIME", help="No time column: a row every so often, e.g. 0.5s.")
@_column_options
@click.option(
    "--shunt-ohm",
    type=OHMS_ABOVE_0,
    metavar="OHM",
    help="Resistance that a current given in V, mV or uV was measured over.",
)
@click.option(
    "--constant-current", metavar="CURRENT", help="The current was set, not measured, e.g. 228mA."
)
@click.option(
    "--scale",
    multiple=True,
    metavar="QUANTITY=FACTOR",
    help="Multiply a column, e.g. voltage=2 behind a divider.",
)
@click.option(
    "--offset",
    multiple=True,
    metavar="QUANTITY=NUMBER",
    help="Then add this, in the column's unit.",
)
@click.option(
    "--delimiter",
    metavar="SIGN",
    help=f"What divides columns: {', '.join(DELIMITER_WORDS)} or a character.",
)
@click.option("--decimal", type=click.Choice(["point", "comma"]), help="Decimal sign.")
@click.option("--encoding", metavar="NAME", help="Text encoding, e.g. utf-8, latin-1, utf-16.")
@click.option("--header/--no-header", default=None, help="Whether the first row names the columns.")
@click.option(
    "--skip-lines",
    type=click.IntRange(0),
    default=0,
    metavar="N",
    help="Lines above the header or the first row.",
)
@click.option(
    "--comment",
    default="",
    metavar="SIGN",
    help="Lines that begin with it are no rows (else: # % //).",
)
@click.option(
    "--gap",
    metavar="TIME",
    help="Longest time between rows that is no gap (else: ten usual steps).",
)
@click.option("--pack", metavar="PACK", help='The pack, e.g. "3x AA alkaline".')
@click.option(
    "--capacity",
    "--capacity-mah",
    "capacity_mah",
    type=MAH_ABOVE_0,
    metavar="MAH",
    help="The label's capacity of the pack.",
)
@click.option("--sensor", default="", metavar="NAME", help="What measured it, e.g. INA219.")
@click.option(
    "--accuracy",
    metavar="TEXT",
    help='Of the meter, from its manual: "0.5% + 3 digits", or "V: 0.5% + 2 digits, A: 1% + 3 digits".',
)
@click.option(
    "--started", metavar="TIME", help="When the first row was written, e.g. 2026-01-31T21:00:00Z."
)
@click.option("--title", default="", help="Title of the run (else: the file's name).")
@click.option("--author", default="", help="Who recorded it.")
@click.option("--load-note", "--load", "load", default="", help="What drew the current, in words.")
@click.option("--notes", default="", help="Anything else.")
@click.option(
    "--dry-run", is_flag=True, help="Only show how the first rows would be read; write nothing."
)
@click.option("--json", "as_json", is_flag=True, help="Say it as JSON.")
def import_command(
    file: Path, run: Path | None, dry_run: bool, as_json: bool, **given: Any
) -> None:
    """Make a run of FILE, any delimited text that another meter or sketch wrote, in the folder RUN.

    Columns are named as in the file's header or by number, from 1. What is not given is
    guessed where that is safe, and always said. Nothing is dropped silently:
    rejected lines go to RUN/rejected.txt with the reason. FILE is not changed.

    \b
    Time in ms, a shunt voltage over 3.5 ohm and the pack's volts, no header:
      drawbench import night.txt night --time 6 --time-unit ms --voltage 4 \\
          --current 2 --current-unit V --shunt-ohm 3.5
    """
    if run is None and not dry_run:
        raise BenchError(
            "There is no name for the run.",
            next_step="give the folder to write to after the file, or --dry-run to only look.",
        )
    if not file.is_file():
        what = "is a folder" if file.is_dir() else "does not exist"
        raise BenchError(f"The file {file} {what}.", next_step="give the text file to import.")
    about = _about(given)
    if given["accuracy"] is not None:
        parse_accuracy(given["accuracy"])
    wishes = _layout_wish(given), _plan_wish(given), _seconds(given["gap"])
    if run is not None and not dry_run:
        refuse_taken_folder(run)
    imported = read_text(file, *wishes, given["accuracy"])
    if run is not None and not dry_run:
        write_run(imported, run, about)
    if as_json:
        click.echo(
            json.dumps(
                _as_json(imported, None if dry_run else run),
                ensure_ascii=False,
                indent=1,
            )
        )
        return
    _tell(imported, about)
    _tell_accuracy(imported, about)
    if run is None or dry_run:
        click.echo("Nothing was written (--dry-run).\n")
        click.echo(
            next_words(
                (
                    "If that is right, without --dry-run",
                    ["import", file, run or Path("imported"), *given_again(("dry_run",))],
                )
            )
        )
        return
    _tell_written(imported, about, run)


def _tell(imported: Imported, about: About) -> None:
    for line in summary_lines(imported):
        click.echo(line)
    for line in _event_lines(imported):
        click.echo(line)
    for warning in imported.warnings:
        click.echo(f"Warning: {warning}")
    if about.pack is not None:
        click.echo(caution_words("import", str(about.pack), about.pack.caution))
    click.echo("")
    for line in _preview(imported):
        click.echo(line)
    click.echo("")


def _tell_accuracy(imported: Imported, about: About) -> None:
    """What the intervals will go by, or that there will be none."""
    if imported.meter is not None:
        guessed = "".join(f"; {text}" for text in imported.meter_words)
        click.echo(f"Accuracy: {imported.meter.text}{guessed}.")
    elif sensor_limits(about.sensor) is None:
        click.echo(
            "How accurate the meter is was not said, so results get no interval; "
            'say it with --accuracy "0.5% + 3 digits", from its manual.'
        )


def _tell_written(imported: Imported, about: About, run: Path) -> None:
    click.echo(f"Written: {run}")
    if imported.left_out:
        click.echo(f"Lines that are not in it, with reasons: {run / REJECTED_NAME}")
    click.echo()
    if {"pack_v", "bus_v"} & set(imported.samples):
        what = "How long it lasted, with your circuit's cutoff"
        click.echo(next_words((what, ["rundown", run, "--cutoff", cutoff_to_try(about.pack)])))
    else:
        click.echo(next_words(("What it drew", ["rundown", run])))


# --- options to wishes -----------------------------------------------------------------------


def _layout_wish(given: dict[str, Any]) -> LayoutWish:
    delimiter = given["delimiter"]
    if delimiter is not None:
        sign = DELIMITER_WORDS.get(delimiter.lower(), delimiter.replace("\\t", "\t"))
        if len(sign) != 1 or sign in '"\r\n':
            raise BenchError(
                f"{delimiter!r} cannot divide columns.",
                next_step=f"give one character or a word: {', '.join(DELIMITER_WORDS)}.",
            )
        delimiter = sign
    decimal = {"point": ".", "comma": ","}.get(given["decimal"] or "")
    if decimal is not None and decimal == delimiter:
        raise BenchError(
            "The decimal sign and the delimiter are the same.", next_step="change one."
        )
    return LayoutWish(
        given["encoding"],
        delimiter,
        decimal,
        given["header"],
        given["comment"],
        given["skip_lines"],
    )


def _plan_wish(given: dict[str, Any]) -> PlanWish:
    words = ("time", *TARGETS)
    columns = {word: given[word.replace("-", "_")] for word in words}
    units = {word: given[f"{word.replace('-', '_')}_unit"] for word in words}
    shunt_ohm = given["shunt_ohm"]
    if shunt_ohm is not None and not (shunt_ohm > 0 and math.isfinite(shunt_ohm)):
        raise BenchError(
            "The shunt must have a resistance above 0 ohm.", next_step="check --shunt-ohm."
        )
    constant = given["constant_current"]
    every_s = _seconds(given["every"])
    if every_s is not None and columns["time"] is not None:
        raise BenchError("Both --time and --every were given.", next_step="leave out one of them.")
    return PlanWish(
        {word: column for word, column in columns.items() if column is not None},
        {word: unit for word, unit in units.items() if unit is not None},
        _pairs("--scale", given["scale"]),
        _pairs("--offset", given["offset"]),
        given["time_format"],
        every_s,
        shunt_ohm,
        None if constant is None else parse_amount(constant, "current"),
    )


def _pairs(option: str, texts: Sequence[str]) -> dict[str, float]:
    """``voltage=2`` as a dictionary."""
    pairs = {}
    for text in texts:
        word, _, number = text.partition("=")
        try:
            value = float(number)
        except ValueError:
            value = math.nan
        if (
            word.strip() not in TARGETS
            or not math.isfinite(value)
            or (option == "--scale" and not value)
        ):
            raise BenchError(
                f"{option} {text!r} is not understood.",
                next_step=f"write it like {option} voltage=2; quantities: {', '.join(TARGETS)}.",
            )
        pairs[word.strip()] = value
    return pairs


def _seconds(text: str | None) -> float | None:
    if text is None:
        return None
    seconds = parse_amount(text, "time")
    if seconds <= 0:
        raise BenchError(f"{text!r} is no time span.", next_step="give one above zero, e.g. 0.5s.")
    return seconds


def _about(given: dict[str, Any]) -> About:
    capacity_mah = given["capacity_mah"]
    if capacity_mah is not None and (given["pack"] is None or not 0 < capacity_mah < 1e7):
        raise BenchError(
            "The capacity cannot be used.",
            evidence=f"--capacity {capacity_mah:g}",
            next_step="give --pack with it, and a capacity above 0 mAh.",
        )
    pack = None if given["pack"] is None else parse_pack(given["pack"], capacity_mah, other=True)
    started = given["started"] or ""
    if started:
        try:
            zoned = has_zone(started)
            started = utc_text(date_time_s(started)) if zoned else ""
        except (ValueError, OverflowError):
            started = ""
        if not started:
            raise BenchError(
                f"The start {given['started']!r} is not understood.",
                next_step="write it with its zone, like 2026-01-31T21:00:00Z or 2026-01-31T22:00:00+01:00.",
            )
    return About(
        given["title"],
        given["author"],
        given["load"],
        given["notes"],
        pack,
        given["sensor"],
        started,
    )


# --- what is shown ---------------------------------------------------------------------------


def _event_lines(imported: Imported) -> list[str]:
    lines = [
        f"  at {event.time_s:.1f} s: {event.kind}: {event.text}"
        for event in imported.events[:_EVENTS_SHOWN]
    ]
    if not lines:
        return []
    more = len(imported.events) - len(lines)
    return ["Events:", *lines, *([f"  and {more} more, in the description"] if more > 0 else [])]


def _preview(imported: Imported) -> list[str]:
    """First and last rows as they are read, with the line they came from."""
    samples = imported.samples
    count = len(samples)
    shown = list(range(min(_PREVIEW_ROWS, count)))
    if count > _PREVIEW_ROWS + 1:
        shown += [-1]
    table = [["line", *samples.columns]]
    decimals = [
        _decimals(
            [float(value) for value in samples[name].iloc[shown]], COLUMN_BY_NAME[name].decimals
        )
        for name in samples.columns
    ]
    for place in shown:
        values = [
            "-" if value != value else f"{value:.{digits}f}"
            for digits, value in zip(decimals, samples.iloc[place].tolist(), strict=True)
        ]
        if place == -1:
            table.append(["..."] * len(table[0]))
        table.append([str(int(imported.line_numbers[place])), *values])
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    return [
        "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in table
    ]


def _decimals(values: Sequence[float], most: int) -> int:
    """Fewest decimals that show these values in full, at most four: the file knew no more."""
    most = min(most, 4)
    texts = [f"{value:.{most}f}".rstrip("0") for value in values if value == value]
    return max((len(text.partition(".")[2]) for text in texts), default=0)


def _as_json(imported: Imported, run: Path | None) -> dict[str, Any]:
    def count(value: float, unit: str = "1") -> dict[str, Any]:
        return {"value": value, "unit": unit, "lower": None, "upper": None, "coverage": None}

    step_s = imported.usual_step_s
    return {
        "run": None if run is None else str(run),
        "file": str(imported.path),
        "sha256": imported.sha256,
        "rows_read": count(imported.rows_read),
        "rows_kept": count(len(imported.samples)),
        "rows_rejected": count(len(imported.rejected)),
        "rejected_by_reason": imported.reasons,
        "duration": count(float(imported.samples["time_s"].iloc[-1]), "s"),
        "usual_step": {**count(0.0, "s"), "value": None if math.isnan(step_s) else step_s},
        "read_as": {"time_s": imported.plan.time.how}
        | {column.target: column.how for column in imported.plan.columns},
        "unused_columns": list(imported.plan.unused),
        "guesses": list(imported.layout.guesses),
        "events": [
            {"time_s": event.time_s, "kind": event.kind, "text": event.text, "lost": event.lost}
            for event in imported.events
        ],
        "warnings": list(imported.warnings),
        "accuracy": None if imported.meter is None else asdict(imported.meter),
    }
