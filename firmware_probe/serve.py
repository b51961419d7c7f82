"""Serves a simulated board as a serial port: over a pty, or over TCP for ``socket://``.

One thread plays the board against the host's clock. What happens to bytes that
the reader does not fetch, by ``time_factor``:

- 0 (flat out): nothing is lost. The board's time stands still while the reader's buffer is
  full or nobody has the port open, and runs at 1x while the board waits for a command.
- above 0 (1: real time): time goes on regardless, as it does for a real board. Bytes wait in
  a buffer of ``BUFFER_BYTES``, as in a serial driver; what does not fit is lost and
  counted in ``bytes_lost``. What is sent while nobody has the port open is lost, too.

If the computer cannot keep up with a time factor, the board's time lags; it never skips.

Unplugging takes the pty away (its reader sees a hang-up) and brings another one, maybe
under another name; a ``link`` path stays the same. Over TCP the connection and the listening
socket are closed and come back on the same port number.
"""

import errno
import os
import select
import socket
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from queue import SimpleQueue
from types import TracebackType
from typing import Any, Final, Protocol, TypeVar


_T = TypeVar("_T")

BUFFER_BYTES: Final = 65_536
_READ_BYTES: Final = 4096
# Board time of one round flat out; and how long a round may wait for the reader.
_CHUNK_US: Final = 10_000_000
_WAIT_S: Final = 0.02
_TICK_S: Final = 0.005
# A cable is out at least this long in host time, or the host would never see it.
UNPLUG_LEAST_S: Final = 0.3


class Board(Protocol):
    """What a server needs of a board: ``SimulatedBoard`` or ``CannedBoard``."""

    time_factor: float

    def receive(self, data: bytes) -> None: ...

    def advance(self, duration_us: int) -> bytes: ...

    def reset(self, cause: str = "reset") -> None: ...

    @property
    def is_idle(self) -> bool: ...

    @property
    def window_us(self) -> int: ...

    @property
    def link_down_left_us(self) -> int: ...


class Link(Protocol):
    """One way to the host; all calls return at once but ``wait``."""

    @property
    def port(self) -> str:
        """What the host gives to pyserial."""

    def plug(self) -> None:
        """Make the port appear."""

    def unplug(self) -> None:
        """Make the port vanish."""

    def is_open(self) -> bool:
        """Has a reader the port open?"""

    def read(self) -> bytes:
        """Bytes from the host, empty if none."""

    def write(self, data: bytes) -> int:
        """Number of bytes that the host's buffer took."""

    def wait(self, timeout_s: float, *, to_write: bool) -> None:
        """Until the host sent something or, ``to_write``, can take more."""


class PtyLink:
    """A pseudo terminal in raw mode, optionally under a symbolic link that stays the same."""

    def __init__(self, link: Path | None = None) -> None:
        self._link = link
        self._fd = -1
        self._name = ""

    @property
    def port(self) -> str:
        return str(self._link) if self._link else self._name

    def plug(self) -> None:
        import pty
        import termios
        import tty

        self._fd, slave = pty.openpty()
        tty.setraw(slave, termios.TCSANOW)
        self._name = os.ttyname(slave)
        # Closed again so that the kernel tells whether a reader has it open; raw mode stays.
        os.close(slave)
        os.set_blocking(self._fd, False)
        if self._link:
            temporary = self._link.with_name(self._link.name + ".new")
            temporary.unlink(missing_ok=True)
            temporary.symlink_to(self._name)
            temporary.replace(self._link)

    def unplug(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
        if self._link:
            self._link.unlink(missing_ok=True)

    def is_open(self) -> bool:
        if self._fd < 0:
            return False
        return not self._poll(select.POLLIN, 0.0) & select.POLLHUP

    def read(self) -> bytes:
        try:
            return os.read(self._fd, _READ_BYTES)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EIO):
                return b""
            raise

    def write(self, data: bytes) -> int:
        try:
            return os.write(self._fd, data)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EIO):
                return 0
            raise

    def wait(self, timeout_s: float, *, to_write: bool) -> None:
        self._poll(select.POLLIN | (select.POLLOUT if to_write else 0), timeout_s)

    def _poll(self, events: int, timeout_s: float) -> int:
        poller = select.poll()
        poller.register(self._fd, events)
        return next((event for _, event in poller.poll(timeout_s * 1000)), 0)


