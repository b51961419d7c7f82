"""Bad habits of boards that take more than a changed line: what is forgotten, late, too early, welded."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from firmware_probe.line_format import command, fixed, frame
from firmware_probe.twin.faults import Fault, FaultPlayer
from firmware_probe.twin.simulated_board import SimulatedBoard
from tests.support.conform_bench import AnyBoard, twin
from tests.support.spoiled_boards import Bodies, Orders, Spoiled, Values, Windows, body_of


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
