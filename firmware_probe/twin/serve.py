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

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from typing import Any, Final, Protocol, TypeVar

from firmware_probe.twin.links import Link, PtyLink, TcpLink, best_link

__all__ = ["Board", "BoardServer", "Link", "PtyLink", "TcpLink", "best_link"]

_T = TypeVar("_T")

BUFFER_BYTES: Final = 65_536
# Board time of one round flat out; and how long a round may wait for the reader.
_CHUNK_US: Final = 10_000_000
_WAIT_S: Final = 0.02
_TICK_S: Final = 0.005
# A cable is out at least this long in host time, or the host would never see it.
UNPLUG_LEAST_S: Final = 0.3


class Board(Protocol):
    """What a server needs of a board: ``SimulatedBoard``, ``CannedBoard``, ``InterpreterBoard``."""

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

    @property
    def is_running(self) -> bool:
        return self._thread.is_alive()

    @property
    def is_unplugged(self) -> bool:
        return self._plug_in_s is not None

    def __enter__(self) -> "BoardServer":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
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
            # A wire that nobody listens to keeps nothing; flat out time stands still instead.
            if self._time_factor > 0.0:
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