class TcpLink:
    """A listening socket on this computer only, one reader at a time."""

    def __init__(self, number: int = 0) -> None:
        self._number = number
        self._listener: socket.socket | None = None
        self._reader: socket.socket | None = None

    @property
    def port(self) -> str:
        return f"socket://127.0.0.1:{self._number}"

    def plug(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self._number))
        self._listener.setblocking(False)
        self._number = self._listener.getsockname()[1]

    def unplug(self) -> None:
        for end in (self._reader, self._listener):
            if end:
                end.close()
        self._reader = self._listener = None

    def is_open(self) -> bool:
        if self._reader is None and self._listener is not None:
            try:
                self._reader, _ = self._listener.accept()
            except BlockingIOError:
                return False
            self._reader.setblocking(False)
            self._reader.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return self._reader is not None

    def read(self) -> bytes:
        if self._reader is None:
            return b""
        try:
            data = self._reader.recv(_READ_BYTES)
        except BlockingIOError:
            return b""
        except ConnectionError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def write(self, data: bytes) -> int:
        if self._reader is None:
            return 0
        try:
            return self._reader.send(data)
        except BlockingIOError:
            return 0
        except ConnectionError:
            self._hang_up()
            return 0

    def wait(self, timeout_s: float, *, to_write: bool) -> None:
        end = self._reader or self._listener
        if end is not None:
            select.select([end], [end] if to_write else [], [], timeout_s)

    def _hang_up(self) -> None:
        if self._reader:
            self._reader.close()
        self._reader = None


