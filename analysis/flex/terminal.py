"""Printing and the target's options, shared by the ``drawbench flex`` commands."""

import json
import re
import textwrap
from collections.abc import Callable, Sequence
from typing import Any, Final, TypeVar

import click

from analysis.flex.asked import Target, stated_target
from analysis.flex.bend import BENDS_PER_WEARING
from analysis.say.table import Row, interval_title
from logger.base.measures import PERCENT_UNITS, Measure, count_of_bends, plain_number
from logger.base.typed.suggest import Choice

TEXT_WIDTH: Final = 79
_F = TypeVar("_F", bound=Callable[..., Any])


def _options(*decorators: Callable[[_F], _F]) -> Callable[[_F], _F]:
    def apply(function: _F) -> _F:
        for decorator in reversed(decorators):
            function = decorator(function)
        return function

    return apply


class _Percent(Measure):
    """A share in percent; one under 1 is a fraction by mistake, and would claim next to nothing."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        number = super().convert(value, param, ctx)
        if 0 < number <= 1 and not re.search("[a-z%]", str(value).casefold()):
            self.fail(
                f"{value} may be {number:g} % or {100 * number:g} %: write {100 * number:g}, or {number:g}% with its sign.",
                param,
                ctx,
            )
        return number


BEND_RADIUS_MM: Final = plain_number("5", least=0.1, most=1000.0)
PERCENT: Final = _Percent("%", PERCENT_UNITS, "90 or 90%")

target_options = _options(
    click.option("--cycles", type=count_of_bends(), metavar="N", help="Bends it must survive."),
    click.option(
        "--wearings", type=plain_number("12"), metavar="N", help="... or: evenings it must survive,"
    ),
    click.option(
        "--at",
        "place",
        type=Choice(list(BENDS_PER_WEARING)),
        help="at this place of the body ("
        + ", ".join(f"{k} {v}" for k, v in BENDS_PER_WEARING.items())
        + " bends an evening: planning figures without a source),",
    ),
    click.option(
        "--per-wearing",
        type=plain_number("400"),
        metavar="N",
        help="or with your own count of bends an evening.",
    ),
    click.option(
        "--reliability",
        type=PERCENT,
        default=90.0,
        show_default=True,
        metavar="%",
        help="Share of joints that must survive.",
    ),
    click.option(
        "--confidence",
        type=PERCENT,
        default=90.0,
        show_default=True,
        metavar="%",
        help="How sure of that.",
    ),
    click.option(
        "--shape",
        type=plain_number("2.5", least=0.2, most=50.0),
        metavar="X",
        help="A Weibull shape taken as given: an assumption, said so in the result.",
    ),
)


def target_of(o: dict[str, Any]) -> Target | None:
    """Bends as worn and in words, of the target's options; None if no target was given."""
    return stated_target(o["cycles"], o["wearings"], o["place"], o["per_wearing"])


def echo_table(rows: Sequence[Row]) -> None:
    if not rows:
        return
    widths = [max(len(row.label) for row in rows), max(len(row.value) for row in rows)]
    title = interval_title(rows)
    if title:
        click.echo(f"  {'':{widths[0]}}  {'':{widths[1]}}  {title}")
    for row in rows:
        click.echo(f"  {row.label:{widths[0]}}  {row.value:>{widths[1]}}  {row.interval}".rstrip())


def say(text: str, indent: str = "") -> None:
    kept = text.replace(" %", "\u00a0%")  # a number stays with its sign
    click.echo(textwrap.fill(kept, TEXT_WIDTH, subsequent_indent=indent, break_on_hyphens=False))


def echo_json(document: dict[str, Any]) -> None:
    click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))
