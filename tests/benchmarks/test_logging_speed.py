"""How fast, how heavy, how soon: the logger against the script that a user would write, and against no work at all.

    python -m pytest tests/benchmarks/test_logging_speed.py -s

Ratios are printed, never asserted: machines differ, and this one may be busy.
"""

import csv
import os
import random
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest
import serial

from firmware_probe.line_format import frame
from logger.base.clock import read_clocks
from logger.board.port import open_link
from logger.recording.machine import Recording
from logger.recording.session import Session
from logger.recording.terms import Wishes
from logger.run.description import Description
from logger.run.writer import SampleWriter
from tests.support.line_feeder import Feeder, FeederBoard
from tests.support.log_process import COMMAND, LogProcess, count_rows, environment, read_described
from tests.support.stream_material import HELLO, window_line

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")

SCRIPT_LINES = 8_000
FAST_LINES = 200_000
CPU_SECONDS = 10.0
GOAL_LINES_PER_S = 100_000
USB_FULL_SPEED_BYTES_PER_S = 1_200_000


@dataclass(frozen=True)
class Speed:
    lines: int
    wall_s: float
    cpu_s: float

    @property
    def per_s(self) -> float:
        return self.lines / self.wall_s

    @property
    def per_cpu_s(self) -> float:
        return self.lines / self.cpu_s


# A process of its own sends the lines, so that its work is not counted.
SENDER = """
import os, sys
data = open(sys.argv[1], "rb").read()
fd = int(sys.argv[2])
view = memoryview(data)
while view:
    view = view[os.write(fd, view[:65536]):]
os.read(0, 1)
"""


@contextmanager
def sender(path: Path) -> Iterator[str]:
    """Port on which the lines of a file come as fast as they are read."""
    master, slave = os.openpty()
    tty.setraw(slave)
    process = subprocess.Popen(
        [sys.executable, "-c", SENDER, str(path), str(master)],
        pass_fds=[master],
        stdin=subprocess.PIPE,
    )
    try:
        yield os.ttyname(slave)
    finally:
        process.kill()
        process.communicate()
        os.close(master)
        os.close(slave)


def write_lines(path: Path, count: int) -> int:
    """Windows in the order a board sends them; gives the bytes."""
    rng = random.Random(1)
    path.write_bytes(b"".join(window_line(number, rng) for number in range(count)))
    return path.stat().st_size


def measure(work: Callable[[], int]) -> Speed:
    wall, cpu = time.perf_counter(), time.process_time()
    lines = work()
    return Speed(lines, time.perf_counter() - wall, time.process_time() - cpu)


def users_script(port: str, path: Path, lines: int) -> int:
    """What a user would write: readline, split, csv.writer, a flush so that rows are not lost."""
    link = serial.Serial(port, 115200, timeout=1)
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["time", "voltage", "current", "charge"])
        count = 0
        while count < lines:
            line = link.readline().decode("ascii", "replace").strip()
            fields = line.split("*")[0].split(",")
            if len(fields) == 12 and fields[0] == "w":
                writer.writerow(
                    [int(fields[2]) / 1e6, float(fields[4]), float(fields[7]), float(fields[10])]
                )
                stream.flush()
                count += 1
    link.close()
    return count


def raw_copy(port: str, path: Path, size: int, lines: int) -> int:
    """No work at all: the bytes to the disk as they come."""
    source = os.open(port, os.O_RDONLY | os.O_NOCTTY)
    target = os.open(path, os.O_WRONLY | os.O_CREAT)
    left = size
    while left:
        left -= os.write(target, os.read(source, 65536))
    os.fsync(target)
    os.close(source)
    os.close(target)
    return lines


def ours(port: str, folder: Path, lines: int) -> int:
    """The real thing: port, decoder, checks, run axis, durable rows, disk thread."""
    folder.mkdir()
    recording = Recording(Wishes(), Description(), read_clocks())
    link = open_link(port)
    session = Session(recording, SampleWriter(folder), None, pattern=port, baud=115200)
    recording.connected(read_clocks(), port)
    recording.feed(b"\n" + HELLO + frame("ok,load") + frame("ok,start"), read_clocks())
    recording._maker.taking = True  # nobody answers our commands on this line
    session._link = link
    session._keeper.start()
    while recording._maker.rows_total < lines - 1:
        session._turn()
        recording.wants_reopen = False
    session._over.set()
    session._keeper.join()
    session._store()
    session.writer.close()
    link.close()
    return recording.status().rows


def show(title: str, *lines: str) -> None:
    print(f"\n{title}")
    for line in lines:
        print(f"    {line}")


