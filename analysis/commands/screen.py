"""What every command's screen is made of below its answer: warnings and cautions in short, the next step."""

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from analysis.say.words import count_words, first_clause, plain_text
from logger.base.next_step import command_line, next_words
from logger.base.said_tonight import caution_words

if TYPE_CHECKING:
    from analysis.report.run_table import Line

TEXT_WIDTH: Final = 79
_WARNINGS_SHOWN: Final = 3
_DAMAGED_SHOWN: Final = 5

details_option = click.option(
    "--details", is_flag=True, help="Everything there is to say, not only the answer."
)


def echo_warnings(warnings: Sequence[str]) -> None:
    """Each warning as a paragraph of its own."""
    for warning in warnings:
        click.echo()
        click.echo(textwrap.fill(f"! {warning}", TEXT_WIDTH, subsequent_indent="  "))


def echo_warnings_in_short(warnings: Sequence[str]) -> None:
    """What each warning says first; how many more there are."""
    if warnings:
        click.echo()
    for warning in warnings[:_WARNINGS_SHOWN]:
        told = f"! {first_clause(warning)}"
        click.echo(textwrap.fill(told, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False))
    if len(warnings) > _WARNINGS_SHOWN:
        click.echo(f"! {count_words(len(warnings) - _WARNINGS_SHOWN, 'warning')} more: --details")


def echo_damaged(lines: Sequence["Line"]) -> None:
    """Runs whose rows or description are not to be built on, each with what is wrong and what to ask."""
    damaged = [line for line in lines if line.damage]
    for line in damaged[:_DAMAGED_SHOWN]:
        told = f"! {line.name}: {line.damage}: {command_line('check', line.folder)}"
        click.echo(textwrap.fill(told, TEXT_WIDTH, subsequent_indent="  ", break_on_hyphens=False))
    if len(damaged) > _DAMAGED_SHOWN:
        click.echo(f"! and {len(damaged) - _DAMAGED_SHOWN} more: drawbench check RUN")


def echo_caution(command: str, name: str, caution: str, *, whole: bool = False) -> None:
    """The caution, whole the first time this evening (``whole``: in any case), then in one line."""
    click.echo()
    words = caution_words(command, plain_text(name), plain_text(caution), whole=whole)
    click.echo(textwrap.fill(words, TEXT_WIDTH))


def echo_next(*steps: tuple[str, Sequence[str | Path]]) -> None:
    """What to do next, ready to paste."""
    click.echo()
    click.echo(next_words(*steps))
