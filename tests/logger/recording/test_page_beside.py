"""A page that dies beside a recording: said at once, up again with the same port and keys, three times at most."""

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from logger.base.errors import BenchError
from logger.recording import page_beside
from logger.recording.page_beside import PageProcess
from tests.support.page_bench import Client, address_in, free_port, make_run

pytestmark = [
    pytest.mark.real_time,
    pytest.mark.skipif(sys.platform == "win32", reason="needs signals"),
]
PATIENCE_S = 60.0


@pytest.fixture
def page(monkeypatch: pytest.MonkeyPatch) -> Iterator[PageProcess]:
    monkeypatch.setattr(page_beside, "_words", lambda recorder: {"phase": "recording", "load": "1"})
    found = PageProcess(free_port(), False, clock=lambda: time.monotonic() * 100)
    yield found
    found.close()


def recorder_of(folder: Path, done: list[str]) -> Any:
    events = SimpleNamespace(all=lambda: ())
    return SimpleNamespace(
        folder=folder,
        recording=SimpleNamespace(events=events),
        session=SimpleNamespace(mark=done.append, open_load=lambda: done.append("load off")),
        view=SimpleNamespace(foreseen=None),
    )


def turned(page: PageProcess, said: list[str], until: Callable[[], bool]) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not until():
        assert time.monotonic() < end_s, said
        page.turn(said.append)
        time.sleep(0.02)


def test_an_open_page_goes_on_when_its_program_was_killed(
    page: PageProcess, tmp_path: Path
) -> None:
    done: list[str] = []
    said: list[str] = []
    page.show([recorder_of(make_run(tmp_path / "run"), done)])
    turned(page, said, lambda: bool(said))
    client = Client(address_in(said[0]))
    look = said[0].split("#")[-1]
    client.enter()
    turned(page, said, lambda: any("may act" in text for text in said))
    client.wait_for(lambda document: document["run"]["rows"] == 50)
    assert page.pid is not None
    os.kill(page.pid, signal.SIGKILL)
    turned(page, said, lambda: "There" not in said[-1] and "is there again" in said[-1])
    assert "(signal 9) and is started again (1 of at most 3). The recording goes on" in said[-2]
    # The cookie, the form and the key for the class are as good as before.
    assert client.wait_for(lambda document: document["run"]["load_switch"] == "1")["may_act"]
    assert client.post("/act", {"run": "r1", "what": "mark", "text": "still here"}) == (200, {})
    assert client.load_off() == (200, {})
    other = Client(client.server)
    other.enter(look)
    assert other.state()["may_act"] is False
    turned(page, said, lambda: done == ["still here", "load off"])


def test_a_page_that_never_comes_up_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    dies = [sys.executable, "-c", "raise SystemExit(3)"]
    monkeypatch.setattr(page_beside, "page_command", lambda port, lan: dies)
    with pytest.raises(BenchError, match="exit code 3"):
        PageProcess(None, False)


def ended(said: list[str], times: int) -> bool:
    return sum("by itself" in text for text in said) == times


def test_the_fourth_end_is_the_last(page: PageProcess, tmp_path: Path) -> None:
    said: list[str] = []
    page.show([recorder_of(make_run(tmp_path / "vest night"), [])])
    for number in range(1, 5):
        turned(page, said, lambda: page.pid is not None)
        assert page.pid is not None
        assert page.serves
        os.kill(page.pid, signal.SIGKILL)
        turned(page, said, partial(ended, said, number))
    assert not page.serves
    assert "stays down after 3 new starts. The recording goes on." in said[-1]
    assert "drawbench watch" in said[-1]
    assert "vest night' --page-port" in said[-1]
    for _ in range(5):
        page.turn(said.append)
    assert page.pid is None


def test_a_page_that_cannot_even_be_started_says_how_to_do_without(
    page: PageProcess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> None:
        raise OSError(12, "Cannot allocate memory")

    said: list[str] = []
    page.show([recorder_of(make_run(tmp_path / "run"), [])])
    monkeypatch.setattr(page_beside, "_Life", refused)
    assert page.pid is not None
    os.kill(page.pid, signal.SIGKILL)
    turned(page, said, partial(ended, said, 4))
    assert "(Cannot allocate memory) and stays down" in said[-1]
    assert "drawbench watch" in said[-1]


def test_after_the_run_nothing_is_said_to_go_on(page: PageProcess, tmp_path: Path) -> None:
    said: list[str] = []
    page.show([recorder_of(make_run(tmp_path / "run"), [])])

    def say(text: str) -> None:
        said.append(text)
        if ended(said, 1):
            raise KeyboardInterrupt
        if page.pid is not None:
            os.kill(page.pid, signal.SIGKILL)

    page.stay(say)
    assert "(signal 9) and is started again" in said[-1]
    assert "The recording had ended before." in said[-1]
    assert "The recording goes on" not in said[-1]
