"""What was said to the board and what came back, byte by byte, with an end to every wait.

Apart from ``logger.board.dialogue`` on purpose: that says a command again until it is answered, here once must do.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, Protocol

from firmware_probe.line_format import command
from logger.conform.lines import Line

ANSWER_S: Final = 1.0
# After an answer: is there a second one?
AFTER_S: Final = 0.06
READ_WAIT_S: Final = 0.05
_KEEP_BYTES: Final = 60


class Wire(Protocol):
    """An open port, as ``logger.board.port.Link`` gives it."""

    def read(self, wait_s: float) -> bytes: ...
    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...
    def pulse_reset(self) -> bool: ...


@dataclass(frozen=True)
class Exchange:
    """What was sent, and the lines that came until the wait was over. ``tail``: bytes behind the last LF."""

    sent: bytes
    lines: tuple[Line, ...]
    tail: bytes = b""

    @property
    def answers(self) -> tuple[Line, ...]:
        """Lines that answer a command."""
        return tuple(line for line in self.lines if line.kind in ("ok", "no"))

    @property
    def told(self) -> tuple[str, ...]:
        """Bodies of the answers."""
        return tuple(line.body for line in self.answers)

    @property
    def hellos(self) -> tuple[Line, ...]:
        return tuple(line for line in self.lines if line.kind == "hello")

    @property
    def seen(self) -> bytes:
        """The bytes that came, windows left out where something else did."""
        told = [line.raw for line in self.lines if line.kind != "w"] or [
            line.raw for line in self.lines[:1]
        ]
        return b"\n".join([*told, self.tail] if self.tail else told)


@dataclass
class Talk:
    """``lines``: all that came, in order. ``reopen``: the port closed and opened again. ``now``: seconds."""

    wire: Wire
    reopen: Callable[[Wire], Wire]
    now: Callable[[], float]
    lines: list[Line] = field(default_factory=list)
    boot: int = 0
    tail: bytes = b""
    heard: int = 0
    recent: bytes = b""
    _alone: bool = True
    _lenient: bool = True

    def listen(self, seconds: float, until: Callable[[Line], bool] | None = None) -> list[Line]:
        """Lines of so many seconds, or up to the first for which ``until`` is true."""
        begun = len(self.lines)
        end_s = self.now() + seconds
        while (left_s := end_s - self.now()) > 0:
            before = len(self.lines)
            self._take(self.wire.read(min(READ_WAIT_S, left_s)))
            if until and any(until(line) for line in self.lines[before:]):
                break
        return self.lines[begun:]

    def say(
        self,
        data: bytes,
        *more: bytes,
        pause_s: float = 0.0,
        wait_s: float = ANSWER_S,
        ends: Callable[[Line], bool] | None = None,
    ) -> Exchange:
        """Send bytes, in pieces with a pause between, and listen until an answer (``ends``), and a little longer."""
        begun = len(self.lines)
        self.wire.write(data)
        for piece in more:
            self.listen(pause_s)
            self.wire.write(piece)
        is_end = ends or (lambda line: line.kind in ("ok", "no", "hello"))
        if not any(is_end(line) for line in self.lines[begun:]):
            self.listen(wait_s, is_end)
        self.listen(AFTER_S)
        return Exchange(data + b"".join(more), tuple(self.lines[begun:]), self.tail[-_KEEP_BYTES:])

    def ask(self, name: str, *fields: str, wait_s: float = ANSWER_S) -> Exchange:
        """A command in full, and what came back."""
        return self.say(command(name, *fields), wait_s=wait_s)

    def hello(self) -> Exchange:
        """``identify``, and what came back up to the hello."""
        return self.say(command("identify"), ends=lambda line: line.kind in ("hello", "no"))

    def begin_boot(self) -> None:
        """The board is being reset: what comes before its hello may be torn, or a boot loader's chatter."""
        self.boot += 1
        self.tail = b""
        self._alone = True
        self._lenient = True

    def open_again(self) -> None:
        self.wire = self.reopen(self.wire)

    def _take(self, data: bytes) -> None:
        self.heard += len(data)
        self.recent = (self.recent + data)[-_KEEP_BYTES:]
        *whole, self.tail = (self.tail + data).split(b"\n")
        for raw in whole:
            text = raw.removesuffix(b"\r")
            if not text:
                self._alone = True
                continue
            line = Line(text, self.now(), self.boot, self._alone, len(raw) + 1)
            self._alone = False
            if self._lenient:
                # The end of a line begun before we listened.
                if line.faults and line.kind != "hello":
                    continue
                self._lenient = False
            self.lines.append(line)
