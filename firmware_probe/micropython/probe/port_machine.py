"""What boards with a ``machine`` module have in common: I2C, time, flash, pins, host."""

import select
import sys
import time

import machine
import micropython

from . import settings
from .cutoff import MASK
from .port import CHUNK_BYTES, BasePort, cause_word

_SLOTS = ("probe.0", "probe.1")


class MachinePort(BasePort):
    """``sda``, ``scl``, ``switch``: pins as ``machine.Pin`` wants them; ``i2c``: number of the I2C unit."""

    FIRMWARE_PREFIX = b"micropython-"
    PAIR_AVERAGES = 4
    WORK_US = 1500
    WATCHDOG_MS = 8000

    def __init__(self, i2c: int, sda: "int | str", scl: "int | str", switch: "int | str") -> None:
        self._places = (i2c, sda, scl)
        BasePort.__init__(self)
        self._connect()
        self._switch = machine.Pin(switch, machine.Pin.IN, machine.Pin.PULL_UP)
        self._watchdog = None
        self._open_host()

    def ticks(self) -> int:
        return time.ticks_us() & MASK

    def restart_cause(self) -> bytes:
        names = ("PWRON_RESET", "BROWNOUT_RESET", "WDT_RESET", "HARD_RESET", "SOFT_RESET")
        return cause_word(machine, machine.reset_cause(), names)

    # ---- I2C

    def _connect(self) -> None:
        number, sda, scl = self._places
        self._i2c = machine.I2C(
            number, sda=machine.Pin(sda), scl=machine.Pin(scl), freq=400000, timeout=800
        )
        self._at = -1

    def _held_low(self) -> bool:
        return not machine.Pin(self._places[1]).value()

    def free_bus(self) -> None:
        _, sda, scl = self._places
        data = machine.Pin(sda, machine.Pin.OPEN_DRAIN, value=1)
        clock = machine.Pin(scl, machine.Pin.OPEN_DRAIN, value=1)
        for _ in range(9):
            clock(0)
            time.sleep_us(5)
            clock(1)
            time.sleep_us(5)
        # Stop condition: data rises while the clock is high.
        data(0)
        time.sleep_us(5)
        data(1)
        self._connect()

    # ---- load switch

    # The 10 kohm at the gate wins against the chip's pull-up: the pin then reads low.
    def switch_fitted(self) -> bool:
        if settings.LOAD_SWITCH == 2:
            fitted = not self._switch.value()
        else:
            fitted = settings.LOAD_SWITCH == 1
        self._switch.init(machine.Pin.OUT, value=0)
        return fitted

    def set_switch(self, closed: bool) -> None:
        self._switch.value(1 if closed else 0)

    # ---- flash

    def read_slot(self, slot: int) -> "bytes | None":
        try:
            with open(_SLOTS[slot], "rb") as file:
                return file.read()
        except OSError:
            return None

    def write_slot(self, slot: int, data: bytes) -> None:
        try:
            with open(_SLOTS[slot], "wb") as file:
                file.write(data)
        except OSError:
            pass

    # ---- host

    def _open_host(self) -> None:
        # Ctrl-C is the program's: it opens the load switch before it leaves.
        micropython.kbd_intr(-1)
        self._input = sys.stdin.buffer
        self._output = sys.stdout.buffer
        self._readable = select.poll()
        self._readable.register(sys.stdin, select.POLLIN)
        self._writable = select.poll()
        self._writable.register(sys.stdout, select.POLLOUT)

    def read_byte(self) -> int:
        for _ in self._readable.ipoll(0):
            if self._input.readinto(self._one):
                return self._one[0]
        return -1

    # Never into a full port: a host that sleeps with the cable in must not hold up the cutoff.
    def write(self, data: bytearray, start: int, end: int) -> int:
        for _ in self._writable.ipoll(0):
            count = min(end - start, CHUNK_BYTES)
            return self._output.write(data, start, count) or 0
        return 0

    # ---- watchdog and leaving

    def watchdog_start(self) -> None:
        if settings.WATCHDOG:
            self._watchdog = machine.WDT(timeout=self.WATCHDOG_MS)

    def watchdog_feed(self) -> None:
        if self._watchdog:
            self._watchdog.feed()

    # By a restart, for a watchdog cannot be stopped; main.py then leaves time for a plain Ctrl-C.
    def leave(self) -> None:
        machine.reset()
