"""The smallest board for tests of the capture side: a pty that speaks the protocol, and can misbehave.

Voltage and current are formulas, so that the truth of every charge is known;
the full simulated board is ``firmware_probe.twin.simulated_board``.
"""

import os
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

from firmware_probe.line_format import fixed, frame

CHARGE_STEP = 36_000_000  # (1e-4 mA x us) in a millionth of a mAh: 3.6e9 us/h x 1e4 / 1e6


class FeederBoard:
    """State of the board: ``receive`` commands, ``advance`` time, both give lines. All whole numbers."""

    def __init__(
        self,
        board: str = "7F3A91C2",
        *,
        window_us: int = 100_000,
        load: str = "-",
        start_v: float = 4.5,
        slope_v_per_s: float = 0.0,
        current_ma: float = 50.0,
        time_factor: float | None = None,
        opened: str = "",
        welded: bool = False,
    ) -> None:
        self.board = board
        self.opened = opened or ("host" if load == "0" else "-")
        self.welded = welded
        self.boot = 17
        self.cause = "power"
        self.window_us = window_us
        self.load = load
        self.start_v = start_v
        self.slope_v_per_s = slope_v_per_s
        self.current_e4 = round(current_ma * 10_000)
        self.time_factor = time_factor
        self.cutoff_text, self.hold_ms = "0.000000", 0
        self.commands: list[str] = []
        self.true_e4us = 0  # charge since the board was made, all boots
        self.world_us = 0
        self._begin()

    def _begin(self) -> None:
        self.time_us = 0
        self.sequence = 0
        self.charge_e4us = 0
        self.energy_e10us = 0
        self.running = False
        self._below_us = 0

    def reset(self, cause: str = "reset", dead_us: int = 0) -> bytes:
        """Start again; for ``dead_us`` the load runs on with nobody measuring."""
        lost_us = dead_us + self.world_us % self.window_us
        self.true_e4us += self.current_e4 * lost_us
        self.world_us += lost_us
        self.boot += 1
        self.cause = cause
        self._begin()
        return self.hello()

    def hello(self) -> bytes:
        factor = "" if self.time_factor is None else f",time_factor={self.time_factor:g}"
        return frame(
            f"hello,protocol=1,firmware=1.0.0,board={self.board},boot={self.boot},cause={self.cause},"
            f"sensor=INA219,address=40,shunt_ohm=0.1000,range_ma=3200.0000,bus_range_v=32.000,"
            f"window_us={self.window_us},load={self.load},opened={self.opened},cutoff_v={self.cutoff_text},"
            f"hold_ms={self.hold_ms},running={int(self.running)},time_us={self.time_us}{factor}"
        )

    def receive(self, line: bytes) -> bytes:
        body, star, crc = line.strip().rpartition(b"*")
        if not line.strip():
            return b""
        if not star or frame(body.decode()) != body + b"*" + crc + b"\n":
            return frame("no,?,crc")
        name, *fields = body.decode().split(",")
        self.commands.append(body.decode())
        if name == "identify":
            return self.hello()
        if name == "window":
            self.window_us = int(fields[0])
        elif name in ("start", "stop"):
            self.running = name == "start"
        elif name == "cutoff":
            self.cutoff_text, self.hold_ms = fields[0], int(fields[1])
        elif name == "load":
            if self.load == "-":
                return frame("no,load,fitted")
            if fields == ["1"] and self.opened == "cutoff":
                return frame("no,load,tripped")
            self.load = fields[0]
            if self.load == "1":
                self.opened = "-"
            elif self.opened != "cutoff":
                self.opened = "host"
            return frame(f"load,{self.time_us},{self.load},host")
        else:
            return frame(f"no,{name},unknown")
        return frame(f"ok,{name}")

    def pack_uv(self) -> int:
        return round((self.start_v - self.slope_v_per_s * self.world_us / 1e6) * 1e6)

    def window(self) -> bytes:
        """One window passes; its line if windows are being sent."""
        current = 0 if self.load == "0" and not self.welded else self.current_e4
        self.time_us += self.window_us
        self.world_us += self.window_us
        self.charge_e4us += current * self.window_us
        self.true_e4us += current * self.window_us
        volt = self.pack_uv()
        self.energy_e10us += current * volt * self.window_us
        line = b""
        if self.running:
            line = frame(
                f"w,{self.sequence},{self.time_us},94,{fixed(volt, 6)},{fixed(volt, 6)},{fixed(volt - current // 100, 6)},"
                f"{fixed(current, 4)},{fixed(current, 4)},{fixed(current, 4)},"
                f"{fixed(self.charge_e4us // CHARGE_STEP, 6)},{fixed(self.energy_e10us // (CHARGE_STEP * 10**6), 6)}"
            )
        self.sequence = (self.sequence + self.running) % 2**32
        return line + self._guard(volt)

    def _guard(self, volt: int) -> bytes:
        below = float(self.cutoff_text) > volt / 1e6
        self._below_us = self._below_us + self.window_us if below else 0
        if below and self.load == "1" and self._below_us > self.hold_ms * 1000:
            self.load = "0"
            return frame(f"load,{self.time_us},0,cutoff")
        return b""

    @property
    def true_mah(self) -> float:
        return self.true_e4us / CHARGE_STEP / 1e6


