"""OWASP ASVS 4.0.3, level 1: each line of the table has a test that asks the page, or says why it does not apply."""

import ast
import contextlib
import io
import json
import logging
import re
import socket
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest

from logger.page import server as page_server
from logger.page.bench import Bench
from logger.page.server import WRONG_MAX
from tests.support.asvs_level_1 import LEVEL_1
from tests.support.page_bench import Client, acting_on, make_run, page_run, serving
from tests.support.places import ROOT

pytestmark = pytest.mark.real_time

HERE: Final = "tests/logger/page/test_server_asvs.py"
APART: Final = ("does not apply: ", "not met: ")
PATHS: Final = ("/", "/page.css", "/page.js", "/plot.js", "/stream", "/code?for=look", "/code?for=act", "/photo?run=r1&number=1", "/act", "/nothing")  # fmt: skip
MARK: Final = {"run": "r1", "what": "mark", "text": "x"}


@pytest.fixture
def done() -> list[tuple[str, str]]:
    return []


@pytest.fixture
def acting(tmp_path: Path, done: list[tuple[str, str]]) -> Iterator[Client]:
    """A page with one run, and a browser that may act."""
    with acting_on(tmp_path / "run", done, "vest") as client:
        yield client


@pytest.fixture
def looking(acting: Client) -> Client:
    """Another browser, which may look."""
    other = Client(acting.server)
    other.enter(acting.server.keys.look)
    return other


# The table


def test_each_line_of_the_table_has_a_test_or_a_reason() -> None:
    lost = []
    for line in LEVEL_1:
        if line.by.startswith(APART):
            continue
        file, _, name = line.by.rpartition("::")
        tree = ast.parse((ROOT / (file or HERE)).read_text(encoding="utf-8"))
        names = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
        if name not in names:
            lost.append(line)
    assert lost == []


def test_no_number_stands_twice_and_none_is_without_a_reason() -> None:
    assert [n for n, count in Counter(line.number for line in LEVEL_1).items() if count > 1] == []
    assert len(LEVEL_1) == 128
    assert all(len(line.by.partition(": ")[2]) > 10 for line in LEVEL_1 if line.by.startswith(APART))  # fmt: skip
    tested = [line for line in LEVEL_1 if not line.by.startswith(APART)]
    assert len(tested) > len(LEVEL_1) / 2


# Coming in and going


def test_the_key_can_be_seen_while_it_is_typed(acting: Client) -> None:
    page = acting.ask("GET", "/")[2].decode()
    field = re.search(r'<input id="door-key"[^>]*>', page)
    assert field is not None
    assert "password" not in field[0]
    assert "maxlength" not in field[0]
    assert 'autocomplete="off"' in field[0]


def test_guessing_is_slowed_down(acting: Client) -> None:
    guess = Client(acting.server)
    codes = [guess.post("/enter", {"key": f"act-{n}"})[0] for n in range(WRONG_MAX + 2)]
    assert codes == [403] * WRONG_MAX + [429] * 2
    # The page of who is in already goes on.
    assert acting.post("/act", MARK)[0] == 200


def test_each_entry_gets_a_session_of_its_own(acting: Client) -> None:
    found = set()
    for _ in range(20):
        other = Client(acting.server)
        other.cookie = acting.cookie.split("=")[0] + "=chosen-by-somebody-else"
        other.enter(acting.server.keys.look)
        found.add(other.cookie.split("=")[1])
    assert len(found) == 20
    assert "chosen-by-somebody-else" not in found
    assert min(len(session) for session in found) * 6 >= 64, "bits, at 6 a letter"
    # Every place of them changes: none is fixed.
    assert all(len({session[place] for session in found}) > 3 for place in range(20))


def test_the_cookie(acting: Client) -> None:
    own = {"Origin": acting.origin, "X-Drawbench": acting.door_form(), "Content-Type": "application/json"}  # fmt: skip
    key = acting.server.keys.look
    _, headers, _ = Client(acting.server).ask("POST", "/enter", {"key": key}, own)
    name, *parts = headers["set-cookie"].split("; ")
    assert name.startswith(f"drawbench-{acting.server.port}-")
    assert {part.lower() for part in parts} == {"httponly", "samesite=strict", "path=/", "max-age=604800"}  # fmt: skip


