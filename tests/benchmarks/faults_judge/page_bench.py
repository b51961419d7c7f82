"""A recording with its page, watched from outside: programs, bytes on the line, the rows in the file, the browser's side.

Nothing of the tool is loaded. The board is the simulated one, a program of its own; what it sends goes through our
own hands, so what the file should hold is known from the line.
"""

import contextlib
import csv
import http.client
import json
import os
import re
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import psutil

from tests.benchmarks.faults_judge.page_requests import HOST

ROOT: Final = Path(__file__).resolve().parents[3]
PATIENCE_S: Final = 60.0
# As many handles as a program has on the system that gives fewest.
HANDLES: Final = 256


@dataclass(frozen=True)
class Rows:
    """Rows of the file against windows on the line."""

    sent: int
    lost: int
    invented: int
    doubled: int


class Tap:
    """Between the board and the logger: passes every byte on and keeps the windows that the logger was sent."""

    def __init__(self, board_port: int) -> None:
        self._board = socket.create_connection((HOST, board_port))
        self._listen = socket.create_server((HOST, 0))
        self.port: int = self._listen.getsockname()[1]
        self.windows: list[tuple[int, str]] = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            logger, _ = self._listen.accept()
            threading.Thread(target=self._down, args=(logger,), daemon=True).start()
            rest = b""
            while data := self._board.recv(65_536):
                logger.sendall(data)
                *lines, rest = (rest + data).split(b"\n")
                for line in lines:
                    if line.startswith(b"w,"):
                        parts = line.split(b",")
                        self.windows.append((int(parts[1]), parts[4].decode()))

    def _down(self, logger: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := logger.recv(4096):
                self._board.sendall(data)

    def close(self) -> None:
        for item in (self._listen, self._board):
            item.close()

    def against(self, folder: Path) -> Rows:
        """What the file holds of what was sent; windows after the last row came when the run was over."""
        with (folder / "samples.csv").open(newline="") as stream:
            rows = [(int(row["sequence"]), row["pack_v"]) for row in csv.DictReader(stream)]
        sent = dict(self.windows)
        last = max(number for number, _ in rows)
        first = min(number for number, _ in rows)
        due = {number for number in sent if first <= number <= last}
        counts = Counter(number for number, _ in rows)
        invented = sum(float(sent.get(number, "nan")) != float(volt) for number, volt in rows)
        return Rows(len(due), len(due - set(counts)), invented, sum(counts.values()) - len(counts))


@dataclass
class Browser:
    """One browser's side of the page: its cookie, its form token."""

    port: int
    cookie: str = ""
    form: str = ""

    def ask(
        self, method: str, path: str, body: dict[str, Any] | None = None, patience_s: float = 10.0
    ) -> tuple[int, bytes]:
        connection = http.client.HTTPConnection(HOST, self.port, timeout=patience_s)
        headers = {"Cookie": self.cookie} if self.cookie else {}
        if body is not None:
            headers |= {"Origin": f"http://{HOST}:{self.port}", "Content-Type": "application/json", "X-Drawbench": self.form}  # fmt: skip
        try:
            connection.request(method, path, None if body is None else json.dumps(body), headers)
            answer = connection.getresponse()
            if (cookie := answer.headers.get("set-cookie")) and answer.status == 200:
                self.cookie = cookie.split(";")[0]
            stream = "event-stream" in answer.headers.get("content-type", "")
            content = answer.readline() if stream else answer.read()
            answer.close()
            return answer.status, content
        finally:
            connection.close()

    def enter(self, key: str) -> None:
        found = re.search(rb'name="form" content="(\w+)"', self.ask("GET", "/")[1])
        assert found is not None
        self.form = found[1].decode()
        status, said = self.ask("POST", "/enter", {"key": key})
        assert status == 200, said
        self.form = str(self.state()["form"])

    def state(self) -> dict[str, Any]:
        status, content = self.ask("GET", "/stream")
        assert status == 200, (status, content)
        found: dict[str, Any] = json.loads(content.removeprefix(b"data: "))
        return found

    def mark(self, text: str) -> bool:
        """Whether the page took it."""
        try:
            return self.ask("POST", "/act", {"run": "r1", "what": "mark", "text": text})[0] == 200
        except (OSError, http.client.HTTPException):
            return False


@dataclass
class Recording:
    """``drawbench log --page`` at work."""

    folder: Path
    process: subprocess.Popen[str]
    tap: Tap
    said: list[tuple[float, str]] = field(default_factory=list)

    def hear(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append((time.monotonic(), line))

    def keys(self) -> tuple[int, str, str]:
        """Port of the page, act key, look key, as the terminal shows them."""
        self.wait(lambda: sum("http://" in line for _, line in self.said) >= 2)
        found = re.findall(r"http://[0-9.]+:(\d+)/#((?:act|look)-\S+)", self.text)
        keys = {key.partition("-")[0]: key for _, key in found}
        return int(found[0][0]), keys["act"], keys["look"]

    @property
    def text(self) -> str:
        return "".join(line for _, line in list(self.said))

    def wait(self, what: Callable[[], bool], patience_s: float = PATIENCE_S) -> None:
        end_s = time.monotonic() + patience_s
        while not what():
            assert time.monotonic() < end_s, self.text
            time.sleep(0.02)

    def page_pid(self) -> int | None:
        """The program that serves the page, if it runs."""
        for child in psutil.Process(self.process.pid).children():
            with contextlib.suppress(psutil.Error):
                if "--attached" in child.cmdline() and child.status() != psutil.STATUS_ZOMBIE:
                    return child.pid
        return None

    def end(self) -> Rows:
        """Ctrl-C; the rows against the line."""
        self.process.send_signal(signal.SIGINT)
        self.process.wait(PATIENCE_S)
        return self.tap.against(self.folder)

    def marks(self) -> Counter[str]:
        """Marks in the run's record."""
        text = (self.folder / "samples.csv-metadata.json").read_text(encoding="utf-8")
        events = json.loads(text)["urn:drawbench:run"]["events"]
        return Counter(event["text"] for event in events if event["kind"] == "mark")


@contextlib.contextmanager
def recording(folder: Path, *more: str, window: str = "10ms") -> Iterator[Recording]:
    """A simulated board at real speed, the line through our hands, a recording with its page."""
    drawbench = [sys.executable, "-m", "drawbench"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
    simulate = [*drawbench, "simulate", "--tcp", "0", "--seed", "7", "--load", "200mA"]
    with contextlib.ExitStack() as stack:
        board = stack.enter_context(
            subprocess.Popen(simulate, env=environment, stdout=subprocess.PIPE, text=True)
        )
        stack.callback(board.terminate)
        assert board.stdout is not None
        port = next(
            int(found[1])
            for line in board.stdout
            if (found := re.search(r"socket://127.0.0.1:(\d+)", line))
        )
        tap = Tap(port)
        stack.callback(tap.close)
        log = [*drawbench, "log", str(folder), "--port", f"socket://{HOST}:{tap.port}", "--window", window, "--plain", "--page-port", str(_free_port()), "--keep-load", *more]  # fmt: skip
        process = subprocess.Popen(
            log, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            preexec_fn=_few_handles,
        )  # fmt: skip
        stack.callback(_ended, process)
        found_recording = Recording(folder, process, tap)
        threading.Thread(target=found_recording.hear, daemon=True).start()
        yield found_recording


def _free_port() -> int:
    """Not the usual one: other pages of this computer look for a place there while ours is down."""
    with socket.create_server((HOST, 0)) as found:
        port: int = found.getsockname()[1]
        return port


def _few_handles() -> None:
    resource.setrlimit(resource.RLIMIT_NOFILE, (HANDLES, HANDLES))


def _ended(process: subprocess.Popen[str]) -> None:
    if process.poll() is None:
        process.kill()
    process.wait()
