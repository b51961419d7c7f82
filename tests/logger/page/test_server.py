"""The bench page without a browser: thinning, following a run, keys, refusals, actions."""

import base64
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.base.errors import BenchError
from logger.page.codes import qr_text
from logger.page.serve import bind
from logger.recording.page_beside import PageProcess, page_command
from logger.run.course import STEPS, Course, Rows
from logger.run.feed import RunFeed
from logger.run.format import SAMPLES_NAME
from logger.run.run_list import find_runs
from tests.support.line_feeder import Feeder, FeederBoard
from tests.support.page_bench import (
    Address,
    Client,
    address_in,
    address_of,
    describe,
    logging,
    make_run,
    page_run,
    row,
    serving,
)
from tests.support.places import ROOT

# Real processes, ports and time.
pytestmark = pytest.mark.real_time


def rows_of(time_s: list[float], volt_v: list[float], first: int = 0) -> Rows:
    time, volt = np.array(time_s, dtype=np.float64), np.array(volt_v, dtype=np.float64)
    charge = np.asarray([first + n for n in range(len(time))], dtype=np.float64)
    return Rows(time, volt, volt - 0.1, volt * 10, volt * 9, volt * 11, charge)


# Course


@settings(deadline=None, max_examples=60)
@given(st.lists(st.floats(0, 5e5), min_size=1, max_size=300), st.integers(1, 7))
def test_thinning_keeps_every_extreme_and_the_mean(times: list[float], parts: int) -> None:
    time_s = sorted(times)
    volt_v = [3 + np.sin(n) for n in range(len(time_s))]
    course = Course()
    for some in np.array_split(np.arange(len(time_s)), parts):
        if len(some):
            course.add(rows_of([time_s[n] for n in some], [volt_v[n] for n in some], int(some[0])))
    steps = course.steps()
    assert len(steps) <= 2 * STEPS
    assert min(step[1] for step in steps) == pytest.approx(min(volt_v) - 0.1, abs=1e-4)
    assert max(step[3] for step in steps) == pytest.approx(max(volt_v), abs=1e-4)
    assert max(step[6] for step in steps) == pytest.approx(max(volt_v) * 11, abs=1e-3)
    assert steps[-1][7] == len(time_s) - 1
    # Against a grouping by pandas, step by step.
    place = (np.array(time_s) / course.step_s).astype(int)
    groups = pd.Series(volt_v).groupby(place)
    assert [step[0] for step in steps] == list(groups.groups)
    assert [step[2] for step in steps] == pytest.approx(groups.mean().tolist(), abs=1e-4)


def test_thinning_of_a_long_run_is_bounded_and_tells_when_steps_were_joined() -> None:
    course = Course()
    course.add(rows_of([1.0], [4.0]))
    before = course.generation
    course.add(rows_of([100_000.0], [3.0]))
    assert course.generation > before
    assert [step[2] for step in course.steps()] == [4.0, 3.0]


def test_a_packed_course_is_the_same_course() -> None:
    course = Course()
    rows = rows_of([0.1, 0.2, 900.0, 901.0], [4.0, 3.9, 3.5, 3.4])
    rows.charge_mah[:2] = np.nan
    course.add(rows)
    again = Course.unpacked(course.begin_s, course.step_s, course.packed())
    assert again.steps() == course.steps()
    assert Course.unpacked(0.0, 1.0, Course().packed()).steps() == []
    far = base64.b64encode(np.full(8, 2 * STEPS, "<f4").tobytes()).decode()
    for spoilt, words in (
        ("AAA", "padding"),
        ("AAAA", "buffer size"),
        ("ä", "ASCII"),
        (far, "out of range"),
    ):
        with pytest.raises(ValueError, match=words):
            Course.unpacked(0.0, 1.0, spoilt)


# Feed


