"""Serial ports: which are there, open one for ourselves alone, find the board among them.

Opening a port resets many boards (DTR). We keep DTR from dropping when we close
(HUPCL off), so that a logger that died and is started again finds the board still
counting; the first opening after plugging in cannot be helped.
"""

import contextlib
import errno
import glob
import os
import select
import socket
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import serial
from serial.tools import list_ports

from firmware_probe.line_format import BAUD_DEFAULT, command
from logger.base.errors import BenchError
from logger.board.port_access import cannot_open, check_device, claim, system_words
from logger.board.stream import Hello, LineDecoder

USUAL_BAUDS: Final = (115200, 9600, 57600, 38400, 19200, 230400, 250000, 500000, 1000000)
PATIENCE_S: Final = 3.5  # a board that resets on opening needs about two seconds
ASK_AGAIN_S: Final = 0.8
BAUD_PATIENCE_S: Final = 1.0
READ_MAX_BYTES: Final = 65536
WRITE_TIMEOUT_S: Final = 1.0
DTR_PULSE_S: Final = 0.05
GARBAGE_BYTES: Final = 16
HEARD_MAX_BYTES: Final = 400


class LinkLostError(Exception):
    """The port is gone: cable pulled, board unplugged, other end closed."""


@dataclass(frozen=True)
class Candidate:
    """A port that may have a board on it; ``usb_serial`` and ``words`` as the system gives them."""

    port: str
    usb_serial: str = ""
    words: str = ""


class Link:
    """An open port: ``read`` waits a little and gives what is there, ``write`` gives up after a second."""

    def __init__(self, port: str, handle: serial.SerialBase) -> None:
        self.port = port
        self._handle = handle
        self._fd: int | None = None
        if os.name == "posix":
            try:
                self._fd = handle.fileno()
            except (OSError, AttributeError, ValueError):
                self._fd = None
        # Elsewhere pyserial counts what waits in a socket as one byte, and gives it byte by byte.
        self._socket = getattr(handle, "_socket", None) if port.startswith("socket://") else None

    def read(self, wait_s: float) -> bytes:
        """Bytes that have come, empty after ``wait_s`` without any. Raises LinkLostError."""
        try:
            if self._fd is None and self._socket is not None:
                if not select.select([self._socket], [], [], wait_s)[0]:
                    return b""
                data = bytes(self._socket.recv(READ_MAX_BYTES))
            elif self._fd is None:
                self._handle.timeout = wait_s
                return bytes(self._handle.read(max(1, getattr(self._handle, "in_waiting", 0))))
            elif not select.select([self._fd], [], [], wait_s)[0]:
                return b""
            else:
                data = os.read(self._fd, READ_MAX_BYTES)
        except BlockingIOError:
            return b""
        except (OSError, serial.SerialException, TypeError) as error:
            raise LinkLostError(system_words(error)) from error
        if not data:
            raise LinkLostError("the other end closed the link")
        return data

    def write(self, data: bytes) -> None:
        """Send all. Raises LinkLostError."""
        try:
            self._handle.write(data)
        except (OSError, serial.SerialException) as error:
            raise LinkLostError(system_words(error)) from error

    def set_baud(self, baud: int) -> None:
        self._handle.baudrate = baud
        if isinstance(self._handle, serial.Serial):
            self._handle.reset_input_buffer()

    def pulse_reset(self) -> bool:
        """Reset the board by its DTR line, as uploading does; False where the port has none. Raises LinkLostError."""
        if not isinstance(self._handle, serial.Serial):
            return False
        try:
            self._handle.dtr = False
            time.sleep(DTR_PULSE_S)
            self._handle.dtr = True
        except (OSError, serial.SerialException) as error:
            if getattr(error, "errno", None) in (errno.ENOTTY, errno.EINVAL):
                return False  # a pseudo-terminal
            raise LinkLostError(system_words(error)) from error
        return True

    def close(self) -> None:
        # pyserial's socket:// keeps its socket open when the other end hung up first.
        left_open = getattr(self._handle, "_socket", None)
        with contextlib.suppress(OSError, serial.SerialException):
            self._handle.close()
        if isinstance(left_open, socket.socket):
            left_open.close()


def is_url(port: str) -> bool:
    return "://" in port


def candidates(pattern: str | None = None) -> list[Candidate]:
    """Ports that may have a board: those that fit the pattern, else every port with a device on USB."""
    known = {item.device: item for item in list_ports.comports()}
    if pattern is not None:
        if is_url(pattern):
            return [Candidate(pattern)]
        names = sorted(glob.glob(pattern)) if glob.has_magic(pattern) else [pattern]  # noqa: PTH207  # as typed
    else:
        names = [name for name, item in known.items() if item.vid is not None]
    found = []
    for name in names:
        item = known.get(name) or known.get(os.path.realpath(name))
        serial_number = (item.serial_number or "") if item else ""
        found.append(Candidate(name, serial_number, item.description if item else ""))
    return found


def open_link(port: str, baud: int = BAUD_DEFAULT) -> Link:
    """Open a port for ourselves alone.

    Raises BenchError: no such port, busy (and who has it), not permitted (and which group may).
    """
    if not is_url(port) and os.name == "posix":
        check_device(port, lambda: [item.port for item in candidates()])
    try:
        if is_url(port):
            handle = serial.serial_for_url(port, baudrate=baud, timeout=0, write_timeout=None)
        else:
            handle = serial.Serial(
                port, baud, timeout=0, write_timeout=WRITE_TIMEOUT_S, exclusive=True
            )
    except (OSError, ValueError) as error:
        raise cannot_open(port, baud, error) from error
    if os.name == "posix" and not is_url(port):
        claim(handle.fileno(), port)
    return Link(port, handle)