def test_two_pages_on_one_computer_share_no_cookie(acting: Client, tmp_path: Path) -> None:
    with serving(page_run(make_run(tmp_path / "other"))) as other:
        other.enter()
        mine, theirs = (client.cookie.split("=")[0] for client in (acting, other))
        assert mine != theirs
        both = {"Cookie": f"{acting.cookie}; {other.cookie}"}
        assert acting.ask("GET", "/stream", headers=both)[0] == 200
        assert other.ask("GET", "/stream", headers=both)[0] == 200
        assert other.ask("GET", "/stream", headers={"Cookie": acting.cookie})[0] == 401


def test_leaving_ends_the_session(acting: Client) -> None:
    before = acting.cookie
    own = {"Origin": acting.origin, "X-Drawbench": acting.own_form(), "Content-Type": "application/json"}  # fmt: skip
    status, headers, _ = acting.ask("POST", "/leave", {}, own)
    assert status == 200
    assert "max-age=0" in headers["set-cookie"].lower()
    acting.cookie = before
    assert acting.ask("GET", "/stream")[0] == 401
    assert acting.ask("GET", "/code?for=look")[0] == 401
    assert acting.ask("GET", "/")[1]["cache-control"] == "no-store", "nor by the back button"


def test_an_open_stream_ends_with_its_session(acting: Client, looking: Client) -> None:
    with socket.create_connection(("127.0.0.1", acting.server.port), timeout=5) as stream:
        request = f"GET /stream HTTP/1.1\r\nHost: 127.0.0.1:{acting.server.port}\r\nCookie: {looking.cookie}\r\n\r\n"
        stream.sendall(request.encode())
        assert b"text/event-stream" in stream.recv(65_536)
        assert looking.post("/leave", {})[0] == 200
        end_s = time.monotonic() + 5
        got = b""
        while not got.endswith(b"0\r\n\r\n") and time.monotonic() < end_s:
            got = (got + stream.recv(65_536))[-100:]
    assert got.endswith(b"0\r\n\r\n")


# Rights


def test_who_may_look_cannot_act_whatever_is_sent(
    acting: Client, looking: Client, done: list[tuple[str, str]]
) -> None:
    assert looking.state()["may_act"] is looking.state()["run"]["can_act"] is False
    assert "act key" in looking.state()["run"]["why_not"]
    for wish in (MARK, {**MARK, "what": "load-off"}, {**MARK, "what": "load-off", "sure": True}):
        for more in ({}, {"right": "act", "may_act": True, "admin": 1}):
            status, answer = looking.post("/act", {**wish, **more})
            assert status == 403
            assert "act key" in answer["words"]
    # Nor with an answer to a question that somebody else was asked, nor with the other's form.
    _, asked = acting.post("/act", {**MARK, "what": "load-off"})
    assert looking.post("/act", {**MARK, "what": "load-off", **asked})[0] == 403
    assert looking.post("/act", MARK, **{"X-Drawbench": acting.own_form()})[0] == 403
    assert looking.ask("GET", "/code?for=act")[0] == 403
    assert looking.ask("GET", "/code?for=look")[0] == 200
    assert acting.ask("GET", "/code?for=act")[0] == 200
    assert done == []
    assert acting.post("/act", MARK)[0] == 200
    assert done == [("mark", "x")]


def test_only_runs_of_this_page_by_their_keys(acting: Client) -> None:
    for key in ("r2", "0", "-1", "../run", "R1", "r1 ", "r1%00", "*"):
        assert acting.ask("GET", f"/stream?run={key.replace(' ', '%20')}")[0] == 404
    for wrong_key in ("r2", "", "R1"):
        assert acting.post("/act", {**MARK, "run": wrong_key})[0] == 409


def test_no_form_is_taken_without_its_token(
    acting: Client, looking: Client, done: list[tuple[str, str]]
) -> None:
    door, own, foreign = acting.door_form(), acting.own_form(), looking.own_form()
    assert len({door, own, foreign}) == 3
    for path, wrong in (("/act", door), ("/act", foreign), ("/act", "1"), ("/act", ""), ("/leave", door), ("/enter", own)):  # fmt: skip
        assert acting.post(path, {**MARK, "key": "x"}, **{"X-Drawbench": wrong})[0] == 403
    assert done == []
    assert acting.ask("GET", "/stream")[0] == 200


