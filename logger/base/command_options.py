"""Options and types of values that several commands share."""

from collections.abc import Sequence
from typing import Any, Final

import click
from click.core import ParameterSource

from firmware_probe.line_format import BAUD_DEFAULT
from logger.base.durations import parse_duration_s
from logger.base.measures import MILLIAMPERES_ABOVE_0

NEED_MOST_S: Final = 366 * 86400.0

baud_option: Final = click.option(
    "--baud", type=click.IntRange(300, 4_000_000), default=BAUD_DEFAULT, show_default=True
)


class Duration(click.ParamType[float]):
    """A length of time with its unit; gives seconds."""

    name = "TIME"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        try:
            return parse_duration_s(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class Need(Duration):
    """How long a piece must last: a length of time with its unit, a year at most; gives seconds."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        seconds = super().convert(value, param, ctx)
        if seconds > NEED_MOST_S:
            self.fail(f"{value!r} is longer than a year; write it like 6h or 2d", param, ctx)
        return seconds


fresh_option: Final = click.option(
    "--fresh/--part-used",
    "fresh",
    default=None,
    help="The pack began fresh or freshly charged, or part-used; checked against its voltage.",
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
            told += [param.opts[0], f"{item:.15g}" if isinstance(item, float) else str(item)]
    return told
