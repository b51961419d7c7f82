"""Whose connection goes when there are too many: who asks nothing, then who asks slowly, then the greediest."""

import asyncio
from collections.abc import Iterator
from typing import Any

import pytest

from logger.page.door import EACH_MAX, FAIR, HERE_MAX, OTHERS_MAX, Door

OWN = "192.0.2.7"


class Wire:
    """A connection that can be ended."""

    ended = False

    def abort(self) -> None:
        self.ended = True


class Hall:
    """A door and whoever came to it."""

    def __init__(self) -> None:
        self.door = Door(own=frozenset({OWN}), header_s=0.05)
        self.port = 1000

    def come(self, address: str, *, asks: bool = False, answered: bool = False) -> tuple[Wire, Any]:
        self.port += 1
        wire, client = Wire(), (address, self.port)
        self.door.came(client, wire)  # type: ignore[arg-type]
        if asks or answered:
            self.door.asked(client)
        if answered:
            self.door.answered(client)
        return wire, client


@pytest.fixture
def loop() -> Iterator[asyncio.AbstractEventLoop]:
    found = asyncio.new_event_loop()
    yield found
    found.close()


def run(loop: asyncio.AbstractEventLoop, work: Any) -> Any:
    async def inside() -> Any:
        result = work(Hall())
        return await result if asyncio.iscoroutine(result) else result

    return loop.run_until_complete(inside())


def test_who_asks_nothing_makes_room_the_oldest_first(loop: asyncio.AbstractEventLoop) -> None:
    def work(hall: Hall) -> None:
        owner, _ = hall.come("127.0.0.1", answered=True)
        slow, _ = hall.come("127.0.0.1", asks=True)
        idle = [hall.come("127.0.0.1")[0] for _ in range(HERE_MAX - 2)]
        new = [hall.come("127.0.0.1")[0] for _ in range(1000)]
        assert not owner.ended
        assert not slow.ended
        assert all(wire.ended for wire in idle)
        assert [wire.ended for wire in new[-10:]] == [False] * 10
        assert len(hall.door.visits) == HERE_MAX

    run(loop, work)


def test_others_leave_the_owners_places_alone(loop: asyncio.AbstractEventLoop) -> None:
    def work(hall: Hall) -> None:
        for address in range(1, 250):
            for _ in range(5):
                hall.come(f"10.0.0.{address}", answered=True)
        assert len(hall.door.visits) == OTHERS_MAX
        for mine in ("127.0.0.1", OWN, "::1"):
            assert not hall.come(mine)[0].ended

    run(loop, work)


def test_one_address_has_its_share_and_no_more(loop: asyncio.AbstractEventLoop) -> None:
    def work(hall: Hall) -> None:
        greedy = [hall.come("10.0.0.1", answered=True)[0] for _ in range(100)]
        assert sum(not wire.ended for wire in greedy) == EACH_MAX
        phones = [hall.come(f"10.0.1.{n}", answered=True)[0] for n in range(OTHERS_MAX - FAIR)]
        assert not any(wire.ended for wire in phones), "the greedy one goes for them"
        assert sum(not wire.ended for wire in greedy) == FAIR
        assert hall.come("10.0.2.1", answered=True)[0].ended, "full of browsers at work"

    run(loop, work)


def test_half_a_header_ends_a_whole_one_goes_on(loop: asyncio.AbstractEventLoop) -> None:
    async def work(hall: Hall) -> None:
        silent, _ = hall.come("10.0.0.1")
        asking, client = hall.come("10.0.0.2", asks=True)
        half, again = hall.come("10.0.0.3", answered=True)
        hall.door.done(again)
        hall.door.wait(again)  # the next request begins, and never ends
        await asyncio.sleep(0.15)
        assert silent.ended
        assert half.ended
        assert not asking.ended
        hall.door.left(client, asking)  # type: ignore[arg-type]
        assert hall.door.visits == {}

    run(loop, work)
