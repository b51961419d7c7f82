"""Options and types of values that several commands share."""

import re
from collections.abc import Sequence
from typing import Any, Final

import click
from click.core import ParameterSource

from firmware_probe.line_format import BAUD_DEFAULT
from logger.base.durations import parse_duration_s, span_words
from logger.base.measures import CELSIUS_OF_BENCH, MILLIAMPERES_ABOVE_0, whole_number
from logger.base.pack import Pack, parse_pack
from logger.base.typed.number import number_text
from logger.base.typed.shown import show_understood
from logger.base.typed.signs import plain_signs

NEED_MOST_S: Final = 366 * 86400.0

baud_option: Final = click.option(
    "--baud",
    type=whole_number("115200", 300, 4_000_000),
    default=BAUD_DEFAULT,
    show_default=True,
    metavar="BAUD",
)
PAGE_PORT: Final = whole_number("8765", 1, 65535)
# Written like this a length of time needs no echo.
USUAL_SPAN: Final = re.compile(r"(?:\d+(?:\.\d+)? ?(?:ms|s|min|h|d) ?)+")
ZERO_SPAN: Final = re.compile(r"0+(?:[.,]0+)? ?(?:ms|s|min|m|h)?")


class Duration(click.ParamType[float]):
    """A length of time with its unit; gives seconds.

    ``colon_is_hours``: whether 6:30 is 6 h 30 min; for an option of seconds or minutes it is refused with both.
    """

    name = "TIME"

    def __init__(self, *, colon_is_hours: bool = False) -> None:
        self.colon_is_hours = colon_is_hours

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        text = str(value)
        try:
            seconds = parse_duration_s(text, colon_is_hours=self.colon_is_hours)
        except ValueError as error:
            self.fail(str(error), param, ctx)
        if not USUAL_SPAN.fullmatch(text):
            show_understood(text, span_words(seconds), param, ctx)
        return seconds


class Need(Duration):
    """How long a piece must last: a length of time with its unit, a year at most; gives seconds."""

    def __init__(self) -> None:
        super().__init__(colon_is_hours=True)

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        seconds = super().convert(value, param, ctx)
        if seconds > NEED_MOST_S:
            self.fail(f"{value!r} is longer than a year; write it like 6h or 2d", param, ctx)
        return seconds


class Hold(Duration):
    """How long a voltage must stay below the cutoff; 0, with or without a unit, is the first touch."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if ZERO_SPAN.fullmatch(plain_signs(str(value))):
            return 0.0
        return super().convert(value, param, ctx)


class PackText(click.ParamType[str]):
    """A pack in words; gives them in the usual form, and says what was taken where they leave something open."""

    name = "PACK"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        typed, told = str(value), list[str]()
        pack = parse_pack(typed, other=True, say=told.append)
        if is_usual_pack(typed, pack) or not (param and ctx):
            return pack.text
        meant = told[0].partition(" is taken as ")[2].removesuffix(".") if told else pack.text
        show_understood(typed, meant, param, ctx)
        return pack.text


def is_usual_pack(typed: str, pack: Pack) -> bool:
    """Whether it was written in our own form, and needs no echo."""
    return _squeezed(typed) in {_squeezed(str(pack)), _squeezed(pack.text)}


def _squeezed(text: str) -> str:
    return "".join(text.casefold().split())


fresh_option: Final = click.option(
    "--fresh/--part-used",
    "fresh",
    default=None,
    help="The pack began fresh or freshly charged, or part-used; checked against its voltage.",
)
temperature_option: Final = click.option(
    "--temperature",
    "temperature_c",
    type=CELSIUS_OF_BENCH,
    metavar="C",
    help="Of the bench, in °C.",
)
below_floor_option: Final = click.option(
    "--below-floor", is_flag=True, help="Allow a cutoff below the cells' own floor."
)
close_load_option: Final = click.option(
    "--close-load",
    is_flag=True,
    help="A fresh pack is in: close the load switch although the board's cutoff opened it.",
)
mode_draw_option: Final = click.option(
    "--mode-draw",
    "modes_ma",
    type=MILLIAMPERES_ABOVE_0,
    multiple=True,
    metavar="MA",
    help="What the piece draws in a quiet mode, so that it is not taken for gone dark; repeat. `drawbench budget` names them.",
)
need_option: Final = click.option(
    "--need",
    "need_s",
    type=Need(),
    metavar="TIME",
    help="How long the piece must last, e.g. 6h [default: what the run was told].",
)


def given_again(leave_out: Sequence[str] = ()) -> list[str]:
    """The options of the running command as they were given, without those of these names."""
    context = click.get_current_context()
    told: list[str] = []
    for param in context.command.params:
        name = param.name or ""
        said = context.get_parameter_source(name) is ParameterSource.COMMANDLINE
        if not isinstance(param, click.Option) or not said or name in leave_out:
            continue
        value = context.params[name]
        if param.is_flag:
            told.append(param.opts[0] if value else param.secondary_opts[0])
            continue
        for item in value if param.multiple else (value,):
            told += [param.opts[0], number_text(item) if isinstance(item, float) else str(item)]
    return told