def test_the_origin_alone_lets_nobody_in(acting: Client) -> None:
    nobody = Client(acting.server)
    assert nobody.post("/act", MARK)[0] == 401
    assert nobody.ask("GET", "/stream", headers={"Origin": acting.origin})[0] == 401


def test_what_the_browser_says_of_other_sites_is_heeded(acting: Client) -> None:
    for site in ("cross-site", "same-site"):  # another port of this computer is the same site
        for path in ("/stream", "/code?for=look", "/page.js"):
            assert acting.ask("GET", path, headers={"Sec-Fetch-Site": site})[0] == 403
        opened = {"Sec-Fetch-Site": site, "Sec-Fetch-Mode": "navigate"}
        assert acting.ask("GET", "/", headers=opened)[0] == 200, "a link may lead here"
        assert acting.ask("GET", "/stream", headers=opened)[0] == 403
    for own in ("same-origin", "none"):
        assert acting.ask("GET", "/stream", headers={"Sec-Fetch-Site": own})[0] == 200


# Input


def test_a_parameter_given_twice_is_refused(acting: Client, done: list[tuple[str, str]]) -> None:
    assert acting.ask("GET", "/stream?run=r1&run=r1")[0] == 404
    assert acting.ask("GET", "/code?for=look&for=act")[0] in (200, 403)
    twice = b'{"run":"r1","run":"r9","what":"mark","text":"x"}'
    assert acting.post("/act", twice)[0] == 409
    assert done == []


def test_fields_that_nobody_asked_for_change_nothing(
    acting: Client, done: list[tuple[str, str]]
) -> None:
    more = {"sure": True, "time_s": 0, "kind": "boot", "folder": "/", "control": "x", "__class__": 1}  # fmt: skip
    assert acting.post("/act", {**MARK, **more})[0] == 200
    assert done == [("mark", "x")]
    other = Client(acting.server)
    answer = other.post("/enter", {"key": acting.server.keys.look, "right": "act"})
    assert answer == (200, {"right": "look"})


def test_any_sign_arrives_as_it_was(acting: Client, done: list[tuple[str, str]]) -> None:
    text = "Ärmel ☔ 漢字 𝄞 <b>&amp; \"'"
    assert acting.post("/act", {**MARK, "text": text})[0] == 200
    assert done == [("mark", text)]


