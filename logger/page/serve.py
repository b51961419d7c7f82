"""Bring the page up on a port of this computer, or of the local network when asked."""

import asyncio
import contextlib
import errno
import io
import socket
import threading
from collections.abc import Callable
from typing import Final

import segno
import uvicorn

from logger.base.errors import BenchError
from logger.page.bench import Bench
from logger.page.keys import Keys
from logger.page.server import allowed_hosts, build_app

PORT_DEFAULT: Final = 8017
PORTS_TRIED: Final = 20
LOCAL: Final = "127.0.0.1"


class PageServer:
    """A bound port, its key, and the server on it. ``on_key`` is told every new address."""

    def __init__(
        self,
        bench: Bench,
        *,
        port: int | None = None,
        lan: bool = False,
        on_key: Callable[[str], None] = lambda address: None,
    ) -> None:
        self._socket = bind(port, lan=lan)
        self.port: int = self._socket.getsockname()[1]
        self.host = lan_address() if lan else LOCAL
        self.keys = Keys(lambda key: on_key(self.address))
        names = {LOCAL, "localhost", self.host}
        app = build_app(bench, self.keys, allowed_hosts(sorted(names), self.port))
        config = uvicorn.Config(
            app,
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            lifespan="on",
            timeout_graceful_shutdown=1,
            ws="none",
            http="h11",
        )
        self._server = uvicorn.Server(config)
        self._served = threading.Event()

    @property
    def address(self) -> str:
        """The page's address with the key that works next. Browsers keep what is after # to themselves."""
        return f"http://{self.host}:{self.port}/#{self.keys.key}"

    def run(self, leave: Callable[[], None] = lambda: None) -> None:
        """Serve until ``stop``, SIGINT or SIGTERM; then ``leave`` is called at once, whatever its threads are at."""
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(self._serve(leave))

    async def _serve(self, leave: Callable[[], None]) -> None:
        try:
            await self._server.serve(sockets=[self._socket])
        finally:
            self._served.set()
            leave()

    def stop(self, wait_s: float = 0.0) -> None:
        """Stop serving; waits at most ``wait_s`` until the browsers have been told.

        ``run`` returns later: when what its threads are at, such as an import, is done.
        """
        self._server.should_exit = True
        self._served.wait(wait_s)


def bind(port: int | None, *, lan: bool) -> socket.socket:
    """A bound socket: on this very port, or without one on the first free from ``PORT_DEFAULT`` on.

    Raises BenchError if the port is taken.
    """
    host = "0.0.0.0" if lan else LOCAL
    tried = [port] if port is not None else [*range(PORT_DEFAULT, PORT_DEFAULT + PORTS_TRIED), 0]
    trouble: OSError | None = None
    for number in tried:
        found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
            found.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind((host, number))
            found.listen(128)
        except (OSError, OverflowError) as error:
            found.close()
            trouble = error if isinstance(error, OSError) else OSError(errno.EINVAL, str(error))
            continue
        return found
    assert trouble is not None
    raise BenchError(
        f"The page cannot use port {tried[0]}.",
        evidence="another program has it"
        if trouble.errno == errno.EADDRINUSE
        else trouble.strerror or str(trouble),
        next_step="leave --page-port away, and a free one is found; or give another number.",
    ) from trouble


def lan_address() -> str:
    """This computer's address in the local network; no packet is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: never in use
            return str(probe.getsockname()[0])
        except OSError as error:
            raise BenchError(
                "This computer is in no local network.",
                evidence=error.strerror or str(error),
                next_step="connect to one, or leave --lan away: the page is then seen on this computer only.",
            ) from error


def qr_text(address: str) -> str:
    """The address as a QR code of half blocks for a terminal."""
    out = io.StringIO()
    segno.make(address, error="l", micro=False).terminal(out, compact=True, border=2)
    return out.getvalue().rstrip("\n")