class BoardServer:
    """Plays a board on a link from a thread of its own; a context manager.

    ``reset_on_open``: opening the port resets the board, as the DTR line of many boards does.
    ``time_factor``: board seconds per host second, 0 flat out. ``clock`` and ``sleep`` are the host's.

    ``with BoardServer(board, PtyLink()) as server: open(server.port)``. ``step`` does one round and can be
    called without the thread. An error in the thread is raised again by ``close``.
    """

    def __init__(
        self,
        board: Board,
        link: Link,
        *,
        time_factor: float = 1.0,
        reset_on_open: bool = False,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if time_factor < 0.0:
            raise ValueError(f"time factor {time_factor}: 0 (flat out) or more")
        self.board = board
        self.bytes_lost = 0
        self.unplugged = 0
        board.time_factor = time_factor
        self._link = link
        self._time_factor = time_factor
        self._reset_on_open = reset_on_open
        self._clock = clock
        self._sleep = sleep
        self._requests: SimpleQueue[tuple[Future[Any], Callable[[], Any]]] = SimpleQueue()
        self._ended = threading.Event()
        self._error: BaseException | None = None
        self._pending = b""
        self._was_open = False
        self._plug_in_s: float | None = None
        # The lines of its first boot went out before anybody could listen.
        board.advance(0)
        link.plug()
        self._last_s = clock()
        self._thread = threading.Thread(target=self._play, name="simulated board", daemon=True)

    @property
    def port(self) -> str:
        """Port name for pyserial; another one after an unplugging, unless a ``link`` was given."""
        return self._link.port

    def __enter__(self) -> "BoardServer":
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the thread and take the port away."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join()
        self._link.unplug()
        if self._error is not None:
            error, self._error = self._error, None
            raise error

    def ask(self, action: Callable[[], _T]) -> _T:
        """Result of ``action`` run between two rounds: the way to look at the board or to play tricks on it.

        Raises what ``action`` raises; RuntimeError if the server has ended.
        """
        future: Future[_T] = Future()
        self._requests.put((future, action))
        while True:
            try:
                return future.result(timeout=0.1)
            except TimeoutError:
                if not self._thread.is_alive():
                    raise RuntimeError("the simulated board has ended") from self._error

    def unplug(self, least_s: float = UNPLUG_LEAST_S) -> None:
        """Pull the cable now; it is back after ``least_s`` of the host's time."""
        self.ask(lambda: self._take_away(least_s))

    def _play(self) -> None:
        try:
            while not self._ended.is_set():
                self._answer()
                wait_s, to_write = self.step()
                if self._plug_in_s is not None or not self._was_open:
                    self._sleep(_TICK_S)
                elif wait_s > 0.0:
                    self._link.wait(wait_s, to_write=to_write)
        except BaseException as error:  # noqa: BLE001 - handed over to close()
            self._error = error

    def _answer(self) -> None:
        """Requests of other threads."""
        while not self._requests.empty():
            future, action = self._requests.get()
            try:
                future.set_result(action())
            except Exception as error:  # noqa: BLE001 - it belongs to the one who asked
                future.set_exception(error)

    def step(self) -> tuple[float, bool]:
        """One round; returns how long to wait for the host in s, and whether for room to write."""
        now_s = self._clock()
        passed_s, self._last_s = now_s - self._last_s, now_s
        if self._plug_in_s is not None:
            self._wait_for_plug(now_s, passed_s)
            return _TICK_S, False
        self._notice_reader()
        if self._was_open and (data := self._link.read()):
            self.board.receive(data)
        self._pending += self._advance(passed_s)
        if self.board.link_down_left_us:
            self._take_away(UNPLUG_LEAST_S)
            return _TICK_S, False
        self._send()
        if self._pending:
            return _WAIT_S, True
        return (0.0 if self._runs_flat_out() else _TICK_S), False

    def _runs_flat_out(self) -> bool:
        return self._time_factor == 0.0 and self._was_open and not self.board.is_idle

    def _advance(self, passed_s: float) -> bytes:
        """Board time for this round."""
        if self._time_factor > 0.0:
            return self.board.advance(round(passed_s * self._time_factor * 1e6))
        if not self._was_open or self._pending:
            return self.board.advance(0)
        if self.board.is_idle:
            return self.board.advance(round(passed_s * 1e6))
        # A few windows at a time, so that commands come through between them.
        return self.board.advance(min(max(self.board.window_us * 8, 100_000), _CHUNK_US))

    def _send(self) -> None:
        if not self._was_open:
            # Nobody there: the wire does not keep anything.
            self._pending = b""
            return
        if self._pending:
            written = self._link.write(self._pending)
            self._pending = self._pending[written:]
        if self._time_factor > 0.0 and len(self._pending) > BUFFER_BYTES:
            self.bytes_lost += len(self._pending) - BUFFER_BYTES
            self._pending = self._pending[:BUFFER_BYTES]

    def _notice_reader(self) -> None:
        is_open = self._link.is_open()
        if is_open and not self._was_open and self._reset_on_open:
            self._pending = b""
            self.board.reset("reset")
        self._was_open = is_open

    def _take_away(self, least_s: float) -> None:
        self._link.unplug()
        self.unplugged += 1
        self._was_open = False
        self._pending = b""
        self._plug_in_s = self._clock() + least_s

    def _wait_for_plug(self, now_s: float, passed_s: float) -> None:
        """Board time goes on while the cable is out; flat out it runs to the end of it and waits."""
        left_us = self.board.link_down_left_us
        if self._time_factor > 0.0:
            self.board.advance(round(passed_s * self._time_factor * 1e6))
        elif left_us:
            self.board.advance(left_us)
        assert self._plug_in_s is not None
        if now_s >= self._plug_in_s and not self.board.link_down_left_us:
            self._link.plug()
            self._plug_in_s = None


def best_link(link: Path | None = None) -> Link:
    """A pty where the system has them, else TCP."""
    if sys.platform == "win32":
        return TcpLink()
    return PtyLink(link)