def test_lines_per_second(tmp_path: Path) -> None:
    few, many = tmp_path / "few", tmp_path / "many"
    write_lines(few, SCRIPT_LINES)
    size = write_lines(many, FAST_LINES)
    with sender(few) as port:
        script = measure(lambda: users_script(port, tmp_path / "script.csv", SCRIPT_LINES))
    with sender(many) as port:
        raw = measure(lambda: raw_copy(port, tmp_path / "raw", size, FAST_LINES))
    with sender(many) as port:
        we = measure(lambda: ours(port, tmp_path / "run", FAST_LINES))
    assert count_rows(tmp_path / "run") >= FAST_LINES - 1
    bytes_per_line = size / FAST_LINES
    show(
        f"lines of {bytes_per_line:.0f} bytes, port to durable CSV (per second; per second of processor)",
        f"20-line script   {script.per_s:10.0f}   {script.per_cpu_s:10.0f}",
        f"raw read, write  {raw.per_s:10.0f}   {raw.per_cpu_s:10.0f}",
        f"drawbench        {we.per_s:10.0f}   {we.per_cpu_s:10.0f}",
        f"drawbench / script {we.per_s / script.per_s:.1f} (processor {we.per_cpu_s / script.per_cpu_s:.1f}); "
        f"drawbench / raw {we.per_s / raw.per_s:.2f} (processor {we.per_cpu_s / raw.per_cpu_s:.2f})",
        f"goal {GOAL_LINES_PER_S} lines/s: {we.per_s / GOAL_LINES_PER_S:.2f} of it; "
        f"{we.per_s * bytes_per_line / USB_FULL_SPEED_BYTES_PER_S:.1f} times USB full speed",
    )


def load_of(process: psutil.Process) -> tuple[float, float]:
    """Share of one core over ``CPU_SECONDS``, and resident megabytes."""
    before = process.cpu_times()
    time.sleep(CPU_SECONDS)
    after = process.cpu_times()
    used_s = after.user + after.system - before.user - before.system
    return used_s / CPU_SECONDS, process.memory_info().rss / 1e6


@pytest.mark.parametrize("live", [False, True])
def test_processor_and_memory_at_100_windows_per_second(tmp_path: Path, live: bool) -> None:
    with Feeder(FeederBoard(window_us=10_000), tmp_path) as feeder:
        arguments = [*COMMAND, str(tmp_path / "run"), "--port", str(feeder.port)]
        screen, terminal = os.openpty() if live else (-1, subprocess.DEVNULL)
        began = time.monotonic()
        with subprocess.Popen(
            arguments,
            stdin=subprocess.DEVNULL,
            stdout=terminal,
            env=environment() | {"TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"},
        ) as process:
            while count_rows(tmp_path / "run") < 1:
                time.sleep(0.005)
            first_row_s = time.monotonic() - began
            if live:
                os.set_blocking(screen, False)
            share, resident_mb = load_of(psutil.Process(process.pid))
            process.terminate()
            while live and process.poll() is None:
                try:
                    os.read(screen, 65536)
                except OSError:
                    time.sleep(0.01)
    show(
        f"one board at 100 windows/s, {'live view' if live else 'plain lines'}",
        f"processor {share * 100:.1f} % of one core (goal: under 5 %)",
        f"resident {resident_mb:.0f} MB (goal: under 120 MB)",
        f"start to first stored row {first_row_s:.2f} s (goal: under 1.5 s)",
    )


def test_eight_boards_at_100_lines_per_second(tmp_path: Path) -> None:
    with ExitStack() as stack:
        names = [f"0000000{number}" for number in range(8)]
        feeders = [
            stack.enter_context(Feeder(FeederBoard(name, window_us=10_000), tmp_path, f"tty{name}"))
            for name in names
        ]
        ports = [f"--port={feeder.port}" for feeder in feeders]
        log = LogProcess(tmp_path / "run" / names[0], tmp_path / "run", *ports)
        log.wait_rows(10)
        share, resident_mb = load_of(psutil.Process(log.process.pid))
        log.end()
    rows = [count_rows(tmp_path / "run" / name) for name in names]
    lost = [
        sum(event.lost.get("rows", 0) for event in read_described(tmp_path / "run" / name).events)
        for name in names
    ]
    show(
        "eight boards at 100 lines/s",
        f"rows {min(rows)} to {max(rows)}, lost {sum(lost):.0f} (goal: none)",
        f"processor {share * 100:.1f} % of one core, resident {resident_mb:.0f} MB",
    )
    assert sum(lost) == 0
