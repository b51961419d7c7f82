"""Options of ``drawbench import``, and what they ask for."""

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from logger.base.command_options import PackText
from logger.base.errors import BenchError
from logger.base.measures import MAH_ABOVE_0, OHMS_ABOVE_0, whole_number
from logger.base.pack import parse_pack
from logger.base.typed.number import TwoReadings, read_signed
from logger.base.typed.suggest import Choice
from logger.text.cells import DELIMITER_WORDS, may_divide
from logger.text.layout import LayoutWish
from logger.text.mapping import CHOICES
from logger.text.number_form import THOUSANDS
from logger.text.plan import TARGETS
from logger.text.run import About
from logger.text.table import PlanWish
from logger.text.timing.summer_time import find_zone
from logger.text.timing.written import date_time_s, has_zone, utc_text
from logger.text.units import known_units, parse_amount

_F = TypeVar("_F", bound=Callable[..., Any])


def column_options(function: _F) -> _F:
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


def _choice(table: str, key: str) -> Choice:
    """What a mapping may hold there, as the values of an option."""
    return Choice([str(value) for value in CHOICES[table][key]])


_OPTIONS: Final[tuple[Callable[[Any], Any], ...]] = (
    click.option(
        "--time", metavar="COLUMN", help="Column of the time; 1+2 joins a date and a clock column."
    ),
    click.option(
        "--time-unit",
        metavar="UNIT",
        help="Unit of a time that is a bare number: s, ms, us, ns, min, h, d (day numbers).",
    ),
    click.option(
        "--time-format", metavar="PATTERN", help='How dates are written, e.g. "%m/%d/%Y %H:%M:%S".'
    ),
    click.option("--clock", type=_choice("time", "clock"), help="What cells with one colon are."),
    click.option(
        "--hours", type=_choice("time", "hours"), help="Hours of a clock without am and pm."
    ),
    click.option(
        "--date-order",
        type=_choice("time", "date_order"),
        help="What stands first in 03/04/2026.",
    ),
    click.option(
        "--day-zero",
        type=_choice("time", "day_zero"),
        help="Where a spreadsheet's day numbers begin.",
    ),
    click.option(
        "--time-zone",
        metavar="ZONE",
        help="Zone of local times, e.g. Europe/Berlin (follows summer time), UTC or +01:00.",
    ),
    click.option(
        "--time-back",
        type=Choice(["restart", "next-day", "next-hour", "sort", "drop"]),
        help="What a time that goes back means: the meter began again, the next day or hour, rows in the wrong order, wrong rows.",
    ),
    click.option(
        "--row-order",
        type=_choice("time", "row_order"),
        help="What a time that falls throughout means.",
    ),
    click.option(
        "--every", metavar="TIME", help="No time column: a row every so often, e.g. 0.5s."
    ),
    column_options,
    click.option(
        "--shunt-ohm",
        type=OHMS_ABOVE_0,
        metavar="OHM",
        help="Resistance that a current given in V, mV or uV was measured over.",
    ),
    click.option(
        "--constant-current",
        metavar="CURRENT",
        help="The current was set, not measured, e.g. 228mA.",
    ),
    click.option(
        "--current-sign",
        type=_choice("current", "sign"),
        help="Whether a negative current is out of the pack (turned).",
    ),
    click.option(
        "--scale",
        multiple=True,
        metavar="QUANTITY=FACTOR",
        help="Multiply a column, e.g. voltage=2 behind a divider.",
    ),
    click.option(
        "--offset",
        multiple=True,
        metavar="QUANTITY=NUMBER",
        help="Then add this, in the column's unit.",
    ),
    click.option(
        "--delimiter",
        metavar="SIGN",
        help=f"What divides columns: {', '.join(DELIMITER_WORDS)} or a character.",
    ),
    click.option("--decimal", type=_choice("file", "decimal"), help="Decimal sign."),
    click.option("--thousands", type=_choice("file", "thousands"), help="Sign between thousands."),
    click.option("--encoding", metavar="NAME", help="Text encoding, e.g. utf-8, latin-1, utf-16."),
    click.option(
        "--header/--no-header", default=None, help="Whether the first row names the columns."
    ),
    click.option(
        "--skip-lines",
        type=whole_number("2", 0),
        default=0,
        metavar="N",
        help="Lines above the header or the first row.",
    ),
    click.option(
        "--comment",
        default="",
        metavar="SIGN",
        help="Lines that begin with it are no rows (else: # % //).",
    ),
    click.option(
        "--leave-out",
        multiple=True,
        metavar="COLUMN",
        help="Leave a column alone, whatever it is called.",
    ),
    click.option(
        "--mapping",
        "mapping_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Read the file as --save-mapping kept it.",
    ),
    click.option(
        "--save-mapping",
        "save_mapping",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Keep how the file was read, for the next of that meter.",
    ),
    click.option(
        "--gap",
        metavar="TIME",
        help="Longest time between rows that is no gap (else: ten usual steps).",
    ),
    click.option("--pack", type=PackText(), help='The pack, e.g. "3x AA alkaline".'),
    click.option(
        "--capacity",
        "--capacity-mah",
        "capacity_mah",
        type=MAH_ABOVE_0,
        metavar="MAH",
        help="The label's capacity of the pack.",
    ),
    click.option("--sensor", default="", metavar="NAME", help="What measured it, e.g. INA219."),
    click.option(
        "--accuracy",
        metavar="TEXT",
        help='Of the meter, from its manual: "0.5% + 3 digits", or "V: 0.5% + 2 digits, A: 1% + 3 digits".',
    ),
    click.option(
        "--started",
        metavar="TIME",
        help="When the first row was written, e.g. 2026-01-31T21:00:00Z.",
    ),
    click.option("--title", default="", help="Title of the run (else: the file's name)."),
    click.option("--author", default="", help="Who recorded it."),
    click.option(
        "--load-note", "--load", "load", default="", help="What drew the current, in words."
    ),
    click.option("--notes", default="", help="Anything else."),
)


