"""Bring the page up on a port of this computer, or of the local network when asked."""

import asyncio
import contextlib
import errno
import socket
import threading
from collections.abc import Callable, Mapping
from typing import Any, Final

import uvicorn

from logger.base.errors import BenchError, spoken
from logger.page.bench import Bench
from logger.page.codes import first_text, next_text
from logger.page.door import HEADER_MAX, IDLE_S, QUEUE, TAKEN_AT_ONCE, Door, protocol_at
from logger.page.guard import HEADERS, allowed_hosts
from logger.page.keys import Keys
from logger.page.server import build_app

PORT_DEFAULT: Final = 8017
PORTS_TRIED: Final = 20
LOCAL: Final = "127.0.0.1"


class PageServer:
    """A bound port, its keys, and the server on it.

    ``on_used``: told what the terminal shall say when an act key was used. ``on_kept``: told ``Keys.kept`` whenever
    it changes; ``kept``: the same from a page that went before.
    """

    def __init__(
        self,
        bench: Bench,
        *,
        port: int | None = None,
        lan: bool = False,
        on_used: Callable[[str], None] = lambda text: None,
        on_kept: Callable[[dict[str, Any]], None] = lambda kept: None,
        kept: Mapping[str, Any] | None = None,
    ) -> None:
        self._socket = bind(port, lan=lan)
        self._lan = lan
        self.port: int = self._socket.getsockname()[1]
        self.host = lan_address() if lan else LOCAL
        self.keys = Keys(
            on_act=lambda: on_used(next_text(self.link(self.keys.act), lan)),
            on_change=lambda: on_kept(self.keys.kept()),
            kept=kept,
        )
        names = {LOCAL, "localhost", self.host}
        self.door = Door(own=frozenset({self.host}))
        hosts = allowed_hosts(names, self.port)
        config = uvicorn.Config(
            build_app(bench, self.keys, hosts, self.door, self.port, self.link, shared=lan),
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            date_header=False,
            proxy_headers=False,  # else whoever is on this computer says who they are
            lifespan="on",
            timeout_graceful_shutdown=1,
            timeout_keep_alive=IDLE_S,
            backlog=TAKEN_AT_ONCE,
            h11_max_incomplete_event_size=HEADER_MAX,
            ws="none",
            http=protocol_at(self.door, HEADERS),
        )
        self._server = _Server(config)
        self._served = threading.Event()

    def link(self, key: str) -> str:
        """The page's address with this key. Browsers keep what is after # to themselves."""
        return f"http://{self.host}:{self.port}/#{key}"

    @property
    def address(self) -> str:
        """The address that may act."""
        return self.link(self.keys.act)

    @property
    def text(self) -> str:
        """What a terminal says of the page."""
        return first_text(self.link(self.keys.look), self.address, self._lan)

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


class _Server(uvicorn.Server):
    """Takes in few at once (``backlog``), lets many wait: a browser does not try again for a second otherwise."""

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        for item in sockets or ():
            with contextlib.suppress(OSError):
                item.listen(QUEUE)


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
        evidence="another program has it" if trouble.errno == errno.EADDRINUSE else spoken(trouble),
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
                evidence=spoken(error),
                next_step="connect to one, or leave --lan away: the page is then seen on this computer only.",
            ) from error