@dataclass
class _Asked:
    """A candidate while we wait for its answer."""

    candidate: Candidate
    link: Link
    decoder: LineDecoder
    asked_s: float
    hello: Hello | None = None
    gone: str = ""
    heard: bytes = b""


@dataclass(frozen=True)
class Silent:
    """A candidate that gave no hello. ``heard``: up to ``HEARD_MAX_BYTES`` of what it said."""

    candidate: Candidate
    link: Link
    heard: bytes

    @property
    def is_text(self) -> bool:
        """Readable text: the rate is right, but it is not our board."""
        readable = sum(0x20 <= byte <= 0x7E or byte in b"\r\n\t" for byte in self.heard)
        return readable > 0.95 * len(self.heard)


@dataclass(frozen=True)
class Found:
    """A board that answered, on its open link; ``pattern`` is what it was looked for with."""

    candidate: Candidate
    link: Link
    hello: Hello
    pattern: str | None = None


Wait = Callable[[], float]


def ask_all(
    links: Sequence[tuple[Candidate, Link]],
    *,
    patience_s: float = PATIENCE_S,
    now: Wait = time.monotonic,
) -> tuple[list[Found], list[Silent]]:
    """Ask every open link who is there. Gives the boards, and the rest with what was heard from each."""
    asked = [_Asked(candidate, link, LineDecoder(), float("-inf")) for candidate, link in links]
    end_s = now() + patience_s
    while now() < end_s and any(item.hello is None and not item.gone for item in asked):
        for item in asked:
            if item.hello is None and not item.gone:
                _listen(item, now(), 0.05 / len(asked))
    boards = [Found(item.candidate, item.link, item.hello) for item in asked if item.hello]
    rest = [Silent(item.candidate, item.link, item.heard) for item in asked if not item.hello]
    return boards, rest


def _listen(item: _Asked, now_s: float, wait_s: float) -> None:
    try:
        if now_s - item.asked_s >= ASK_AGAIN_S:
            item.link.write(b"\n" + command("identify"))
            item.asked_s = now_s
        data = item.link.read(wait_s)
        item.heard += data[: HEARD_MAX_BYTES - len(item.heard)]
        for line in item.decoder.feed(data):
            if isinstance(line, Hello):
                item.hello = line
    except LinkLostError as error:
        item.gone = str(error)


def find_boards(
    pattern: str | None,
    baud: int = BAUD_DEFAULT,
    *,
    patience_s: float = PATIENCE_S,
    list_candidates: Callable[[str | None], list[Candidate]] = candidates,
    now: Wait = time.monotonic,
) -> list[Found]:
    """Boards on the ports that fit ``pattern`` (None: all USB ports), each on its open link.

    Raises BenchError if there is none, with what was seen on each port.
    """
    ports = list_candidates(pattern)
    if not ports:
        raise BenchError(
            "No port with a board was found."
            if pattern is None
            else f"No port fits the pattern {pattern!r}.",
            next_step="plug the board in (some USB cables only charge), or name its port with --port. "
            "Without a board: drawbench simulate plays one.",
        )
    links: list[tuple[Candidate, Link]] = []
    refused: list[BenchError] = []
    for candidate in ports:
        try:
            links.append((candidate, open_link(candidate.port, baud)))
        except BenchError as error:
            refused.append(error)
    if not links:
        raise refused[0]
    boards, rest = ask_all(links, patience_s=patience_s, now=now)
    try:
        if not boards:
            raise _no_answer(rest, baud, refused, now)
    finally:
        for silent in rest:
            silent.link.close()
    return [replace(board, pattern=pattern) for board in boards]


def _no_answer(
    rest: Sequence[Silent], baud: int, refused: list[BenchError], now: Wait
) -> BenchError:
    for silent in rest:
        if len(silent.heard) < GARBAGE_BYTES:
            continue
        port = silent.candidate.port
        works = None
        if not (is_url(port) or silent.is_text):
            works = _working_baud(silent, baud, now)
        if works is not None:
            return BenchError(
                f"The board on {port} does not speak at {baud} baud.",
                evidence=f"{silent.heard[:12]!r}... makes no line at {baud}; a board answered at {works}",
                next_step=f"give --baud {works}.",
            )
        return BenchError(
            f"On {port} something speaks, but it is not a probe board at any usual rate.",
            evidence=f"{silent.heard[:40]!r}",
            next_step="load the probe sketch onto the board, or give its --baud.",
        )
    names = ", ".join(silent.candidate.port for silent in rest)
    also = f"; not opened: {'; '.join(error.happened for error in refused)}" if refused else ""
    return BenchError(
        f"No board answered on {names}.",
        evidence=f"nothing heard for {PATIENCE_S:g} s{also}",
        next_step="check that the probe sketch is on the board and that this is its port; press reset and try again.",
    )


def _working_baud(silent: Silent, tried: int, now: Wait) -> int | None:
    for baud in USUAL_BAUDS:
        if baud == tried:
            continue
        try:
            silent.link.set_baud(baud)
        except (OSError, ValueError, serial.SerialException):
            continue
        link = [(silent.candidate, silent.link)]
        if ask_all(link, patience_s=BAUD_PATIENCE_S, now=now)[0]:
            return baud
    return None


def one_board(boards: Sequence[Found]) -> Found:
    """The single board; raises BenchError if several answered."""
    if len(boards) == 1:
        return boards[0]
    for found in boards:
        found.link.close()
    listed = ", ".join(f"{found.hello.board} on {found.candidate.port}" for found in boards)
    raise BenchError(
        f"{len(boards)} boards answered; which one is meant?",
        evidence=listed,
        next_step="name it with --port, several with --port repeated, or record them all with --all-boards.",
    )
