"""Tell the board which sensor it has, and at which address; it keeps that over a power cut."""

import re
import time
from collections.abc import Callable, Sequence
from typing import Final

from firmware_probe.line_format import command
from logger.base.errors import BenchError
from logger.base.sensor_limits import SENSOR_LIMITS
from logger.board.probe_check import LineSource
from logger.board.stream import Answer, Hello, Item

SENSOR_KINDS: Final = ("auto", *SENSOR_LIMITS)
ANSWER_S: Final = 2.0
TRIES: Final = 3
_ADDRESS: Final = re.compile(r"4[0-9A-F]")


def address_of(text: str) -> str:
    """``auto``, or two hex digits from 40 to 4F as the board takes them, from ``0x45``, ``45h`` or ``45``.

    Raises ValueError.
    """
    word = text.strip().lower()
    if word == "auto":
        return word
    digits = word.removeprefix("0x").removesuffix("h").upper()
    if not _ADDRESS.fullmatch(digits):
        raise ValueError(
            f"{text!r} is no address of such a sensor: 40 to 4F (hexadecimal), or auto"
        )
    return digits


def set_sensor(
    link: LineSource,
    decode: Callable[[bytes], Sequence[Item]],
    hello: Hello,
    kind: str | None,
    address: str | None,
    now: Callable[[], float] = time.monotonic,
) -> Hello:
    """Give the board these settings, None leaves one as it is; the greeting that follows.

    Raises BenchError where the board refuses or does not answer.
    """
    for name, value in (("address", address), ("sensor", kind)):
        if value is not None:
            hello = _order(link, decode, (name, value), now)
    return hello


def _order(
    link: LineSource,
    decode: Callable[[bytes], Sequence[Item]],
    order: tuple[str, str],
    now: Callable[[], float],
) -> Hello:
    accepted = False
    for _ in range(TRIES):
        link.write(b"\n" + (command("identify") if accepted else command(*order)))
        end_s = now() + ANSWER_S
        while now() < end_s:
            for item in decode(link.read(0.1)):
                if isinstance(item, Answer) and item.command == order[0]:
                    _refused(order, item)
                    accepted = True
                elif isinstance(item, Hello) and accepted:
                    return item
    raise BenchError(
        "The board did not confirm its sensor's setting.",
        evidence=f"{order[0]} {order[1]}: asked {TRIES} times",
        next_step="press its reset button, then try again.",
    )


def _refused(order: tuple[str, str], answer: Answer) -> None:
    """Raises BenchError for a refusal that asking again does not change."""
    if answer.accepted or answer.reason == "crc":
        return
    why = {
        "busy": ("it is sending a run's readings", "end the recording first (Ctrl-C there)."),
        "unknown": (
            "its sketch is older than this setting",
            "load the present one: drawbench firmware FOLDER.",
        ),
    }.get(answer.reason, (f"reason: {answer.reason}", "drawbench probe shows what it has."))
    raise BenchError(
        f"The board did not take the {order[0]} {order[1]}.", evidence=why[0], next_step=why[1]
    )
