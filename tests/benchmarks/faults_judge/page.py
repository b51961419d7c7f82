"""The bench page under attack, and when its program dies: what was lost, invented, doubled, and what the user was told.

``python -m tests.benchmarks.faults_judge.page`` makes the table; ``--few`` a small one.
"""

import argparse
import contextlib
import os
import random
import resource
import signal
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from http.client import HTTPException
from pathlib import Path
from typing import Final

from tests.benchmarks.faults_judge.fault import Fault, shown
from tests.benchmarks.faults_judge.page_bench import Browser, Recording, recording
from tests.benchmarks.faults_judge.page_requests import HOST, Answer, Known, asked, hostile

HALF_OPEN: Final = 1100
AGAIN: Final = 100  # of those that the page ended, each half second
HOSTILE: Final = 750
WINDOWS_FIRST: Final = 100  # there is a recording to be harmed
DEATHS: Final = 20
DEATHS_EACH: Final = 4  # three new starts, and the end that is the last
SECRET: Final = "vest of the judge"
INNER_WORDS: Final = (b"traceback", b"root:", b"uvicorn", b"starlette", b"site-packages", b".py", b"exception in", b"h11._")  # fmt: skip
GUARDS: Final = (
    "content-security-policy:", "x-content-type-options: nosniff", "cache-control: no-store", "referrer-policy: no-referrer",
)  # fmt: skip


def half_open(count: int = HALF_OPEN, hold_s: float = 12.0, seed: int = 1) -> Fault:
    """Connections that ask nothing, ask by halves or never end their body, while the owner looks on and marks."""
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as place, recording(Path(place) / "run") as run:
        port, act, _ = run.keys()
        owner = Browser(port)
        owner.enter(act)
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
        before = _Owner(owner)
        before.works(hold_s / 4)
        during = _Owner(owner, before.number)
        with _held(port, count, chance):
            during.works(hold_s)
        rows = run.end()
        marks = run.marks()
    wanted = [f"owner {number}" for number in range(during.number)]
    lost_marks = sum(marks[text] == 0 for text in wanted)
    twice = sum(marks[text] > 1 for text in wanted)
    refused = before.refused + during.refused
    return Fault(
        "half-open connections", count, rows.lost + lost_marks + refused, rows.invented, rows.doubled + twice,
        "nothing: nobody noticed",
        f"{rows.sent} rows; the owner marked {during.number - before.number} times, refused {refused}; slowest answer {during.slowest_s:.1f} s, without them {before.slowest_s:.1f} s",
    )  # fmt: skip


@dataclass
class _Owner:
    """Looks and marks, again and again, on the computer itself."""

    browser: Browser
    number: int = 0
    refused: int = 0
    slowest_s: float = 0.0

    def works(self, hold_s: float) -> None:
        end_s = time.monotonic() + hold_s
        while (begun_s := time.monotonic()) < end_s:
            try:
                self.browser.state()
                self.number += 1
                self.refused += not self.browser.mark(f"owner {self.number - 1}")
            except (OSError, AssertionError, HTTPException):
                self.refused += 1
            self.slowest_s = max(self.slowest_s, time.monotonic() - begun_s)
            time.sleep(0.2)


@contextlib.contextmanager
def _held(port: int, count: int, chance: random.Random) -> Iterator[None]:
    """The connections, each opened again when the page ends it, from several addresses of this computer."""
    starts = (b"", b"GET / HTT", b"GET / HTTP/1.1\r\nHost: x\r\nA: ", f"POST /enter HTTP/1.1\r\nHost: {HOST}:{port}\r\nContent-Length: 900\r\n\r\n{{".encode())  # fmt: skip
    over = threading.Event()
    held: list[socket.socket] = []

    def opened() -> socket.socket | None:
        with contextlib.suppress(OSError):
            source = (f"127.0.0.{chance.randrange(1, 6)}", 0)
            found = socket.create_connection((HOST, port), timeout=5.0, source_address=source)
            found.sendall(chance.choice(starts))
            return found
        return None

    def again() -> None:
        while not over.wait(0.5):
            for place in chance.sample(range(len(held)), min(AGAIN, len(held))):
                item = held[place]
                with contextlib.suppress(OSError):
                    item.setblocking(False)
                    with contextlib.suppress(BlockingIOError):
                        if not item.recv(1000):
                            item.close()
                            held[place] = opened() or item

    thread = threading.Thread(target=again)
    try:
        for _ in range(count):
            if (one := opened()) is not None:
                held.append(one)
        thread.start()
        yield
    finally:
        over.set()
        if thread.ident is not None:
            thread.join()
        for item in held:
            item.close()


