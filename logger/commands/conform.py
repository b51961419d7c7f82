"""``drawbench conform``: does a firmware of one's own keep the rules of PROTOCOL.md?"""

import json
import sys
import textwrap
import time
from typing import Final

import click

from logger.base.command_options import baud_option, given_again
from logger.base.errors import BenchError
from logger.base.next_step import next_words
from logger.base.typed.answers import ask_yes
from logger.board.port import Link, LinkLostError, open_link
from logger.conform.contract import contract
from logger.conform.course import Conformance, try_board
from logger.conform.talk import Talk, Wire
from logger.conform.words import SWITCH_CAUTION, TEXT_WIDTH, answer_words, as_json, screen_lines

BROKEN_EXIT: Final = 1
# A board with USB of its own takes its port away when it is reset.
AWAY_S: Final = 8.0


@click.command("conform")
@click.argument("port")
@baud_option
@click.option(
    "--unplugged/--plugged",
    "unplugged",
    default=None,
    help="The piece is unplugged, the load switch may be moved; or not [default: asked].",
)
@click.option(
    "--wrap", is_flag=True, help="Wait until the board's clock has passed 2^32 us: 72 min."
)
@click.option("--details", is_flag=True, help="The rules that hold, too.")
@click.option("--json", "as_text", is_flag=True, help="Say it as JSON.")
def conform_command(
    port: str, baud: int, unplugged: bool | None, wrap: bool, details: bool, as_text: bool
) -> None:
    """Try every rule of the line protocol on the board on PORT, for whoever writes a firmware.

    Takes half a minute. Exit code 1: a rule is broken.
    """
    link = open_link(port, baud)
    asks = sys.stdin.isatty() and not as_text
    try:
        result = _tried(link, port, baud, _may_switch(unplugged, asks), wrap, asks)
    except LinkLostError as error:
        raise BenchError(
            f"The board on {port} went away during the test.",
            evidence=str(error),
            next_step="check the cable and try again; a cutoff and a window length of the test may still be set.",
        ) from error
    if as_text:
        click.echo(json.dumps(as_json(port, result), ensure_ascii=False, indent=1))
    else:
        _echo(port, result, details)
    if not result.holds:
        sys.exit(BROKEN_EXIT)


def _may_switch(unplugged: bool | None, asks: bool) -> bool:
    if unplugged is not None or not asks:
        return bool(unplugged)
    click.echo(textwrap.fill(SWITCH_CAUTION, TEXT_WIDTH))
    return ask_yes(
        "Is the piece unplugged? Else the switch is left alone.", default=False, clear=True
    )


def _tried(
    link: Link, port: str, baud: int, may_switch: bool, wrap: bool, asks: bool
) -> Conformance:
    def reopen(wire: Wire) -> Wire:
        wire.close()
        end_s = time.monotonic() + AWAY_S
        while True:
            time.sleep(0.3)  # long enough for the other end to notice
            try:
                return open_link(port, baud)
            except BenchError:
                if time.monotonic() > end_s:
                    raise

    def say(words: str) -> None:
        click.echo(f"trying: {words}", err=True)

    def ask_reset() -> bool:
        if asks:
            click.echo("Press the board's reset button now, within half a minute.", err=True)
        return asks

    talk = Talk(link, reopen, time.monotonic)
    try:
        return try_board(
            talk, contract(), may_switch=may_switch, wait_wrap=wrap, ask_reset=ask_reset, say=say
        )
    finally:
        talk.wire.close()


def _echo(port: str, result: Conformance, details: bool) -> None:
    click.echo(answer_words(result))
    for line in screen_lines(result, details=details):
        click.echo(line)
    click.echo()
    if result.holds:
        rate = given_again(("unplugged", "wrap", "details", "as_text"))
        click.echo(next_words(("Is it wired right", ["probe", "--port", port, *rate])))
    else:
        click.echo(next_words(("When it is mended", ["conform", port, *given_again()])))
