"""Runs a sketch on the simulated bench in lock-step and reads what board and sensor have to say."""

import contextlib
import itertools
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import serial

from firmware_probe.line_format import WINDOW_FIELDS, command, crc16
from tests.support.firmware_sim.toolchain import RP2040, bench_program, rp2040_parts

RECORD: Final = np.dtype(
    [
        ("cycle", "<u8"),
        ("kind", "<u2"),
        ("reg", "<u2"),
        ("value", "<i4"),
        ("bus", "<i4"),
        ("shunt_reads", "<u2"),
        ("bus_reads", "<u2"),
    ]
)
CONVERSION, READ = 0, 1
CYCLES_PER_US: Final = 16


@dataclass
class Script:
    """What happens on the bench, and when; see ``firmware_probe/simulator/README.md`` for the commands."""

    lines: list[str] = field(default_factory=list)

    def at(self, time_s: float, *commands: str) -> "Script":
        """Bench commands at a time since power-on."""
        self.lines += [f"{round(time_s * 1e6)} {text}" for text in commands]
        return self

    def host(self, time_s: float, name: str, *fields: str | float) -> "Script":
        """A command line of the protocol, sent by the host."""
        line = command(name, *(str(item) for item in fields)).decode("ascii").rstrip("\n")
        return self.at(time_s, f"send {line}")


@dataclass(frozen=True)
class Line:
    """A line of the board: when its last byte was handed to the UART, and its fields."""

    sent_us: float
    kind: str
    fields: tuple[str, ...]

    @property
    def values(self) -> dict[str, str]:
        """Fields by name, for ``hello`` (``key=value``) and ``w``."""
        if self.kind == "w":
            return dict(zip(WINDOW_FIELDS, self.fields, strict=True))
        return dict(item.split("=", 1) for item in self.fields)


@dataclass(frozen=True)
class Outcome:
    """All that a run left behind."""

    folder: Path
    lines: tuple[Line, ...]
    void: tuple[str, ...]
    events: tuple[tuple[float, str], ...]
    records: npt.NDArray[np.void]
    truth: dict[str, float]

    def of(self, *kinds: str) -> list[Line]:
        return [line for line in self.lines if line.kind in kinds]

    @property
    def windows(self) -> list[dict[str, str]]:
        return [line.values for line in self.of("w")]

    @property
    def hellos(self) -> list[dict[str, str]]:
        return [line.values for line in self.of("hello")]

    def faults(self, code: str) -> list[Line]:
        return [line for line in self.of("fault") if line.fields[1] == code]

    @property
    def conversions(self) -> npt.NDArray[np.void]:
        """The sensor's conversions in the order of time."""
        found = self.records[self.records["kind"] == CONVERSION]
        return np.asarray(found[np.argsort(found["cycle"], kind="stable")])

    def event_times(self, start: str) -> list[float]:
        """Times in microseconds of the bench's events that begin with these words."""
        return [at for at, text in self.events if text.startswith(start)]


def parse_lines(text: str) -> tuple[tuple[Line, ...], tuple[str, ...]]:
    """Lines with a right CRC, and what was left over."""
    good: list[Line] = []
    void: list[str] = []
    for row in text.splitlines():
        sent_us, _, whole = row.partition(" ")
        body, star, crc = whole.partition("*")
        if star and crc == f"{crc16(body.encode()):04X}":
            kind, *fields = body.split(",")
            good.append(Line(float(sent_us), kind, tuple(fields)))
        elif whole:
            void.append(whole)
    return tuple(good), tuple(void)


def read_outcome(folder: Path) -> Outcome:
    lines, void = parse_lines((folder / "lines.txt").read_text("ascii"))
    events = tuple(
        (float(row.split(" ", 1)[0]), row.split(" ", 1)[1])
        for row in (folder / "events.txt").read_text("ascii").splitlines()
    )
    truth = dict(row.split("=") for row in (folder / "truth.txt").read_text("ascii").splitlines())
    return Outcome(
        folder,
        lines,
        void,
        events,
        np.fromfile(folder / "sensor.bin", dtype=RECORD),
        {key: float(value) for key, value in truth.items()},
    )


def _start(elf: Path, script: Script, folder: Path, *options: str) -> "subprocess.Popen[str]":
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "script.txt"
    path.write_text("\n".join(script.lines) + "\n", "ascii")
    bench = [str(bench_program())]
    if elf.suffix == ".bin":  # an image for the RP2040
        bench = ["node", str(RP2040 / "bench.mjs"), "--parts", str(rp2040_parts())]
    command_line = [*bench, str(elf), str(path), str(folder), *options]
    return subprocess.Popen(command_line, stderr=subprocess.PIPE, text=True)


def run_bench(elf: Path, script: Script, folder: Path, seconds: float, *options: str) -> Outcome:
    """Runs in lock-step for so many board seconds."""
    process = _start(elf, script, folder, "--seconds", str(seconds), *options)
    _, complaint = process.communicate(timeout=200)
    assert process.returncode == 0, complaint
    return read_outcome(folder)


@contextlib.contextmanager
def live_bench(elf: Path, script: Script, folder: Path, *options: str) -> Iterator[str]:
    """Runs with a pty for real hosts; gives the port's path, stops and writes the files at the end."""
    port = folder / "port"
    process = _start(elf, script, folder, "--port", str(port), *options)
    try:
        for _ in itertools.repeat(None, 200):
            if port.exists() or process.poll() is not None:
                break
            time.sleep(0.01)
        assert process.poll() is None, process.stderr and process.stderr.read()
        yield os.fspath(port)
    finally:
        process.send_signal(signal.SIGTERM)
        _, complaint = process.communicate(timeout=30)
    assert process.returncode == 0, complaint


class HostError(AssertionError):
    """The board did not say in time what was waited for, or the port is gone."""


class Host:
    """A plain host on the bench's port, with an end to every wait."""

    def __init__(self, port: str, baud: int, patience_s: float = 20) -> None:
        self._serial = serial.Serial(port, baud, timeout=0.2)
        self._patience_s = patience_s
        self.heard = b""

    def __enter__(self) -> "Host":
        return self

    def __exit__(self, *_: object) -> None:
        self._serial.close()

    def send(self, *lines: bytes) -> None:
        self._serial.write(b"\n" + b"".join(lines))

    def hear(self, words: bytes, ask: bytes = b"", bytes_wanted: int = 0) -> bytes:
        """Listens until these words and so many bytes have come, asking again meanwhile; raises HostError."""
        end_s = time.monotonic() + self._patience_s
        asked_s = -1.0
        while words not in self.heard or len(self.heard) < bytes_wanted:
            if time.monotonic() > end_s:
                raise HostError(f"no {words!r} in {len(self.heard)} bytes {self.heard[-200:]!r}")
            try:
                if ask and time.monotonic() - asked_s > 0.5:
                    asked_s = time.monotonic()
                    self.send(ask)
                # never waits for more than is there: a full read would wait for the time limit
                self.heard += self._serial.read(max(1, self._serial.in_waiting))
            except (serial.SerialException, OSError) as error:
                raise HostError(f"port is gone: {error}") from error
        return self.heard
