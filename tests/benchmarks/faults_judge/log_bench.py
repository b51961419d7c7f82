"""A recording as a program of its own, killed and started again; its files read with our own few lines, not the tool's."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, Self

from tests.benchmarks.faults_judge.own_board import STEP, WINDOW_US, OwnBoard

ROOT: Final = Path(__file__).resolve().parents[3]
PATIENCE_S: Final = 60.0
NAMES: Final = ("samples.csv", "samples.recorded.csv", ".samples.second.csv")
Key = tuple[int, int]


class Starter:
    """Forks loggers out of one program that has loaded the tool already; starting each anew costs a second."""

    def __init__(self, **variables: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.forker"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT,
            env=os.environ | {"PYTHONPATH": str(ROOT)} | variables,
        )  # fmt: skip

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()

    def start(self, output: Path, *arguments: str) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps([str(output), *arguments]) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


class Bench:
    """One board, one run, one logger after another. ``folder`` is where the run is now."""

    def __init__(self, place: Path, board: OwnBoard, starter: Starter) -> None:
        self.place = place
        self.folder = place / "run"
        self.board = board
        self.output = place / "said"
        self.output.touch()
        self.process = 0
        self.begun = 0  # rows that stood there when the logger was started
        self._starter = starter

    def start(self, *more: str) -> None:
        known = (self.folder / "samples.csv-metadata.json").exists()
        how = ["--resume", str(self.folder)] if known else [str(self.folder)]
        self.begun = len(self.stored())
        self.process = self._starter.start(
            self.output, *how, "--port", str(self.board.port), "--no-forecast", "--plain", *more
        )

    def wait_new_rows(self, count: int = 3) -> None:
        wanted = max(self.begun, 0) + count
        self.wait(lambda: len(self.stored()) >= wanted, f"{wanted} rows")

    def wait_said(self, words: str, since: int = 0) -> None:
        self.wait(lambda: words in self.said(since), words)

    def wait(self, is_so: Callable[[], bool], what: str) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while not is_so():
            assert time.monotonic() < end_s, f"not {what}: {self.said()[-2000:]}"
            time.sleep(0.03)

    def said(self, since: int = 0) -> str:
        return self.output.read_text(errors="replace")[since:]

    def kill(self) -> None:
        """Without a word; gives nothing it might still do."""
        self._end(signal.SIGKILL)

    def end(self) -> None:
        self._end(signal.SIGINT)

    def _end(self, number: int) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.process, number)
        self.wait(lambda: not self.is_alive, "ended")

    @property
    def is_alive(self) -> bool:
        try:
            os.kill(self.process, 0)
        except ProcessLookupError:
            return False
        return True

    def stored(self) -> dict[Key, list[bytes]]:
        """Whole rows of the board in any of the run's files, by boot and number."""
        found: dict[Key, list[bytes]] = {}
        for name in NAMES:
            for cells in rows_of(self.folder / name):
                found.setdefault(key_of(cells), cells)
        return found

    def check(self) -> dict[str, Any]:
        """What the tool itself says of the run."""
        done = subprocess.run(
            [sys.executable, "-m", "drawbench", "check", str(self.folder), "--json"],
            capture_output=True, text=True, cwd=ROOT, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        found: dict[str, Any] = json.loads(done.stdout)
        return found

    def events(self) -> list[dict[str, Any]]:
        text = (self.folder / "samples.csv-metadata.json").read_text(encoding="utf-8")
        events: list[dict[str, Any]] = json.loads(text)["urn:drawbench:run"]["events"]
        return events

    def verdict(self, must: set[Key], *, unbroken: bool = False) -> tuple[int, int, int]:
        """Rows lost, invented and doubled in ``samples.csv``.

        ``must``: rows that have to be there. ``unbroken``: the logger lived through it, so all that was sent between
        its first and its last row has to be there as well.
        """
        rows = rows_of(self.folder / "samples.csv")
        counts = Counter(key_of(cells) for cells in rows)
        doubled = sum(counts.values()) - len(counts)
        order = list(counts)
        if unbroken and order:
            sent = list(self.board.sent)
            must = must | set(sent[sent.index(order[0]) : sent.index(order[-1]) + 1])
        lost = len(must - set(counts))
        return lost, sum(not self._is_true(cells) for cells in rows) + _backward(rows), doubled

    def charge_is_bounded(self) -> bool:
        """Whether what flowed and is not in the run lies within what the run's events say at most (if they say it)."""
        rows = rows_of(self.folder / "samples.csv")
        first, last = self.board.sent[key_of(rows[0])], self.board.sent[key_of(rows[-1])]
        flowed = (last.true_e4us - first.true_e4us) / STEP / 1e6
        missing = flowed - (float(rows[-1][10]) - float(rows[0][10]))
        boots = [event["lost"] for event in self.events() if event["kind"] == "boot"]
        most = sum(lost.get("charge_upper_mah", float("inf")) for lost in boots)
        slack = 2 * 800_000 * WINDOW_US / STEP / 1e6  # a window that was under way
        return bool(-slack <= missing <= most + slack)

    def _is_true(self, cells: list[bytes]) -> bool:
        sent = self.board.sent.get(key_of(cells))
        return sent is not None and b",".join(cells[3:10]) == sent.fields


def _backward(rows: list[list[bytes]]) -> int:
    times = [float(cells[0]) for cells in rows]
    return sum(later <= before for before, later in pairwise(times))


def rows_of(path: Path) -> list[list[bytes]]:
    """Whole rows of twelve numbers; nothing else in the file counts."""
    try:
        data = path.read_bytes()
    except OSError:
        return []
    found = []
    for line in data[: data.rfind(b"\n") + 1].split(b"\n")[1:]:
        cells = line.rstrip(b"\r").split(b",")
        if len(cells) == 12 and cells[1].isdigit() and cells[2].isdigit():
            found.append(cells)
    return found


def key_of(cells: list[bytes]) -> Key:
    return int(cells[2]), int(cells[1])
