"""The judge's hostile requests and half-open connections, few of them; whole: ``tests/benchmarks/faults_judge``."""

import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.benchmarks.faults_judge.page import SECRET, wrongs
from tests.benchmarks.faults_judge.page_requests import Known, asked, hostile
from tests.support.page_bench import Client, acting_on

pytestmark = pytest.mark.real_time

FEW = 80


@pytest.fixture
def done() -> list[tuple[str, str]]:
    return []


@pytest.fixture
def client(tmp_path: Path, done: list[tuple[str, str]]) -> Iterator[Client]:
    with acting_on(tmp_path, done, SECRET) as found:
        yield found


@pytest.mark.parametrize("right", ["", "look"])
def test_hostile_requests_get_nothing_done_and_nothing_told(
    client: Client, done: list[tuple[str, str]], right: str
) -> None:
    known = Known(client.server.port)
    if right:
        looking = Client(client.server)
        looking.enter(client.server.keys.look)
        known = Known(client.server.port, looking.cookie, looking.own_form())
    troubles = [
        (kind, words)
        for kind, data in hostile(known, FEW, seed=3)
        for words in wrongs(asked(known.port, data), known)
    ]
    assert troubles == []
    assert done == []
    assert client.post("/act", {"run": "r1", "what": "mark", "text": "owner"})[0] == 200


def test_the_requests_would_find_a_way_that_is_open(
    client: Client, done: list[tuple[str, str]]
) -> None:
    """With the rights of the owner some of them act: what is refused above is refused for its right."""
    known = Known(client.server.port, client.cookie, client.own_form())
    for _, data in hostile(known, 30, seed=3):
        asked(known.port, data)
    assert any(text.startswith("hostile") for _, text in done)


def test_the_requests_are_the_same_for_the_same_seed() -> None:
    known = Known(1, "a=b", "c")
    assert [*hostile(known, 50, 7)] == [*hostile(known, 50, 7)] != [*hostile(known, 50, 8)]


def test_half_open_connections_do_not_keep_the_owner_out(client: Client) -> None:
    port = client.server.port
    with contextlib.ExitStack() as stack:
        for number in range(300):
            wire = stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=5))
            with contextlib.suppress(OSError):
                wire.sendall(
                    (b"", b"GET / HTT", b"POST /enter HTTP/1.1\r\nHost: x\r\n")[number % 3]
                )
        assert client.ask("GET", "/")[0] == 200
        assert client.state()["run"]["rows"] == 50
        assert client.post("/act", {"run": "r1", "what": "mark", "text": "owner"})[0] == 200
    assert client.server.door.turned_away >= 200  # type: ignore[union-attr]