@pytest.mark.parametrize("piece", [1, 37, 4000])
def test_a_growing_file_gives_the_same_as_a_whole_one(tmp_path: Path, piece: int) -> None:
    whole = make_run(tmp_path / "whole", rows=120)
    data = (whole / SAMPLES_NAME).read_bytes()
    part = make_run(tmp_path / "part", rows=0)
    path = part / SAMPLES_NAME
    path.write_bytes(b"")
    feed = RunFeed(part)
    step = max(piece, len(data) // 300)
    for end in range(0, len(data) + step, step):
        path.write_bytes(data[:end])
        feed.poll()
    other = RunFeed(whole)
    other.poll()
    assert feed.rows == other.rows == 120
    assert feed.course.steps() == other.course.steps()
    assert feed.latest == other.latest


def test_a_damaged_line_costs_itself_alone(tmp_path: Path) -> None:
    folder = make_run(tmp_path, rows=10)
    with (folder / SAMPLES_NAME).open("a", newline="") as stream:
        stream.write("garbage\r\n")
        stream.write("1.05,1,2,3,4,5,6,7,8,9,10,11,12,13\r\n")
        stream.write('"\0\0,,,\r\n')
        stream.write(row(3))  # goes back in time
        stream.write(row(11))
    feed = RunFeed(folder)
    feed.poll()
    assert feed.rows == 11
    assert feed.latest.time_s == pytest.approx(1.2)


def test_a_folder_deleted_while_watched_is_said(tmp_path: Path) -> None:
    folder = make_run(tmp_path / "run", title="vest")
    with serving(page_run(folder)) as client:
        client.enter()
        client.wait_for(lambda document: document["run"]["rows"] == 50)
        shutil.rmtree(folder)
        document = client.wait_for(lambda document: document["run"]["trouble"])
        assert "deleted or moved" in document["run"]["trouble"]
        assert document["run"]["title"] == "vest"


def test_live_figures_move(tmp_path: Path) -> None:
    folder = make_run(tmp_path, rows=20)
    with serving(page_run(folder)) as client:
        client.enter()
        client.wait_for(lambda document: document["run"]["rows"] == 20)
        with (folder / SAMPLES_NAME).open("a", newline="") as stream:
            stream.write("".join(row(n, 3.3) for n in range(20, 40)))
        document = client.wait_for(lambda document: document["run"]["rows"] == 40)
        assert document["run"]["pack_v"] == 3.3
        assert document["run"]["phase"] == "recording"


# Who gets in


def test_nothing_is_told_without_the_key(tmp_path: Path) -> None:
    with serving(page_run(make_run(tmp_path, title="secret piece"))) as client:
        assert client.ask("GET", "/stream")[0] == 401
        assert client.post("/act", {"run": "r1", "what": "mark", "text": "x"})[0] == 401
        assert client.post("/enter", {"key": "wrong"})[0] == 403
        assert client.post("/enter", {"key": None})[0] == 403
        assert client.post("/enter", b"[" * 3000)[0] == 403
        key = client.server.keys.act
        assert client.post("/enter", {"key": key})[0] == 200
        assert client.ask("GET", "/stream")[0] == 200
        assert client.post("/enter", {"key": key})[0] == 403
        for path in ("/", "/page.js", "/plot.js", "/page.css"):
            assert b"secret piece" not in client.ask("GET", path)[2]
        client.cookie = client.cookie.split("=")[0] + "=guess"
        assert client.ask("GET", "/stream")[0] == 401


def test_the_session_cookie_is_kept_from_scripts_and_other_sites(tmp_path: Path) -> None:
    with serving(page_run(make_run(tmp_path))) as client:
        own = {
            "Origin": client.origin,
            "X-Drawbench": client.door_form(),
            "Content-Type": "application/json",
        }
        _, headers, _ = client.ask("POST", "/enter", {"key": client.server.keys.act}, own)
        cookie = headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=strict" in cookie


def test_cross_site_requests_are_refused(tmp_path: Path) -> None:
    done: list[tuple[str, str]] = []
    run = page_run(make_run(tmp_path), control=lambda what, text: done.append((what, text)))
    mark = {"run": "r1", "what": "mark", "text": "x"}
    with serving(run) as client:
        client.enter()
        client.wait_for(lambda document: document["run"]["can_act"])
        foreign = "http://elsewhere.example"
        assert client.post("/act", mark, Origin=foreign)[0] == 403
        assert client.post("/act", mark, Origin="null")[0] == 403
        assert client.ask("POST", "/act", mark, {"Origin": client.origin})[0] == 403
        form = {"Content-Type": "application/json", "X-Drawbench": client.own_form()}
        assert client.ask("POST", "/act", mark, form)[0] == 403
        assert client.ask("GET", "/stream", headers={"Origin": foreign})[0] == 403
        # Another name that points here (DNS rebinding).
        assert client.post("/act", mark, Host="elsewhere.example")[0] == 421
        assert (
            client.ask("GET", "/stream", headers={"Host": f"evil.example:{client.server.port}"})[0]
            == 421
        )
        assert done == []
        assert client.post("/act", mark) == (200, {})
        assert done == [("mark", "x")]


@pytest.mark.parametrize(
    "path",
    [
        "/../../../etc/passwd", "/..%2f..%2fetc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "//etc/passwd",
        "/page.css/../../feed.py", "/assets/page.css", "/page.js%00.html", "/page.css/", "/PAGE.CSS",
        "/samples.csv", "/run/samples.csv", "/stream/../page.js", "/..\\..\\feed.py", "/?file=/etc/passwd/../",
        "/docs", "/openapi.json", "/server.py", "/stream?run=../../etc/passwd", "/stream?run=r1%00",
        "/favicon.ico", "/robots.txt",
    ],
)  # fmt: skip
def test_no_path_reaches_the_file_system(tmp_path: Path, path: str) -> None:
    with serving(page_run(make_run(tmp_path))) as client:
        client.enter()
        status, _, content = client.ask("GET", path)
        assert status == 404 or (path.startswith("/?") and content.startswith(b"<!doctype html>"))
        assert b"root:" not in content
        assert b"import " not in content


def test_other_methods_are_refused(tmp_path: Path) -> None:
    with serving(page_run(make_run(tmp_path))) as client:
        client.enter()
        for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
            assert client.ask(method, "/act")[0] in (403, 405)
        assert client.ask("GET", "/act")[0] == 405
        assert client.post("/stream", {})[0] == 405


def test_every_answer_carries_the_guarding_headers(tmp_path: Path) -> None:
    with serving(page_run(make_run(tmp_path))) as client:
        for path in ("/", "/page.js", "/nothing", "/stream"):
            headers = client.ask("GET", path)[1]
            policy = headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "script-src 'self';" in policy
            assert "unsafe" not in policy
            assert headers["x-content-type-options"] == "nosniff"
            assert headers["referrer-policy"] == "no-referrer"
            assert headers["cache-control"] == "no-store"
            assert "server" not in headers


def test_no_script_of_the_page_builds_markup_from_text() -> None:
    for name in ("page.js", "plot.js", "page.html"):
        text = (ROOT / "logger" / "page" / "assets" / name).read_text()
        for sink in (
            "innerHTML",
            "outerHTML",
            "insertAdjacentHTML",
            "document.write",
            "eval(",
            "new Function",
        ):
            assert sink not in text
        assert "//cdn" not in text
        assert "https://" not in text


# What may be done


def test_actions(tmp_path: Path) -> None:
    done: list[tuple[str, str]] = []
    run = page_run(make_run(tmp_path), control=lambda what, text: done.append((what, text)))
    with serving(run) as client:
        client.enter()
        client.wait_for(lambda document: document["run"]["can_act"])
        off = {"run": "r1", "what": "load-off", "text": ""}
        assert client.load_off()[0] == 409  # no switch on this board
        run.live = {"load": "1"}
        for wrong_answer in (True, "yes", None, ""):
            assert client.post("/act", {**off, "sure": wrong_answer})[0] == 409
        assert done == []
        status, asked = client.post("/act", off)
        assert (status, list(asked), done) == (200, ["sure"], [])
        assert client.post("/act", {**off, **asked}) == (200, {})
        assert client.post("/act", {**off, **asked})[0] == 409  # one answer counts once
        assert (
            client.post("/act", {"run": "r1", "what": "mark", "text": " a\n\tb " + "x" * 3000})[0]
            == 200
        )
        assert done == [("load-off", ""), ("mark", ("a b " + "x" * 3000)[:200])]
        assert client.post("/act", {"run": "r1", "what": "mark", "text": "y" * 5000})[0] == 413
        wrongs: list[object] = [
            {"run": "r9", "what": "mark", "text": ""},
            {**off, "what": "rm"},
            {"run": 1},
            [],
        ]
        for wrong in wrongs:
            assert client.post("/act", wrong)[0] in (400, 409)


def test_a_finished_run_takes_no_marks(tmp_path: Path) -> None:
    with serving(page_run(make_run(tmp_path, state="ended"))) as client:
        client.enter()
        client.wait_for(lambda document: document["run"]["phase"] == "ended")
        status, answer = client.post("/act", {"run": "r1", "what": "mark", "text": "late"})
        assert status == 409
        assert "not being recorded" in answer["words"]


# Ports, folders, the command


def test_a_taken_port_is_said_and_without_one_the_next_is_found() -> None:
    first = bind(None, lan=False)
    try:
        taken = first.getsockname()[1]
        with pytest.raises(BenchError, match="another program has it"):
            bind(taken, lan=False)
        second = bind(None, lan=False)
        assert second.getsockname()[1] != taken
        assert second.getsockname()[0] == "127.0.0.1"
        second.close()
    finally:
        first.close()


def test_a_page_port_that_is_taken_is_refused() -> None:
    taken = bind(None, lan=False)
    port = taken.getsockname()[1]
    try:
        with pytest.raises(BenchError, match="cannot use port"):
            PageProcess(port, False)
    finally:
        taken.close()


def test_runs_are_found_by_name(tmp_path: Path) -> None:
    for name in ("b", "a", "night/7F3A91C2"):
        make_run(tmp_path / name, rows=1)
    assert [path.name for path in find_runs((tmp_path,))] == ["a", "b", "7F3A91C2"]
    assert find_runs((tmp_path / "a" / SAMPLES_NAME,)) == [tmp_path / "a"]
    (tmp_path / "empty").mkdir()
    with pytest.raises(BenchError, match="holds no run"):
        find_runs((tmp_path / "empty",))
    with pytest.raises(BenchError, match="There is no folder"):
        find_runs((tmp_path / "missing",))


def test_the_code_for_the_phone_fits_a_terminal() -> None:
    lines = qr_text("http://192.168.178.123:58017/#look-" + "a" * 19).splitlines()
    assert len(lines) <= 19
    assert len(lines[0]) <= 80
    assert {"▀", "▄", "█"} & set("".join(lines))


def test_logging_does_not_import_the_page_or_heavy_libraries() -> None:
    code = (
        "import sys, logger.commands.log, logger.recording.side_by_side\n"
        "bad = {'scipy', 'matplotlib', 'pandas', 'uvicorn', 'starlette', 'segno', 'logger.page', 'logger.recording.page_beside'}\n"
        "print(sorted(bad & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


# The whole way: logger, page, browsers that hang


def _stuck_browser(client: Client) -> socket.socket:
    """Asks for the stream and never reads a byte of it."""
    browser = socket.create_connection(("127.0.0.1", client.server.port))
    browser.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
    request = f"GET /stream HTTP/1.1\r\nHost: 127.0.0.1:{client.server.port}\r\nCookie: {client.cookie}\r\n\r\n"
    browser.sendall(request.encode())
    return browser


@pytest.mark.slow
def test_twenty_stuck_browsers_cost_no_row_and_marks_arrive(tmp_path: Path) -> None:
    board = FeederBoard(window_us=10_000, load="1", slope_v_per_s=0.01)
    folder = tmp_path / "run"
    with Feeder(board, tmp_path) as feeder:
        with logging(folder, feeder.port, "--for", "10s", "--keep-load") as process:
            client = Client(Address(address_of(process)))
            client.enter()
            stuck = [_stuck_browser(client) for _ in range(20)]
            document = client.wait_for(lambda document: document["run"]["rows"] > 100)
            mark = {"run": "r1", "what": "mark", "text": "pattern B on"}
            assert client.post("/act", mark)[0] == 200
            assert client.load_off()[0] == 200
            later = client.wait_for(lambda new: new["run"]["rows"] > document["run"]["rows"] + 100)
            assert later["run"]["pack_v"] < document["run"]["pack_v"]
            client.wait_for(lambda new: new["run"]["load_switch"] == "0")
            output = process.communicate(timeout=30)[0]
        for browser in stuck:
            browser.close()
        assert process.returncode == 0, output
        assert feeder.bytes_lost == 0
    run = pd.read_csv(folder / SAMPLES_NAME)
    assert (np.diff(run["sequence"]) == 1).all()
    assert len(run) == 1000
    own = json.loads((folder / "samples.csv-metadata.json").read_text())["urn:drawbench:run"]
    marks = [event["text"] for event in own["events"] if event["kind"] == "mark"]
    assert marks == ["pattern B on"]
    assert "load switch opened (told by this computer)" in [
        event["text"] for event in own["events"]
    ]
    assert run["current_ma"].iloc[-1] == 0
    assert not board.running


# A forecast that takes until long after the logger's end, as an import does on a busy computer.
BUSY_PAGE = """
import os, sys, time
from functools import partial
from analysis.commands.watch import page_run
from logger.page.attached import serve_attached
def busy_run(key, folder):
    run = page_run(key, folder)
    run.forecaster = lambda feed: time.sleep(300)
    return run
serve_attached(busy_run, None, False, sys.stdin, sys.stdout, partial(os._exit, 0))
"""


@pytest.mark.parametrize(
    "command",
    [page_command(None, False), [sys.executable, "-c", BUSY_PAGE]],
    ids=["page", "busy page"],
)
def test_the_page_ends_with_the_logger(tmp_path: Path, command: list[str]) -> None:
    with ExitStack() as stack:
        process = stack.enter_context(subprocess.Popen(
            command, env={**os.environ, "PYTHONPATH": str(ROOT)}, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ))  # fmt: skip
        stack.callback(process.kill)
        assert process.stdin is not None
        assert process.stdout is not None
        told = [json.loads(process.stdout.readline()) for _ in range(2)]
        describe(make_run(tmp_path), title="vest")
        process.stdin.write(json.dumps({"runs": [str(tmp_path)]}) + "\nnot json\n")
        process.stdin.flush()
        client = Client(address_in(told[1]["text"]))
        client.enter()
        end_s = time.monotonic() + 5
        while client.ask("GET", "/stream")[0] == 404 and time.monotonic() < end_s:
            time.sleep(0.05)
        client.wait_for(lambda document: document["run"]["title"] == "vest")
        process.stdin.close()
        assert process.wait(10) == 0