def import_options(function: _F) -> _F:
    """All options that say how the file is to be read, and what it is."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


def layout_wish(given: dict[str, Any]) -> LayoutWish:
    delimiter = given["delimiter"]
    if delimiter is not None:
        sign = DELIMITER_WORDS.get(delimiter.lower(), delimiter.replace("\\t", "\t"))
        if not may_divide(sign):
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
        None if given["thousands"] is None else THOUSANDS[given["thousands"]],
    )


def plan_wish(given: dict[str, Any]) -> PlanWish:
    words = ("time", *TARGETS)
    columns = {word: given[word.replace("-", "_")] for word in words}
    units = {word: given[f"{word.replace('-', '_')}_unit"] for word in words}
    shunt_ohm = given["shunt_ohm"]
    if shunt_ohm is not None and not (shunt_ohm > 0 and math.isfinite(shunt_ohm)):
        raise BenchError(
            "The shunt must have a resistance above 0 ohm.", next_step="check --shunt-ohm."
        )
    constant = given["constant_current"]
    every_s = seconds_of(given["every"])
    if every_s is not None and columns["time"] is not None:
        raise BenchError("Both --time and --every were given.", next_step="leave out one of them.")
    if given["time_zone"] is not None:
        find_zone(given["time_zone"])
    return PlanWish(
        {word: column for word, column in columns.items() if column is not None},
        {word: unit for word, unit in units.items() if unit is not None},
        _pairs("--scale", given["scale"]),
        _pairs("--offset", given["offset"]),
        given["time_format"],
        every_s,
        shunt_ohm,
        None if constant is None else parse_amount(constant, "current"),
        given["clock"],
        None if given["hours"] is None else int(given["hours"]),
        given["date_order"],
        None if given["day_zero"] is None else int(given["day_zero"]),
        given["time_zone"],
        given["time_back"],
        given["row_order"],
        given["current_sign"],
        tuple(given["leave_out"]),
    )


def _pairs(option: str, texts: Sequence[str]) -> dict[str, float]:
    """``voltage=2`` as a dictionary."""
    pairs = {}
    for text in texts:
        word, _, number = text.partition("=")
        try:
            found = read_signed(number)
        except TwoReadings as two:
            raise BenchError(
                f"{option} {text!r}: {two}.", next_step=f"write one of these: {two.words}."
            ) from None
        value = math.nan if found is None else found
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


def seconds_of(text: str | None) -> float | None:
    if text is None:
        return None
    seconds = parse_amount(text, "time")
    if seconds <= 0:
        raise BenchError(f"{text!r} is no time span.", next_step="give one above zero, e.g. 0.5s.")
    return seconds


def about_of(given: dict[str, Any]) -> About:
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
