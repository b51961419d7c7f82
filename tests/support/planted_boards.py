"""Boards that break one rule of PROTOCOL.md each, and the rule that has to name it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from firmware_probe.line_format import command, crc16, frame
from firmware_probe.twin.simulated_board import SimulatedBoard
from tests.support.conform_bench import AnyBoard, twin
from tests.support.spoiled_boards import (
    Bodies,
    Orders,
    Raw,
    Values,
    Windows,
    body_of,
    edited,
    scaled,
)
from tests.support.spoiled_habits import (
    Chattering,
    Deafened,
    Drifting,
    Eager,
    Forgetful,
    Hasty,
    OneAtATime,
    Remembering,
    Reordered,
    Restarting,
    Silent,
    Sluggish,
    Unglued,
    Unmoved,
    Welded,
    Wrapping,
    stalling,
)


def _no_cutoff(board: SimulatedBoard) -> None:
    board.eeprom.cutoff_uv = 0
    board.eeprom.keep()


def _closed(board: SimulatedBoard) -> None:
    board.eeprom.load_open, board.eeprom.opened = False, ""
    board.eeprom.keep()


def _no_boot(board: SimulatedBoard) -> None:
    board.eeprom.boot -= 1
    board.eeprom.keep()


def _twice(body: str) -> list[str]:
    return [body, body] if body == "ok,stop" else [body]


def _recrc(line: bytes) -> bytes:
    return frame(body_of(line)) if body_of(line).startswith("window,") else line


def _short(line: bytes) -> bytes:
    """Keeps the end of what is too long."""
    return (
        b"window" + line.partition(b"window")[2] if len(line) > 80 and b"window" in line else line
    )


def _clamped(line: bytes) -> bytes:
    return command("window", "10000") if line == command("window", "9999") else line


def _fewer(line: bytes) -> bytes:
    """Refuses fields it does not know."""
    return (
        b"window*0000\n"
        if body_of(line).startswith("window") and body_of(line).count(",") > 1
        else line
    )


def _pushed(line: bytes) -> bytes:
    return command("load", "1", "1") if line == command("load", "1") else line


def _later(body: str) -> list[str]:
    time_us = int(body.split(",")[1])
    return [body.replace(f",{time_us},", f",{time_us - 300_000},") if "cutoff" in body else body]


def _no_time(body: str) -> list[str]:
    kind, _, *rest = body.split(",")
    return [",".join((kind, "0", *rest)) if rest == ["0", "host"] else body]


def _no_volts(body: str) -> list[str]:
    return [
        ",".join(
            "cutoff_v=0.000000" if part.startswith("cutoff_v") else part for part in body.split(",")
        )
    ]


def _answers(prefix: bytes, body: str, board: SimulatedBoard | None = None) -> Orders:
    """Says this to lines that begin so, and does nothing."""
    return Orders(
        lambda line: None if line.startswith(prefix) else line,
        lambda line: frame(body) if line.startswith(prefix) else b"",
        board,
    )


def _lower(line: bytes) -> bytes:
    return line[:-5] + line[-5:].lower()


def _damaged(line: bytes) -> bytes:
    return line[:-5] + b"%04X\n" % (crc16(line[:-6]) ^ 0x8000) if b"*" in line else line


def _put(line: bytes, more: bytes) -> bytes:
    """Into the firmware's name, with the CRC that belongs to it."""
    body = line.rpartition(b"*")[0].replace(b"simulated-", b"simulated-" + more)
    return b"%s*%04X\n" % (body, crc16(body)) if body.startswith(b"hello") else line


def _swapped(values: Values) -> None:
    values["current_min_ma"], values["current_max_ma"] = (
        values["current_max_ma"],
        values["current_min_ma"],
    )


def _one_more(values: Values) -> None:
    values["conversions"] += 1


def _doubled(values: Values) -> None:
    values["conversions"] *= 2


def _bus_for_pack(values: Values) -> None:
    values["pack_v"] = values["bus_v"]


def _in_milliseconds(values: Values) -> None:
    values["time_us"] //= 1000


@dataclass(frozen=True)
class Planted:
    """``rule``: the one that has to name it; ``also``: what breaks with it, for it cannot hold then."""

    name: str
    make: Callable[[], AnyBoard]
    rule: str
    also: tuple[str, ...] = ()
    options: dict[str, Any] = field(default_factory=dict)


def _ignore(prefix: bytes) -> Callable[[], AnyBoard]:
    return lambda: Orders(lambda line: None if line.startswith(prefix) else line)


