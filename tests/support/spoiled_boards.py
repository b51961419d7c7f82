"""Boards that break one rule of PROTOCOL.md each: the simulated board, spoiled on its way in or out, or inside."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from firmware_probe.line_format import DECIMALS, WINDOW_FIELDS, command, crc16, fixed, frame
from firmware_probe.twin.faults import Fault, FaultPlayer
from firmware_probe.twin.simulated_board import SimulatedBoard
from tests.support.conform_bench import AnyBoard, twin

Values = dict[str, int]


class Spoiled:
    """Lines in and out of a board, one at a time, for a subclass to spoil; empty lines stay where they are."""

    def __init__(self, board: SimulatedBoard | None = None) -> None:
        self.board = board or twin()
        self._out = b""
        self._in = b""

    def receive(self, data: bytes) -> None:
        *lines, self._in = (self._in + data).split(b"\n")
        for line in lines:
            for sent in self.to_board(line + b"\n"):
                self.board.receive(sent)

    def advance(self, duration_us: int) -> bytes:
        *lines, self._out = (self._out + self.board.advance(duration_us)).split(b"\n")
        return b"".join(part for line in lines for part in self.from_board(line + b"\n"))

    def reset(self, cause: str = "reset") -> None:
        self._in = self._out = b""
        self.board.reset(cause)

    def to_board(self, line: bytes) -> Iterable[bytes]:
        return (line,)

    def from_board(self, line: bytes) -> Iterable[bytes]:
        return (line,)


def body_of(line: bytes) -> str:
    return line.rpartition(b"*")[0].decode(errors="replace")


class Raw(Spoiled):
    """Whole lines of the board through a function."""

    def __init__(self, change: Callable[[bytes], bytes]) -> None:
        super().__init__()
        self._change = change

    def from_board(self, line: bytes) -> Iterable[bytes]:
        return (self._change(line),)


class Bodies(Spoiled):
    """Bodies of lines of one kind through a function that gives the bodies to be sent, each with its right CRC."""

    def __init__(
        self,
        kind: str,
        change: Callable[[str], list[str]],
        board: SimulatedBoard | None = None,
    ) -> None:
        super().__init__(board)
        self._kind = kind
        self._change = change

    def from_board(self, line: bytes) -> Iterable[bytes]:
        body = body_of(line)
        if body.split(",")[0] != self._kind:
            return (line,)
        return [frame(text) for text in self._change(body)]


class Windows(Spoiled):
    """Window lines as integers of the smallest step."""

    def __init__(
        self, change: Callable[[Values], None], board: SimulatedBoard | None = None
    ) -> None:
        super().__init__(board)
        self._change = change

    def from_board(self, line: bytes) -> Iterable[bytes]:
        body = body_of(line)
        if not body.startswith("w,"):
            return (line,)
        fields = body.split(",")[1:]
        values = {
            name: int(text.replace(".", ""))
            for name, text in zip(WINDOW_FIELDS, fields, strict=True)
        }
        self._change(values)
        told = (fixed(value, DECIMALS.get(name, 0)) for name, value in values.items())
        return (frame(",".join(("w", *told))),)


class Orders(Spoiled):
    """What the host sends through a function: lines for the board, and answers that the board never gave."""

    def __init__(
        self,
        change: Callable[[bytes], bytes | None],
        answer: Callable[[bytes], bytes] = lambda line: b"",
        board: SimulatedBoard | None = None,
    ) -> None:
        super().__init__(board)
        self._change = change
        self._answer = answer
        self._extra = b""

    def to_board(self, line: bytes) -> Iterable[bytes]:
        self._extra += self._answer(line)
        changed = self._change(line)
        return () if changed is None else (changed,)

    def advance(self, duration_us: int) -> bytes:
        extra, self._extra = self._extra, b""
        return super().advance(duration_us) + extra


def scaled(name: str, over: int, under: int = 1) -> Windows:
    def change(values: Values) -> None:
        values[name] = values[name] * over // under

    return Windows(change)


def edited(kind: str, old: str, new: str) -> Bodies:
    return Bodies(kind, lambda body: [body.replace(old, new, 1)])


class Restarting(Spoiled):
    """Charge begins anew at every ``start``."""

    def __init__(self) -> None:
        super().__init__()
        self._base: Values | None = None

    def to_board(self, line: bytes) -> Iterable[bytes]:
        if line.startswith(b"start"):
            self._base = None
        return (line,)

    def from_board(self, line: bytes) -> Iterable[bytes]:
        fields = body_of(line).split(",")
        if fields[0] != "w":
            return (line,)
        charge, energy = (int(text.replace(".", "")) for text in fields[10:12])
        if self._base is None:
            self._base = {"charge": charge, "energy": energy}
        fields[10:] = [
            fixed(charge - self._base["charge"], 6),
            fixed(energy - self._base["energy"], 6),
        ]
        return (frame(",".join(fields)),)


class Unglued(Spoiled):
    """No LF before its hello."""

    def __init__(self) -> None:
        super().__init__()
        self._held = False

    def from_board(self, line: bytes) -> Iterable[bytes]:
        return () if line == b"\n" else (line,)


class Hasty(Spoiled):
    """Forgets half a command when nothing follows at once."""

    def receive(self, data: bytes) -> None:
        super().receive(data)
        self._in = b""


class Drifting(Orders):
    """Windows one in a hundred longer than it says."""

    def __init__(self) -> None:
        super().__init__(self._longer)

    @staticmethod
    def _longer(line: bytes) -> bytes:
        name, *fields = body_of(line).split(",")
        if (
            name != "window"
            or line != command(name, *fields)
            or not fields
            or not fields[0].isdigit()
        ):
            return line
        window_us = int(fields[0])
        longer_us = window_us * 101 // 100 if 10_000 <= window_us <= 100_000 else window_us
        return command(name, str(longer_us), *fields[1:])

    def from_board(self, line: bytes) -> Iterable[bytes]:
        body = body_of(line)
        if not body.startswith("hello"):
            return (line,)
        told = dict(part.split("=") for part in body.split(",")[1:])
        window_us = int(told["window_us"])
        real = window_us if told["boot"] != "1" else -(-window_us * 100 // 101)
        return (frame(body.replace(f"window_us={window_us}", f"window_us={real}")),)


class Welded(SimulatedBoard):
    """Says open; current flows on, and nobody looks."""

    @property
    def load_closed(self) -> bool:
        return True

    def _fault(self, code: str, detail: object) -> None:
        if code != "switch":
            super()._fault(code, detail)


@dataclass
class Forgetful(Spoiled):
    """Something of its memory is lost over a reset."""

    forget: Callable[[SimulatedBoard], None]
    board: SimulatedBoard = field(default_factory=twin)

    def __post_init__(self) -> None:
        super().__init__(self.board)

    def reset(self, cause: str = "reset") -> None:
        self.forget(self.board)
        super().reset(cause)


def _no_cutoff(board: SimulatedBoard) -> None:
    board.eeprom.cutoff_uv = 0
    board.eeprom.keep()


def _closed(board: SimulatedBoard) -> None:
    board.eeprom.load_open, board.eeprom.opened = False, ""
    board.eeprom.keep()


def _no_boot(board: SimulatedBoard) -> None:
    board.eeprom.boot -= 1
    board.eeprom.keep()


class Wrapping(Spoiled):
    """A clock of 32 bits; it has been on for 71 minutes."""

    def __init__(self, bits: int = 32) -> None:
        super().__init__()
        self._ahead_us = 2**32 - 60_000_000
        self._bits = bits

    def reset(self, cause: str = "reset") -> None:
        self._ahead_us = 0
        super().reset(cause)

    def from_board(self, line: bytes) -> Iterable[bytes]:
        body = body_of(line)
        kind, *fields = body.split(",")
        places = {"w": 1, "load": 0, "fault": 0}
        if kind == "hello":
            before, _, time_us = body.rpartition("time_us=")
            time_us, comma, rest = time_us.partition(",")
            return (frame(f"{before}time_us={self._time(time_us)}{comma}{rest}"),)
        if kind in places:
            fields[places[kind]] = self._time(fields[places[kind]])
            return (frame(",".join((kind, *fields))),)
        return (line,)

    def _time(self, text: str) -> str:
        return str((int(text) + self._ahead_us) % 2**self._bits)


class Silent(Spoiled):
    """Says nothing after a boot."""

    def __init__(self) -> None:
        super().__init__()
        self._asked = True

    def reset(self, cause: str = "reset") -> None:
        self._asked = False
        super().reset(cause)

    def to_board(self, line: bytes) -> Iterable[bytes]:
        self._asked = self._asked or line.startswith(b"identify")
        return (line,)

    def from_board(self, line: bytes) -> Iterable[bytes]:
        return (line,) if self._asked or not body_of(line).startswith("hello") else ()


class Eager(Spoiled):
    """Sends windows from its boot on."""

    def advance(self, duration_us: int) -> bytes:
        if self.board.time_us < 50_000 and self.board.eeprom.boot > 1:
            self.board.windows.start(self.board.simulated_us)
        return super().advance(duration_us)


class Remembering(Windows):
    """Charge goes on over a boot."""

    def __init__(self) -> None:
        super().__init__(self._add)
        self._kept = self._last = 0

    def reset(self, cause: str = "reset") -> None:
        self._kept = self._last
        super().reset(cause)

    def _add(self, values: Values) -> None:
        values["charge_mah"] += self._kept
        self._last = values["charge_mah"]


def stalling(tell: bool = True) -> AnyBoard:
    """Busy with something else for a quarter of a second, now and again."""
    script = [Fault(at, "stall", 0.25) for at in range(500_000, 60_000_000, 1_200_000)]
    board = twin(faults=FaultPlayer(script))
    return board if tell else Bodies("fault", lambda body: [], board)


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


class OneAtATime(Spoiled):
    """Of two commands that arrive together it takes the first."""

    def receive(self, data: bytes) -> None:
        first, end, _ = data.removeprefix(b"\n").partition(b"\n")
        super().receive(first + end if len(data) > 1 else data)


class Sluggish(Spoiled):
    """Says ``ok,stop`` at once and stops a little later."""

    def __init__(self) -> None:
        super().__init__()
        self._due_us: int | None = None
        self._answer = b""

    def to_board(self, line: bytes) -> Iterable[bytes]:
        if line == command("stop"):
            self._due_us = self.board.time_us + 500_000
            self._answer = frame("ok,stop")
            return ()
        if line == command("start"):
            self._due_us = None
        return (line,)

    def from_board(self, line: bytes) -> Iterable[bytes]:
        return () if body_of(line) == "ok,stop" else (line,)

    def advance(self, duration_us: int) -> bytes:
        if self._due_us is not None and self.board.time_us >= self._due_us:
            self._due_us = None
            self.board.receive(command("stop"))
        answer, self._answer = self._answer, b""
        return super().advance(duration_us) + answer


class Deafened(Spoiled):
    """After a byte that is no character it needs two LFs to come to itself."""

    def __init__(self) -> None:
        super().__init__()
        self._deaf = 0

    def to_board(self, line: bytes) -> Iterable[bytes]:
        if self._deaf:
            self._deaf -= 1
            return ()
        if b"\xff" in line:
            self._deaf = 1
        return (line,)


class Unmoved(Orders):
    """Another window length only after the next ``start``."""

    def __init__(self) -> None:
        super().__init__(self._swallow, self._say)

    def _swallow(self, line: bytes) -> bytes | None:
        return None if self._is_late(line) else line

    def _say(self, line: bytes) -> bytes:
        return frame("ok,window") if self._is_late(line) else b""

    def _is_late(self, line: bytes) -> bool:
        return self.board.windows.is_running and line.startswith(b"window,100000")


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


class Reordered(Spoiled):
    """The load line before the ``ok``."""

    def __init__(self) -> None:
        super().__init__()
        self._ok = b""

    def from_board(self, line: bytes) -> Iterable[bytes]:
        if body_of(line) == "ok,load":
            self._ok = line
            return ()
        ok, self._ok = self._ok, b""
        return (line, ok)


class Chattering(Spoiled):
    """Tells the same fault again and again, without the detail that belongs to it."""

    def __init__(self, body: str) -> None:
        super().__init__()
        self._body = body

    def from_board(self, line: bytes) -> Iterable[bytes]:
        body = body_of(line)
        if not body.startswith("w,"):
            return (line,)
        return (line, frame(self._body.format(time_us=body.split(",")[2])))


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