class Feeder:
    """Serves a board over a pty from a thread; ``folder/name`` is a link to the pty, as a port's name.

    ``factor``: board seconds per second. What the other side does not read is
    lost, as on a real line. ``spoil`` may change the bytes on their way out.
    """

    def __init__(
        self,
        board: FeederBoard,
        folder: Path,
        name: str = "tty-board-0",
        *,
        factor: float = 1.0,
        spoil: Callable[[bytes], bytes] = lambda data: data,
    ) -> None:
        self.board = board
        self.folder = folder
        self.port = folder / name
        self.factor = factor
        self.spoil = spoil
        self.lock = threading.Lock()
        self.bytes_lost = 0
        self.baud: int | None = None
        self._master: int | None = None
        self._pending = b""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> "Feeder":
        self.plug()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.unplug()

    def plug(self, name: str | None = None) -> None:
        """A new pty appears under ``name``."""
        if name is not None:
            self.port = self.folder / name
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(os.ttyname(slave))
        with self.lock:
            # The slave stays open here, so that the pty outlives its reader, as a device does.
            self._slave = slave
            self._master = master
            self._pending = b""

    def unplug(self) -> None:
        """The pty goes away; the board lives on."""
        with self.lock:
            if self._master is None:
                return
            self.port.unlink(missing_ok=True)
            os.close(self._master)
            os.close(self._slave)
            self._master = None

    def reset(self, cause: str = "reset", dead_us: int = 0) -> None:
        with self.lock:
            self._send(self.board.reset(cause, dead_us))

    def _serve(self) -> None:
        began = time.monotonic()
        passed_us = 0
        while not self._stop.is_set():
            with self.lock:
                self._read_commands()
                due_us = (time.monotonic() - began) * self.factor * 1e6
                while passed_us + self.board.window_us <= due_us:
                    passed_us += self.board.window_us
                    self._send(self.board.window())
            self._stop.wait(min(0.005, self.board.window_us / 2e6))

    def _read_commands(self) -> None:
        if self._master is None:
            return
        try:
            self._pending += os.read(self._master, 4096)
        except OSError:
            return
        *lines, self._pending = self._pending.split(b"\n")
        for line in lines:
            self._send(self.board.receive(line))

    def _send(self, data: bytes) -> None:
        if not data or self._master is None:
            return
        data = self.spoil(data)
        try:
            written = os.write(self._master, data)
        except OSError:
            written = 0
        self.bytes_lost += len(data) - written
