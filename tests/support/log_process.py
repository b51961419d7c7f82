"""``drawbench log`` as a process of its own, for tests with real signals."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from logger.run.description import Description, from_document
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME
from tests.support.places import ROOT

COMMAND = [sys.executable, "-m", "drawbench", "log"]


def environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "error"}


def run_log(
    *arguments: str | Path, timeout_s: float = 60.0, typed: str = "", cwd: Path | None = None
) -> subprocess.CompletedProcess[str]:
    """Run it to its end."""
    return subprocess.run(
        [*COMMAND, *map(str, arguments)],
        input=typed,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
        env=environment(),
        cwd=cwd,
    )


class LogProcess:
    """A logger at work: ``wait_rows``, ``signal``, ``end``. ``output``: a file for what it says, to be read meanwhile."""

    def __init__(
        self,
        folder: Path,
        *arguments: str | Path,
        variables: dict[str, str] | None = None,
        output: Path | None = None,
    ) -> None:
        self.folder = folder
        self.output = output
        with contextlib.ExitStack() as stack:
            self.process = subprocess.Popen(
                [*COMMAND, *map(str, arguments)],
                stdin=subprocess.DEVNULL,
                stdout=stack.enter_context(output.open("w")) if output else subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                env=environment() | (variables or {}),
            )

    def wait_rows(self, count: int, timeout_s: float = 30.0) -> int:
        """Until the file has so many rows."""
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            rows = count_rows(self.folder)
            if rows >= count:
                return rows
            if self.process.poll() is not None:
                break
            time.sleep(0.02)
        raise AssertionError(f"{count_rows(self.folder)} rows, not {count}: {self.end(5.0)}")

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    def kill(self) -> None:
        """Without any warning."""
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()

    def end(self, timeout_s: float = 20.0) -> str:
        """End it with Ctrl-C if it has not ended; gives what it said."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        try:
            said, killed = self.process.communicate(timeout=timeout_s)[0], ""
        except subprocess.TimeoutExpired:
            self.process.kill()
            said, killed = self.process.communicate()[0], "(had to be killed)"
        return (self.output.read_text() if self.output else said) + killed


def count_rows(folder: Path) -> int:
    try:
        return max((folder / SAMPLES_NAME).read_bytes().count(b"\n") - 1, 0)
    except OSError:
        return 0


def read_table(folder: Path) -> list[list[float]]:
    """Whole rows as numbers; fails if one is damaged. A torn last row is left out."""
    text = (folder / SAMPLES_NAME).read_bytes()
    lines = text[: text.rfind(b"\n") + 1].split(b"\r\n")[1:-1]
    table = [[float(cell) for cell in line.split(b",")] for line in lines]
    assert all(len(row) == 12 for row in table), "a damaged row"
    return table


def read_described(folder: Path) -> Description:
    document: dict[str, Any] = json.loads((folder / DESCRIPTION_NAME).read_text(encoding="utf-8"))
    description, problems = from_document(document)
    assert problems == []
    return description
