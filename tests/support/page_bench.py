"""A page on a free port of this computer, served from a thread; and a plain client for it."""

import http.client
import http.server
import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from logger.page.bench import Bench, PageRun
from logger.page.serve import PageServer
from logger.run.description import Description, Event, to_document
from logger.run.feed import RunFeed
from logger.run.format import COLUMNS, DESCRIPTION_NAME, SAMPLES_NAME
from tests.support.places import ROOT

NAMES = [column.name for column in COLUMNS]


def row(number: int, volt_v: float = 4.2, current_ma: float = 80.0, step_s: float = 0.1) -> str:
    """A row as the logger writes it, at a steady draw."""
    time_s = (number + 1) * step_s
    charge_mah = current_ma * time_s / 3600
    return (
        f"{time_s:.6f},{number},17,94,{volt_v:.6f},{volt_v - 0.1:.6f},{volt_v:.6f},"
        f"{current_ma:.4f},{current_ma - 5:.4f},{current_ma + 9:.4f},{charge_mah:.6f},{charge_mah * volt_v:.6f}\r\n"
    )


def make_run(folder: Path, rows: int = 50, **changes: Any) -> Path:
    """A run on disk; ``changes`` go to its description."""
    folder.mkdir(parents=True, exist_ok=True)
    text = ",".join(NAMES) + "\r\n" + "".join(row(n, 4.5 - n / 100) for n in range(rows))
    (folder / SAMPLES_NAME).write_text(text, newline="")
    describe(folder, **changes)
    return folder


def describe(folder: Path, **changes: Any) -> None:
    events = tuple(Event(1.0, "mark", text) for text in changes.pop("marks", ()))
    description = Description(window_s=0.1, events=events, **changes)
    document = json.dumps(to_document(description, NAMES))
    (folder / DESCRIPTION_NAME).write_text(document, encoding="utf-8")


class Address:
    """Looks like a server to ``Client``; the real one is another process."""

    def __init__(self, address: str) -> None:
        host, self.act = address.split("/#")
        self.address = f"http://{address.removeprefix('http://')}"
        self.port = int(host.rsplit(":", 1)[1])
        self.look = ""  # shown as well, asked for by few
        self.keys = self


def address_in(text: str) -> Address:
    """The address that may act, in what a terminal says of a page."""
    return Address(text.split("http://")[1].split()[0])


class Client:
    """Requests as a program sends them, with whatever path and headers are asked for."""

    def __init__(self, server: PageServer | Address) -> None:
        self.server = server
        self.origin = f"http://127.0.0.1:{server.port}"
        self.cookie = ""
        self.form = ""

    def ask(
        self, method: str, path: str, body: object = None, headers: Mapping[str, str] | None = None
    ) -> tuple[int, http.client.HTTPMessage, bytes]:
        connection = http.client.HTTPConnection("127.0.0.1", self.server.port, timeout=10)
        sent = {"Cookie": self.cookie} if self.cookie else {}
        sent |= headers or {}
        data = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
        try:
            connection.request(method, path, data, sent)
            answer = connection.getresponse()
            stream = "event-stream" in answer.headers.get("content-type", "")
            content = answer.readline() if stream else answer.read()
            answer.close()
            return answer.status, answer.headers, content
        finally:
            connection.close()

    def post(self, path: str, body: object, **headers: str) -> tuple[int, dict[str, Any]]:
        form = self.door_form() if path == "/enter" else self.form or self.own_form()
        own = {"Origin": self.origin, "X-Drawbench": form, "Content-Type": "application/json"}
        status, answered, content = self.ask("POST", path, body, {**own, **headers})
        cookie = answered.get("set-cookie", "")
        if cookie:
            self.cookie = cookie.split(";")[0]
        return status, json.loads(content) if content else {}

    def door_form(self) -> str:
        """What the form that asks for the key sends along."""
        found = re.search(r'name="form" content="(\w+)"', self.ask("GET", "/")[2].decode())
        assert found is not None
        return found[1]

    def own_form(self) -> str:
        """What this session's forms send along; nothing without a session or a run."""
        status, _, content = self.ask("GET", "/stream")
        self.form = (
            str(json.loads(content.removeprefix(b"data: "))["form"]) if status == 200 else ""
        )
        return self.form

    def enter(self, key: str | None = None) -> None:
        """With the act key, or with this one."""
        assert self.post("/enter", {"key": key or self.server.keys.act})[0] == 200
        self.form = ""

    def load_off(self, run: str = "r1") -> tuple[int, dict[str, Any]]:
        """Ask for it, and say yes when the page asks again."""
        wish = {"run": run, "what": "load-off", "text": ""}
        status, answer = self.post("/act", wish)
        return self.post("/act", {**wish, **answer}) if status == 200 else (status, answer)

    def state(self, run: str = "") -> dict[str, Any]:
        status, _, content = self.ask("GET", f"/stream?run={run}")
        assert status == 200, content
        document: dict[str, Any] = json.loads(content.removeprefix(b"data: "))
        return document

    def wait_for(self, what: Any, run: str = "", patience_s: float = 10.0) -> dict[str, Any]:
        """First state in which ``what`` holds."""
        end_s = time.monotonic() + patience_s
        while True:
            document = self.state(run)
            if what(document) or time.monotonic() > end_s:
                assert what(document), document["run"]
                return document
            time.sleep(0.1)


def free_port() -> int:
    """One where no other page of this computer looks for a place."""
    with socket.create_server(("127.0.0.1", 0)) as found:
        port: int = found.getsockname()[1]
        return port


@contextmanager
def elsewhere(page: str) -> Iterator[int]:
    """Another site with this one page; gives its port."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            self.wfile.write(page.encode())

        def log_message(self, *_: object) -> None:
            return

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def serving(
    *runs: PageRun, lan: bool = False, port: int | None = None, after: Client | None = None
) -> Iterator[Client]:
    """A page with these runs; ``after``: one that has ended, whose place it takes."""
    kept = None
    if after is not None:
        assert isinstance(after.server, PageServer)
        kept = after.server.keys.kept()
        port = after.server.port
    server = PageServer(Bench(runs), port=port, lan=lan, kept=kept)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield Client(server)
    finally:
        server.stop()
        thread.join(10)


def page_run(folder: Path, key: str = "r1", **options: Any) -> PageRun:
    return PageRun(key, RunFeed(folder), **options)


@contextmanager
def acting_on(folder: Path, done: list[tuple[str, str]], title: str) -> Iterator[Client]:
    """A page with one run that is being recorded, and a browser that may act; ``done``: what it did."""
    run = page_run(
        make_run(folder, title=title), control=lambda what, text: done.append((what, text))
    )
    run.live = {"load": "1", "phase": "recording"}
    with serving(run) as client:
        client.enter()
        client.wait_for(lambda document: document["run"]["can_act"])
        yield client


@contextmanager
def logging(folder: Path, port: object, *more: str) -> Iterator["subprocess.Popen[str]"]:
    """``drawbench log --page`` as a process of its own; ended with Ctrl-C if it has not ended."""
    command = [sys.executable, "-m", "drawbench", "log", str(folder), "--port", str(port)]
    with subprocess.Popen(
        [*command, "--plain", "--page", *more],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
            process.communicate(timeout=30)


def address_of(process: "subprocess.Popen[str]") -> str:
    """Address of the page, with its key, without ``http://``."""
    assert process.stdout is not None
    for line in process.stdout:
        if "http://" in line:
            return line.split("http://")[1].split()[0]
    raise AssertionError("no address was shown")
