"""The simulated board with what it says or hears spoiled: lines in and out, one at a time, for any change to them."""

from collections.abc import Callable, Iterable

from firmware_probe.line_format import DECIMALS, WINDOW_FIELDS, fixed, frame
from firmware_probe.twin.simulated_board import SimulatedBoard
from tests.support.conform_bench import twin

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
