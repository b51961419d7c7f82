"""A board of the judge's own on a pseudo-terminal, written from PROTOCOL.md: it knows what it really sent, and what really flowed."""

import binascii
import contextlib
import os
import random
import threading
import time
import tty
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Self

# (1e-4 mA x us) in a millionth of a mAh: 3.6e9 us/h x 1e4 / 1e6
STEP: Final = 36_000_000
WINDOW_US: Final = 20_000


@dataclass(frozen=True)
class Sent:
    """One window: its measured fields as they went over the line, the board's counter, and the truth at its end."""

    fields: bytes
    charge_umah: int
    true_e4us: int
    world_us: int


def frame(body: str) -> bytes:
    """With its CRC-16/XMODEM."""
    return f"{body}*{binascii.crc_hqx(body.encode(), 0):04X}\n".encode()


def fixed(number: int, places: int) -> str:
    whole, part = divmod(number, 10**places)
    return f"{whole}.{part:0{places}d}"


class OwnBoard:
    """``sent``: every window that went out whole, by boot and number. ``factor``: board seconds per second."""

    def __init__(
        self, folder: Path, name: str, *, window_us: int = WINDOW_US, factor: float = 1.0,
        number: int = 0, time_us: int = 0, seed: int = 0, told_factor: float | None = None,
    ) -> None:  # fmt: skip
        self.name = name
        self.port = folder / f"tty-{name}"
        self.sent: dict[tuple[int, int], Sent] = {}
        self.true_e4us = self.world_us = 0
        self.boot = 7
        self.alive = True
        self._chance = random.Random(seed)
        self._window_us = window_us
        self._factor = factor
        self._told = "" if told_factor is None else f",time_factor={told_factor:g}"
        self._first = number, time_us
        self._begin()
        self._lock = threading.Lock()
        self._master: int | None = None
        self._slave = -1
        self._pending = b""
        self._is_torn = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def _begin(self) -> None:
        self.number, self.time_us = self._first
        self.charge_e4us = self._energy = 0
        self.running = False

    def __enter__(self) -> Self:
        self.plug()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        self.unplug()

    def plug(self) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(os.ttyname(slave))
        with self._lock:
            self._master, self._slave, self._pending = master, slave, b""

    def unplug(self) -> None:
        with self._lock:
            if self._master is not None:
                self.port.unlink(missing_ok=True)
                os.close(self._master)
                os.close(self._slave)
                self._master = None

    def reset(self, dead_us: int) -> None:
        """Start again; for ``dead_us`` the load runs on and nobody counts."""
        with self._lock:
            self.true_e4us += 500_000 * dead_us
            self.world_us += dead_us
            self.boot += 1
            self._first = 0, 0
            self._begin()
            self._send(self._hello())

    def _hello(self) -> bytes:
        return frame(
            f"hello,protocol=1,firmware=1.0.0,board={self.name},boot={self.boot},cause=reset,sensor=INA219,address=40,"
            f"shunt_ohm=0.1000,range_ma=3200.0000,bus_range_v=32.000,window_us={self._window_us},load=-,opened=-,"
            f"cutoff_v=0.000000,hold_ms=0,running={int(self.running)},time_us={self.time_us}{self._told}"
        )

    def _receive(self, line: bytes) -> bytes:
        name, *fields = line.strip().rpartition(b"*")[0].decode().split(",")
        if name == "identify":
            return self._hello()
        if name in ("start", "stop"):
            self.running = name == "start"
        elif name == "window":
            self._window_us = int(fields[0])
        elif name != "cutoff":
            return frame(f"no,{name or '?'},unknown")
        return frame(f"ok,{name}")

    def _window(self) -> None:
        """One window passes; what it drew is drawn by chance."""
        mean, spread = self._chance.randrange(200_000, 800_000), self._chance.randrange(100_000)
        volt = self._chance.randrange(3_500_000, 4_700_000)
        self.time_us += self._window_us
        self.world_us += self._window_us
        self.charge_e4us += mean * self._window_us
        self.true_e4us += mean * self._window_us
        self._energy += mean * volt * self._window_us
        if not self.running:
            return
        charge = self.charge_e4us // STEP
        fields = (
            f"94,{fixed(volt, 6)},{fixed(volt - 1000, 6)},{fixed(volt - mean // 100, 6)},"
            f"{fixed(mean, 4)},{fixed(mean - spread, 4)},{fixed(mean + spread, 4)}"
        )
        energy = fixed(self._energy // (STEP * 10**6), 6)
        number, self.number = self.number, (self.number + 1) % 2**32
        line = frame(f"w,{number},{self.time_us},{fields},{fixed(charge, 6)},{energy}")
        if self._send(line):
            self.sent[self.boot, number] = Sent(
                fields.encode(), charge, self.true_e4us, self.world_us
            )

    def _serve(self) -> None:
        began_s, passed_us = time.monotonic(), 0
        while not self._over.is_set():
            with self._lock:
                self._read()
                due_us = (time.monotonic() - began_s) * self._factor * 1e6
                while passed_us + self._window_us <= due_us:
                    passed_us += self._window_us
                    if self.alive:
                        self._window()
            self._over.wait(0.005)

    def _read(self) -> None:
        if self._master is None:
            return
        with contextlib.suppress(OSError):
            self._pending += os.read(self._master, 4096)
        *lines, self._pending = self._pending.split(b"\n")
        for line in lines:
            if line.strip():
                self._send(self._receive(line))

    def _send(self, data: bytes) -> bool:
        """Whether all of it went out."""
        if self._master is None:
            return False
        data = b"\n" * self._is_torn + data  # else it would go on in the half line before it
        try:
            written = os.write(self._master, data)
        except OSError:
            return False  # the line is full: nothing of it went out
        self._is_torn = written < len(data)
        return not self._is_torn
