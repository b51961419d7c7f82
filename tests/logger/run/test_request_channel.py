"""Marks and load-off from a page of another process: only sound, fresh requests are carried out, none harms."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from firmware_probe.twin import vest
from firmware_probe.twin.links import best_link
from firmware_probe.twin.serve import BoardServer
from logger.base.clock import Moment
from logger.base.errors import BenchError
from logger.base.marks import mark_text
from logger.page.asking import PATIENCE_S, SHOWN_S, Asking
from logger.run.description import Event
from logger.run.feed import RunFeed
from logger.run.request_channel import (
    AGE_MAX_S,
    LOAD_OFF,
    MARK,
    REQUESTS_NAME,
    RequestBox,
    ask,
    parse,
)
from tests.support.log_process import LogProcess, environment, read_described, read_table
from tests.support.page_bench import Client, address_in, describe, make_run

# Real processes, ports and time.
pytestmark = pytest.mark.real_time

posix_only = pytest.mark.skipif(os.name != "posix", reason="files of this kind are POSIX")
NOW = Moment(1000.0, 1000.0, 1_700_000_000.0)


def later(seconds: float) -> Moment:
    return Moment(NOW.steady_s + seconds, NOW.awake_s + seconds, NOW.wall_s + seconds)


def line(**changes: object) -> bytes:
    document = {"id": "0" * 32, "utc": NOW.utc, "what": "mark", "text": "x", **changes}
    return json.dumps(document).encode()


# The recording's side


def test_requests_are_taken_once_in_order(tmp_path: Path) -> None:
    box = RequestBox(tmp_path, NOW)
    assert box.take(NOW) == []
    first = ask(tmp_path, MARK, " pattern\tB\non ", later(1))
    second = ask(tmp_path, LOAD_OFF, "", later(2))
    assert box.take(later(2)) == [first, second]
    assert first.text == "pattern B on"
    assert box.take(later(3)) == []
    # Another file with the same lines in its place.
    path = tmp_path / REQUESTS_NAME
    data = path.read_bytes()
    path.write_bytes(b"")
    assert box.take(later(3)) == []
    path.write_bytes(data)
    assert box.take(later(3)) == []
    box.close()
    assert not path.exists()


def test_old_requests_are_not_carried_out(tmp_path: Path) -> None:
    ask(tmp_path, LOAD_OFF, "", later(-1))  # stood there before the recording began
    box = RequestBox(tmp_path, NOW)
    ask(tmp_path, MARK, "before the recording", later(-30))
    ask(tmp_path, MARK, "too old", later(10))
    assert box.take(later(10 + AGE_MAX_S + 0.1)) == []
    ask(tmp_path, MARK, "of tomorrow", later(86400))
    fresh = ask(tmp_path, MARK, "fresh", later(100))
    assert box.take(later(101)) == [fresh]


@pytest.mark.parametrize(
    "spoilt",
    [
        b"", b"   ", b"{", b"[]", b"null", b"7", b'"x"', b"\xff\xfe\0", b"[" * 2000, b'{"a":' * 300, line(id="0" * 31), line(id="G" * 32), line(id=0),
        line(id="0" * 32 + "\n"), line(what="rm"), line(what="finish"), line(what=None), line(what=["mark"]), line(text="y" * 201), line(text=None), line(text={"a": 1}),
        line(utc="yesterday"), line(utc="2023-11-14T22:13:20"), line(utc=0), line(extra=1), line()[:-1], line() + b"}", line(text="z" * 3000),
        b'{"id":NaN,"utc":1e999,"what":"mark","text":"x"}', b"\0" * 500,
    ],
)  # fmt: skip
def test_spoilt_lines_are_passed_over(tmp_path: Path, spoilt: bytes) -> None:
    assert parse(spoilt) is None
    box = RequestBox(tmp_path, NOW)
    (tmp_path / REQUESTS_NAME).write_bytes(spoilt + b"\n")
    for _ in range(3):
        assert box.take(NOW) == []
    good = ask(tmp_path, MARK, "after it", NOW)
    assert box.take(NOW) == [good]


@settings(
    deadline=None, max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(pieces=st.lists(st.binary(max_size=200) | st.just(line()), max_size=8))
def test_any_bytes_do_no_harm(tmp_path: Path, pieces: list[bytes]) -> None:
    (tmp_path / REQUESTS_NAME).unlink(missing_ok=True)
    box = RequestBox(tmp_path, NOW)
    for piece in pieces:
        with (tmp_path / REQUESTS_NAME).open("ab") as stream:
            stream.write(piece)
        for request in box.take(NOW):
            assert request.what in (MARK, LOAD_OFF)
    good = ask(tmp_path, MARK, "at last", NOW)
    assert box.take(NOW)[-1] == good


def test_a_torn_request_is_completed_by_the_rest_of_it(tmp_path: Path) -> None:
    box = RequestBox(tmp_path, NOW)
    path = tmp_path / REQUESTS_NAME
    path.write_bytes(line()[:20])
    assert box.take(NOW) == []
    path.write_bytes(line() + b"\n")
    assert [request.text for request in box.take(NOW)] == ["x"]


def test_a_flood_is_dropped_and_does_not_block_what_comes_after(tmp_path: Path) -> None:
    box = RequestBox(tmp_path, NOW)
    path = tmp_path / REQUESTS_NAME
    path.write_bytes(b"x" * 3_000_000)
    assert box.take(NOW) == []
    with path.open("ab") as stream:
        stream.write(
            b"\n" + b"".join(line(id=f"{n:032x}", text=str(n)) + b"\n" for n in range(200))
        )
    counts = [len(box.take(NOW)) for _ in range(40)]
    assert max(counts) == 5
    with pytest.raises(BenchError, match="cannot be asked"):
        ask(tmp_path, MARK, "one more", NOW)  # the file is too long by now


@posix_only
@pytest.mark.parametrize("kind", ["pipe", "link", "folder", "device"])
def test_what_is_no_plain_file_is_left_alone(tmp_path: Path, kind: str) -> None:
    path = tmp_path / REQUESTS_NAME
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_bytes(line() + b"\n")
    box = RequestBox(tmp_path, NOW)
    if kind == "pipe":
        os.mkfifo(path)  # opening it in the plain way waits for ever
    elif kind == "link":
        path.symlink_to(elsewhere)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to("/dev/zero")
    assert box.take(NOW) == []
    with pytest.raises(BenchError, match="cannot be asked"):
        ask(tmp_path, MARK, "x", NOW)
    box.close()
    assert elsewhere.read_bytes() == line() + b"\n"
    assert os.path.lexists(path)


def test_a_folder_that_is_gone_or_full_is_said(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match="nothing can be written"):
        ask(tmp_path / "gone", MARK, "x", NOW)


def test_marks_are_of_signs_that_can_be_shown_and_written() -> None:
    assert mark_text(" a\x00\x1b[2J\u202eb\ud83d ") == "a[2Jb"
    assert mark_text("Müller’s vest 👩‍🏫 on") == "Müller’s vest 👩‍🏫 on"
    assert len(mark_text("é" * 500)) == 200


# The page's side


class Bench:
    """A run whose description answers by hand, and a clock."""

    def __init__(self, folder: Path) -> None:
        self.folder = make_run(folder, rows=5)
        self.now_s = 0.0
        self.feed = RunFeed(folder)
        self.feed.poll()
        self.asking = Asking(self.feed, lambda: self.now_s, lambda: later(self.now_s))
        self.events: list[Event] = []

    def answer(self, kind: str, text: str, time_s: float = 3.0) -> None:
        self.events.append(Event(time_s, kind, text))
        describe(self.folder)
        self.feed.description = replace(self.feed.description, events=tuple(self.events))

    def states(self) -> list[str]:
        return [item["state"] for item in self.asking.told()]


def test_asked_then_done(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "run")
    bench.asking("mark", "pattern B on")
    assert bench.asking.told()[0]["words"] == "Asked the recording: “pattern B on” …"
    bench.answer("mark", "another mark")
    bench.answer("load", "load switch found closed")
    assert bench.states() == ["asked"]
    bench.answer("mark", "pattern B on")
    assert bench.asking.told() == [{"state": "done", "words": "Noted at 3 s: “pattern B on”"}]
    # The same words again are another mark, and one event answers one request.
    bench.asking("mark", "pattern B on")
    bench.asking("mark", "pattern B on")
    bench.answer("mark", "pattern B on", 4.0)
    assert bench.states() == ["done", "done", "asked"]
    bench.asking("load-off", "")
    bench.answer("load", "load switch opened (told by this computer)", 5.0)
    assert bench.asking.told()[-1]["words"] == "5 s: load switch opened (told by this computer)"
    bench.now_s = SHOWN_S
    assert bench.asking.told() == []


def test_no_answer_is_said(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "run")
    bench.asking("mark", "")
    bench.now_s = PATIENCE_S + 1
    assert "Not answered, so not done: “mark”" in bench.asking.told()[0]["words"]
    bench.answer("mark", "mark")  # late, but done
    assert bench.states() == ["done"]
    for _ in range(10):
        bench.asking("mark", "more")
    with pytest.raises(BenchError, match="has not answered"):
        bench.asking("mark", "one too many")


# The whole way, with processes of their own


@contextmanager
def watching(folder: Path) -> Iterator[Client]:
    """``drawbench watch`` as a process of its own, with a session."""
    with subprocess.Popen(
        [sys.executable, "-m", "drawbench", "watch", str(folder)],
        env=environment(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        try:
            client = Client(address_in(next(text for text in process.stdout if "http://" in text)))
            client.enter()
            yield client
        finally:
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=20)


def wait_until(what: Callable[[], bool], patience_s: float = 30.0) -> None:
    end_s = time.monotonic() + patience_s
    while not what():
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(0.05)


@posix_only
@pytest.mark.slow
def test_mark_and_load_off_from_a_page_of_another_process(tmp_path: Path) -> None:
    board = vest.vest_board(window_us=1_000_000, switch_fitted=True)
    folder = tmp_path / "run"
    with BoardServer(board, best_link(), time_factor=60.0) as server:
        log = LogProcess(
            folder, folder, "--port", server.port, "--pack", "3x AA alkaline", "--plain"
        )
        try:
            log.wait_rows(20)
            with watching(folder) as client:
                client.wait_for(lambda d: d["run"]["can_act"] and d["run"]["load_switch"] == "1")
                mark = {"run": "r1", "what": "mark", "text": "pattern B on"}
                assert client.post("/act", mark) == (200, {})
                assert client.state()["run"]["asked"][0]["state"] in ("asked", "done")
                client.wait_for(lambda d: d["run"]["asked"][0]["state"] == "done", patience_s=20)
                off = {"run": "r1", "what": "load-off", "text": "", "sure": "a guess"}
                assert client.post("/act", off)[0] == 409  # without a yes
                assert client.load_off() == (200, {})
                client.wait_for(lambda d: d["run"]["load_switch"] == "0", patience_s=20)
                log.signal(signal.SIGINT)
                client.wait_for(lambda d: d["run"]["phase"] == "ended", patience_s=20)
                status, answer = client.post("/act", mark)
                assert status == 409
                assert "not being recorded any more" in answer["words"]
                assert client.state()["run"]["why_not"] == answer["words"]
        finally:
            output = log.end()
    described = read_described(folder)
    assert "pattern B on" in [e.text for e in described.events if e.kind == "mark"], output
    loads = [e.text for e in described.events if e.kind == "load"]
    assert loads[0] == "load switch found closed"
    assert "load switch opened (told by this computer)" in loads
    assert loads[-1].startswith("the load switch opens: ")
    assert not (folder / REQUESTS_NAME).exists()


@posix_only
@pytest.mark.slow
def test_a_hostile_request_file_costs_the_recording_nothing(tmp_path: Path) -> None:
    board = vest.vest_board(window_us=100_000)
    folder = tmp_path / "run"
    path = folder / REQUESTS_NAME
    with BoardServer(board, best_link(), time_factor=10.0) as server:
        log = LogProcess(folder, folder, "--port", server.port, "--plain")
        try:
            log.wait_rows(20)
            os.mkfifo(path)
            rows = log.wait_rows(100)
            path.unlink()
            path.write_bytes(b"\xff\0[{" * 100_000 + b"\n" + line() + b"\n" + b"x" * 5_000_000)
            rows = log.wait_rows(rows + 100)
            path.unlink()
            path.symlink_to("/dev/zero")
            rows = log.wait_rows(rows + 100)
            path.unlink()
            # After all that it still listens.
            ask(folder, MARK, "still here", _now())
            wait_until(
                lambda: "still here" in [event.text for event in read_described(folder).events]
            )
        finally:
            output = log.end()
    assert log.process.returncode == 0, output
    sequence = [row[1] for row in read_table(folder)]
    assert sequence == list(range(int(sequence[0]), int(sequence[0]) + len(sequence)))


def _now() -> Moment:
    return Moment(0.0, 0.0, time.time())


@posix_only
@pytest.mark.slow
def test_a_run_that_begins_later_comes_onto_the_page(tmp_path: Path) -> None:
    make_run(tmp_path / "runs" / "first", state="ended")
    with watching(tmp_path / "runs") as client:
        assert client.state()["runs"] == []  # a single run needs no row of runs
        make_run(tmp_path / "runs" / "second", rows=30)
        document = client.wait_for(lambda d: d["runs"], patience_s=20)
        assert [run["key"] for run in document["runs"]] == ["r1", "r2"]
        assert client.state()["run"]["folder"] == "second"  # the one that is being recorded