PLANTED: Final = (
    Planted("wrong CRC", lambda: Raw(_damaged), "crc"),
    Planted("CRC in lower case", lambda: Raw(_lower), "crc-digits"),
    Planted("CR alone ends a line", lambda: Raw(lambda line: line.replace(b"\n", b"\r")), "characters"),
    Planted("a star in a line", lambda: Raw(lambda line: _put(line, b"*")), "characters"),
    Planted("hello of 320 bytes", lambda: Raw(lambda line: _put(line, b"9" * 90)), "length"),
    Planted("five decimals", lambda: Bodies("w", lambda body: [body[:-1]]), "numbers", ("energy",)),
    Planted("a key is missing", lambda: edited("hello", "range_ma", "full_ma"), "hello-keys"),
    Planted("a key stands twice", lambda: edited("hello", ",load=", ",cause=power,load="), "hello-keys"),
    Planted("volts with two decimals", lambda: edited("hello", ".000,window", ".00,window"), "hello-forms"),
    Planted("glued hello", Unglued, "hello-lf"),
    Planted("no hello after a boot", Silent, "hello-after-boot"),
    Planted("wrong boot count", lambda: Forgetful(_no_boot), "boot-counts"),
    Planted("charge goes on over a boot", Remembering, "from-zero"),
    Planted("window twice", lambda: Bodies("w", lambda body: [body, body]), "sequence", ("time-order", "window-length", "window-next", "conversions")),
    Planted("clock of 32 bits", Wrapping, "time-wrap", ("time-order",), options={"wait_wrap": True}),
    Planted("time in milliseconds", lambda: Windows(_in_milliseconds), "board-clock", ("window-length", "window-next", "conversions", "from-zero")),
    Planted("windows drift", Drifting, "window-length"),
    Planted("one conversion too many", lambda: Windows(_one_more), "counts"),
    Planted("conversions repeated", lambda: Windows(_doubled), "conversions"),
    Planted("conversions repeated, slow sensor", lambda: Windows(_doubled, twin("ina226")), "conversions"),
    Planted("missed, and not told", lambda: stalling(tell=False), "conversions", ("window-length",)),
    Planted("least above the mean", lambda: Windows(_swapped), "least-and-mean"),
    Planted("pack is bus", lambda: Windows(_bus_for_pack), "pack-and-bus", ("least-and-mean",)),
    Planted("current in tenths", lambda: scaled("current_ma", 10), "pack-and-bus", ("counts", "least-and-mean", "load-opens", "charge", "energy")),
    Planted("charge with the wrong sign", lambda: scaled("charge_mah", -1), "charge", ("counters-go-on",)),
    Planted("charge in mAs", lambda: scaled("charge_mah", 3600), "charge", ("counters-go-on", "from-zero")),
    Planted("charge one in a hundred short", lambda: scaled("charge_mah", 99, 100), "charge"),
    Planted("energy in mWs", lambda: scaled("energy_mwh", 3600), "energy", ("counters-go-on",)),
    Planted("counters begin anew at start", Restarting, "counters-go-on"),
    Planted("load line before ok", Reordered, "load-answer"),
    Planted("switch welded, and not told", lambda: twin(make=Welded), "load-opens"),
    Planted("load closed after a reset", lambda: Forgetful(_closed), "load-survives", ("from-zero", "cutoff-trips")),
    Planted("fault without its detail", lambda: Chattering("fault,{time_us},range,"), "fault-form", ("fault-pause",)),
    Planted("the same fault all the time", lambda: Chattering("fault,{time_us},bus,"), "fault-pause"),
    Planted("answered twice", lambda: Bodies("ok", _twice), "answered", ("joined-commands",)),
    Planted("unknown command: nothing", _ignore(b"sing"), "unknown-command"),
    Planted("unknown command: ok", lambda: _answers(b"sing", "ok,sing-a-song"), "unknown-command"),
    Planted("wrong CRC obeyed", lambda: Orders(_recrc), "wrong-crc"),
    Planted("any number is taken", lambda: Orders(_clamped), "out-of-range"),
    Planted("fields beyond refused", lambda: Orders(_fewer), "more-fields"),
    Planted("CR not understood", lambda: Orders(lambda line: line.replace(b"\r", b"!")), "cr-before-lf", ("empty-line",)),
    Planted("empty lines answered", lambda: Orders(lambda line: line, lambda line: frame("no,?,crc") if line == b"\n" else b""), "empty-line"),
    Planted("bare identify not answered", _ignore(b"identify\n"), "bare-identify"),
    Planted("split command ignored", Hasty, "split-command"),
    Planted("end of a long line obeyed", lambda: Orders(_short), "overlong-command"),
    Planted("windows from the boot on", Eager, "quiet-after-boot", ("from-zero",)),
    Planted("cutoff forgotten after a reset", lambda: Forgetful(_no_cutoff), "cutoff-survives"),
    Planted("cutoff without its hold", lambda: Bodies("load", _later), "cutoff-opens"),
    Planted("does not tell its cutoff", lambda: Bodies("hello", _no_volts), "hello-tells"),
    Planted("one command at a time", OneAtATime, "joined-commands"),
    Planted("a load line without its time", lambda: Bodies("load", _no_time), "time-order"),
    Planted("stops later than it says", Sluggish, "start-stop"),
    Planted("no burst lines", lambda: Bodies("burst", lambda body: []), "burst-line"),
    Planted("a cutoff without a switch", lambda: _answers(b"cutoff", "ok,cutoff", twin(switch_fitted=False)), "load-fitted"),
    Planted("flex-start with anything", lambda: _answers(b"flex-start", "ok,flex-start"), "flex-refused"),
    Planted("deaf after garbage", Deafened, "garbage", ("overlong-command",)),
    Planted("a missing field is out of range", lambda: edited("no", "window,field", "window,range"), "missing-field"),
    Planted("window length at the next start", Unmoved, "window-next", ("window-length",)),
    Planted("load,1 closes after a cutoff", lambda: Orders(_pushed), "cutoff-trips", ("load-survives",)),
)  # fmt: skip
