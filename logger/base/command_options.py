"""Options and types of values that several commands share."""

from typing import Any, Final

import click

from firmware_probe.line_format import BAUD_DEFAULT
from logger.base.durations import parse_duration_s

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