def test_large_and_slow_bodies_are_refused(acting: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(page_server, "BODY_S", 0.3)
    assert acting.post("/act", {**MARK, "text": "x" * 100_000})[0] == 413
    with socket.create_connection(("127.0.0.1", acting.server.port), timeout=5) as slow:
        headers = [f"Host: 127.0.0.1:{acting.server.port}", f"Origin: {acting.origin}", f"Cookie: {acting.cookie}", f"X-Drawbench: {acting.own_form()}", "Content-Type: application/json", "Content-Length: 90"]  # fmt: skip
        slow.sendall(("POST /act HTTP/1.1\r\n" + "\r\n".join(headers) + "\r\n\r\n{").encode())
        begun_s = time.monotonic()
        assert slow.recv(1000).startswith(b"HTTP/1.1 408 ")
        assert time.monotonic() - begun_s < 4


@pytest.mark.parametrize("size", [9_000, 100_000])
def test_a_large_header_is_refused_also_where_it_comes_at_once(acting: Client, size: int) -> None:
    with socket.create_connection(("127.0.0.1", acting.server.port), timeout=5) as wide:
        host = f"Host: 127.0.0.1:{acting.server.port}"
        wide.sendall(f"GET / HTTP/1.1\r\n{host}\r\nX-Long: {'x' * size}\r\n\r\n".encode())
        assert wide.recv(1000).startswith((b"HTTP/1.1 431 ", b"HTTP/1.1 400 "))


def test_no_more_actions_than_a_person_does(
    done: list[tuple[str, str]], monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    monkeypatch.setattr(page_server, "ACTS_MAX", 10)
    acting: Client = request.getfixturevalue("acting")
    codes = [acting.post("/act", MARK)[0] for _ in range(13)]
    assert codes == [200] * 10 + [429] * 3
    assert len(done) == 10


# Answers


def test_no_session_in_any_address_or_answer(acting: Client, looking: Client) -> None:
    secrets = [client.cookie.split("=")[1] for client in (acting, looking)]
    secrets += [acting.server.keys.look, acting.server.keys.act]
    for client in (acting, looking):
        for path in PATHS:
            _, headers, content = client.ask("GET", path)
            told = json.dumps([*headers.items()]) + content.decode()
            assert not any(secret in told for secret in secrets)
    # Keys come after #, which browsers send to nobody; the script takes them out of the address.
    assert "/#" in acting.server.address
    script = acting.ask("GET", "/page.js")[2].decode()
    assert 'history.replaceState(null, "", location.pathname + location.search)' in script


def test_no_folder_is_listed(acting: Client) -> None:
    for path in ("/assets/", "/static/", "/run/", "/.git/", "/.DS_Store", "/samples.csv", "/samples.csv-metadata.json", "/server.py", "/page.html", "/docs", "/openapi.json"):  # fmt: skip
        status, _, content = acting.ask("GET", path)
        assert (status, json.loads(content)) == (404, {"words": "There is no such page."})


def test_no_answer_leads_elsewhere(acting: Client) -> None:
    for path in (*PATHS, "/?url=http://elsewhere.example/", "/page.js/", "//elsewhere.example/", "/stream?run=http://elsewhere.example/"):  # fmt: skip
        status, headers, _ = acting.ask("GET", path)
        assert not 300 <= status < 400
        assert "location" not in headers
        assert "refresh" not in headers


def test_each_answer_says_its_kind(acting: Client) -> None:
    kinds = {path: acting.ask("GET", path)[1]["content-type"] for path in PATHS}
    for path, kind in kinds.items():
        assert "charset=utf-8" in kind or kind == "application/json", path
    assert kinds["/"].startswith("text/html")
    assert kinds["/code?for=look"].startswith("image/svg+xml")


def test_answers_for_programs_are_no_pages(acting: Client) -> None:
    for path in ("/nothing", "/act", "/stream?run=r9"):
        _, headers, _ = acting.ask("GET", path)
        assert headers["content-type"] == "application/json"
        assert headers["content-disposition"] == 'attachment; filename="answer.json"'
    assert "content-disposition" not in acting.ask("GET", "/")[1]


def test_a_fault_inside_tells_nothing_and_lets_nobody_in(
    acting: Client,
    looking: Client,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    def broken(*_: Any) -> Any:
        raise RuntimeError("inner secret of /home/somebody")

    with monkeypatch.context() as patched:
        patched.setattr(Bench, "act", broken)
        status, headers, content = acting.ask(
            "POST", "/act", MARK,
            {"Origin": acting.origin, "X-Drawbench": acting.own_form(), "Content-Type": "application/json"},
        )  # fmt: skip
    assert status == 500
    assert b"secret" not in content
    assert b"Traceback" not in content
    assert "content-security-policy" in headers
    with monkeypatch.context() as patched:
        patched.setattr(type(acting.server.keys), "right", broken)
        assert acting.ask("GET", "/stream")[0] == 500
    # What is no HTTP at all is refused by the server below; with our headers, too.
    for noise in (
        b"\x16\x03\x01\x02\x00",
        b"GET  / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
    ):
        with socket.create_connection(("127.0.0.1", acting.server.port), timeout=5) as wire:
            wire.sendall(noise)
            wire.shutdown(socket.SHUT_WR)
            got = wire.recv(4000)
        assert got.startswith((b"HTTP/1.1 400 ", b"HTTP/1.1 421 ")) or got == b""
        assert got == b"" or b"nosniff" in got
    out = capfd.readouterr()
    assert "Traceback" not in out.out + out.err


def test_nothing_is_logged(acting: Client, capfd: pytest.CaptureFixture[str]) -> None:
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    logging.getLogger().addHandler(handler)
    with contextlib.ExitStack() as stack:
        stack.callback(logging.getLogger().removeHandler, handler)
        acting.post("/enter", {"key": "act-wrong"})
        acting.post("/act", MARK)
        acting.ask("GET", "/stream?run=secret")
    out = capfd.readouterr()
    assert stream.getvalue() + out.out + out.err == ""
