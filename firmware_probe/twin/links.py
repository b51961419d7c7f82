"""Ways from a simulated board to the host: a pseudo terminal, or TCP for ``socket://``."""

import errno
import os
import select
import socket
import sys
from pathlib import Path
from typing import Final, Protocol

_READ_BYTES: Final = 4096


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
    """A pseudo terminal in raw mode, optionally under a symbolic link that stays the same.

    ``renames``: plugged in again, it surely has another name (it may have without, too).
    """

    def __init__(self, link: Path | None = None, *, renames: bool = False) -> None:
        self._link = link
        self._renames = renames
        self._fd = -1
        self._name = ""

    @property
    def port(self) -> str:
        return str(self._link) if self._link else self._name

    def plug(self) -> None:
        import pty
        import termios
        import tty

        if self._link and self._link.exists() and not self._link.is_symlink():
            raise FileExistsError(f"{self._link} is there already and is not a link to a port")
        passed_over = []
        while True:
            self._fd, slave = pty.openpty()
            name = os.ttyname(slave)
            if not self._renames or name != self._name:
                break
            passed_over += [self._fd, slave]
        for fd in passed_over:
            os.close(fd)
        self._name = name
        tty.setraw(slave, termios.TCSANOW)
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
        if self._link and self._link.is_symlink():
            self._link.unlink()

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


def best_link(link: Path | None = None) -> Link:
    """A pty where the system has them, else TCP."""
    if sys.platform == "win32":
        return TcpLink()
    return PtyLink(link)