def hostile_requests(count: int = HOSTILE, seed: int = 1) -> Fault:
    """From somebody with nothing, and from somebody who may look; the owner marks in between."""
    troubles: list[str] = []
    with (
        tempfile.TemporaryDirectory() as place,
        recording(Path(place) / "run", "--title", SECRET) as run,
    ):
        port, act, look = run.keys()
        owner, looker = Browser(port), Browser(port)
        owner.enter(act)
        looker.enter(look)
        run.wait(lambda: len(run.tap.windows) >= WINDOWS_FIRST)
        wanted: list[str] = []
        for known in (Known(port), Known(port, looker.cookie, looker.form)):
            for number, (kind, data) in enumerate(hostile(known, count // 2, seed)):
                found = asked(port, data)
                troubles += [f"{kind}: {words}" for words in wrongs(found, known)]
                if number % 50 == 0:
                    wanted.append(f"owner {len(wanted)}")
                    if not owner.mark(wanted[-1]):
                        troubles.append("the owner was refused")
        state = owner.state()["run"]
        rows = run.end()
        marks = run.marks()
    lost = sum(marks[text] == 0 for text in wanted)
    foreign = sum(count for text, count in marks.items() if text not in wanted)
    twice = sum(marks[text] > 1 for text in wanted)
    switched = int(state["load_switch"] != "1")
    return Fault(
        "hostile requests", 2 * (count // 2), rows.lost + lost, rows.invented + foreign + switched, rows.doubled + twice,
        "each refused in words", f"{len(troubles)} answers wrong{''.join(f'; {text}' for text in sorted(set(troubles)))}",
        wrong=len(troubles),
    )  # fmt: skip


def wrongs(answer: Answer, known: Known) -> Iterator[str]:
    """What this answer must not do, whatever was asked."""
    low = answer.body.lower()
    if answer.status >= 500:
        yield f"status {answer.status}"
    if answer.status and any(word not in answer.header for word in GUARDS):
        yield "an answer without its guarding headers"
    if "server:" in answer.header:
        yield "says which server it is"
    if any(word in low for word in INNER_WORDS):
        yield "tells of its inside"
    if SECRET.encode() in answer.body and not known.cookie:
        yield "tells of the run without a key"
    if "access-control-allow" in answer.header:
        yield "opens itself to other sites"


def page_dies(count: int = DEATHS, seed: int = 1) -> Fault:
    """The page's program is killed at random moments; four times in one recording, so the last is for good."""
    chance = random.Random(seed)
    lost = invented = doubled = told = kept_on = 0
    slowest_s = 0.0
    for begin in range(0, count, DEATHS_EACH):
        deaths = min(DEATHS_EACH, count - begin)
        with tempfile.TemporaryDirectory() as place, recording(Path(place) / "run") as run:
            port, act, _ = run.keys()
            owner = Browser(port)
            owner.enter(act)
            wanted: list[str] = []
            for number in range(1, deaths + 1):
                time.sleep(chance.uniform(0.0, 1.5))
                said_s, on = _one_death(run, owner, number, wanted, chance)
                slowest_s = max(slowest_s, said_s)
                told += 1
                kept_on += on
            rows = run.end()
            marks = run.marks()
        lost += rows.lost + sum(marks[text] == 0 for text in wanted)
        doubled += rows.doubled + sum(marks[text] > 1 for text in wanted)
        invented += rows.invented + sum(text not in wanted for text in marks)
    lasts = count // DEATHS_EACH
    return Fault(
        "page's program dies", count, lost, invented, doubled, f"{told} of {count} deaths said on the screen",
        f"within {slowest_s:.1f} s; {kept_on} of {count - lasts} times the open page went on; {lasts} times it was said to stay down",
    )  # fmt: skip


def _one_death(
    run: Recording, owner: Browser, number: int, wanted: list[str], chance: random.Random
) -> tuple[float, bool]:
    """Seconds until it was said; whether the same browser could look and mark again."""
    run.wait(lambda: run.page_pid() is not None)
    pid = run.page_pid()
    assert pid is not None
    said = len(run.said)
    begun_s = time.monotonic()
    os.kill(pid, chance.choice((signal.SIGKILL, signal.SIGSEGV, signal.SIGABRT)))
    words = "stays down" if number == DEATHS_EACH else f"started again ({number} of"
    run.wait(lambda: any(words in line for _, line in run.said[said:]))
    at_s = next(at_s for at_s, line in run.said[said:] if words in line)
    if number == DEATHS_EACH:
        return at_s - begun_s, False
    run.wait(lambda: any("there again" in line for _, line in run.said[said:]))
    wanted.append(f"after death {number}")
    for _ in range(20):  # it reads its runs first
        with contextlib.suppress(OSError, AssertionError):
            if owner.state()["may_act"]:
                return at_s - begun_s, owner.mark(wanted[-1])
        time.sleep(0.2)
    return at_s - begun_s, False


def rows(few: bool, seed: int) -> Iterator[Fault]:
    """The three rows; ``few``: small ones."""
    yield half_open(200 if few else HALF_OPEN, 3.0 if few else 12.0, seed)
    yield hostile_requests(80 if few else HOSTILE, seed)
    yield page_dies(1 if few else DEATHS, seed)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--few", action="store_true", help="a small table, for a quick look")
    parser.add_argument("--seed", type=int, default=1)
    asked_for = parser.parse_args()
    return shown(rows(asked_for.few, asked_for.seed))


if __name__ == "__main__":
    sys.exit(main())
