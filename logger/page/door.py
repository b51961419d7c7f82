"""How many may hold a connection to the page, and for how long without asking anything.

The server below has no limit on the time of a header, and its limit on connections refuses the owner together with
everybody else; it also takes in as many at once as its queue is long, until the program has no handles left. Here the
place of a new one is made by whoever asks nothing. Connections from this computer have places of their own.
"""

import asyncio
import ipaddress
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER_S: Final = 10.0
IDLE_S: Final = 5
SEND_S: Final = 30.0
HEADER_MAX: Final = 8192  # bytes of request line and header
# 256 handles are all that a program has on some systems.
HERE_MAX: Final = 96
OTHERS_MAX: Final = 96
EACH_MAX: Final = 24
FAIR: Final = 6  # a browser opens no more to one server
TAKEN_AT_ONCE: Final = 16
QUEUE: Final = 1024  # they cost no handle while they wait there
UNKNOWN: Final = "This is no request we know."

Client = tuple[str, int]


@dataclass(eq=False)
class Visit:
    """One connection. ``asked``: a whole request is here; ``answered``: its answer has begun."""

    client: Client
    here: bool
    transport: asyncio.Transport
    asked: bool = False
    answered: bool = False
    timer: asyncio.TimerHandle | None = None

    def stop_timer(self) -> None:
        if self.timer is not None:
            self.timer.cancel()
            self.timer = None


@dataclass
class Door:
    """All connections of one page; ``own``: the addresses of this computer that are no loopback."""

    own: frozenset[str] = frozenset()
    header_s: float = HEADER_S
    visits: dict[Client, Visit] = field(default_factory=dict)
    turned_away: int = 0

    def came(self, client: Client, transport: asyncio.Transport) -> None:
        """A connection was made; somebody else's may have to go for it, or this one."""
        new = Visit(client, self._is_here(client[0]), transport)
        if self._has_place(new):
            self.visits[client] = new
            self.wait(client)
        else:
            self.turned_away += 1
            transport.abort()

    def left(self, client: Client, transport: asyncio.Transport) -> None:
        visit = self.visits.get(client)
        if visit is not None and visit.transport is transport:
            visit.stop_timer()
            del self.visits[client]

    def wait(self, client: Client) -> None:
        """Part of a request may be here: the rest must come soon."""
        visit = self.visits.get(client)
        if visit is not None and not visit.asked and visit.timer is None:
            loop = asyncio.get_running_loop()
            visit.timer = loop.call_later(self.header_s, self.drop, client)

    def asked(self, client: Client) -> None:
        visit = self.visits.get(client)
        if visit is not None:
            visit.asked = True
            visit.stop_timer()

    def answered(self, client: Client) -> None:
        visit = self.visits.get(client)
        if visit is not None:
            visit.answered = True

    def done(self, client: Client) -> None:
        """The answer is out; the server ends what stays idle."""
        visit = self.visits.get(client)
        if visit is not None:
            visit.asked = visit.answered = False

    def drop(self, client: Client) -> None:
        """End it at once, whatever is still to be sent."""
        visit = self.visits.pop(client, None)
        if visit is not None:
            visit.stop_timer()
            visit.transport.abort()
            self.turned_away += 1

    def _has_place(self, new: Visit) -> bool:
        pool = [visit for visit in self.visits.values() if visit.here is new.here]
        if new.here:
            return len(pool) < HERE_MAX or self._make_place(pool)
        mine = [visit for visit in pool if visit.client[0] == new.client[0]]
        if len(mine) >= EACH_MAX and not self._make_place(mine):
            return False
        return len(pool) < OTHERS_MAX or len(mine) >= EACH_MAX or self._make_place(pool)

    def _make_place(self, among: Iterable[Visit]) -> bool:
        """Drop the oldest of those who ask nothing, else of those who are slow to ask, else of the greediest."""
        visits = list(among)
        for idle in (
            [visit for visit in visits if not visit.asked],
            [visit for visit in visits if not visit.answered],
        ):
            if idle:
                self.drop(idle[0].client)
                return True
        address, count = Counter(visit.client[0] for visit in visits).most_common(1)[0]
        if count <= FAIR or count == len(visits):
            return False
        self.drop(next(visit.client for visit in visits if visit.client[0] == address))
        return True

    def _is_here(self, address: str) -> bool:
        return address in self.own or ipaddress.ip_address(address).is_loopback


def protocol_at(door: Door, headers: Iterable[tuple[bytes, bytes]]) -> type[H11Protocol]:
    """The server's protocol with this door in front; ``headers`` go onto its refusals of what is no HTTP."""
    lines = b"".join(name + b": " + value + b"\r\n" for name, value in headers)
    refusal = (
        b"HTTP/1.1 400 Bad Request\r\ncontent-type: text/plain; charset=utf-8\r\nconnection: close\r\n"
        b"content-length: %d\r\n%b\r\n%b" % (len(UNKNOWN), lines, UNKNOWN.encode())
    )

    class Protocol(H11Protocol):
        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            if self.client is None:  # gone already
                transport.abort()
                return
            door.came(self.client, transport)

        def data_received(self, data: bytes) -> None:
            if self.client is not None:
                door.wait(self.client)
            if not self.transport.is_closing():
                super().data_received(data)

        def connection_lost(self, exc: Exception | None) -> None:
            if self.client is not None:
                door.left(self.client, self.transport)
            super().connection_lost(exc)

        def send_400_response(self, msg: str) -> None:
            visit = door.visits.get(self.client) if self.client else None
            if visit is None or visit.asked:  # in the middle of another answer
                self.transport.abort()
                return
            self.transport.write(refusal)
            self.transport.close()

    return Protocol
