"""What boards with a ``machine`` module have in common: I2C, time, flash, pins, host."""

import os
import select
import sys
import time

import machine
import micropython

from . import settings
from .sensor import HUNG, NO_ANSWER

_MASK = 0x3FFFFFFF
_ETIMEDOUT = 110
_CHUNK_BYTES = 64
_SLOTS = ("probe.0", "probe.1")


class MachinePort:
    """``sda``, ``scl``, ``switch``: pins as ``machine.Pin`` wants them; ``i2c``: number of the I2C unit."""

    FIRMWARE_PREFIX = b"micropython-"
    HELLO_MORE = b""
    PAIR_AVERAGES = 4
    WORK_US = 1500
    WATCHDOG_MS = 8000

    def __init__(self, i2c: int, sda: "int | str", scl: "int | str", switch: "int | str") -> None:
        self._places = (i2c, sda, scl)
        self._one = bytearray(1)
        self._two = bytearray(2)
        self._three = bytearray(3)
        self._connect()
        self._switch = machine.Pin(switch, machine.Pin.IN, machine.Pin.PULL_UP)
        self._watchdog = None
        self._open_host()

    # ---- time and chance

    def ticks(self) -> int:
        return time.ticks_us() & _MASK

    def random_32(self) -> int:
        return int.from_bytes(os.urandom(4), "big")

    def restart_cause(self) -> bytes:
        cause = machine.reset_cause()
        for name, word in (
            ("PWRON_RESET", b"power"),
            ("BROWNOUT_RESET", b"brownout"),
            ("WDT_RESET", b"watchdog"),
            ("HARD_RESET", b"reset"),
            ("SOFT_RESET", b"reset"),
        ):
            if getattr(machine, name, None) == cause:
                return word
        return b"unknown"

    # ---- I2C

    def _connect(self) -> None:
        number, sda, scl = self._places
        self._i2c = machine.I2C(
            number, sda=machine.Pin(sda), scl=machine.Pin(scl), freq=400000, timeout=800
        )
        self._at = -1  # address and register that the sensor's pointer stands at

    def answers(self, address: int) -> int:
        try:
            self._i2c.writeto(address, b"")
        except OSError as error:
            return self._failed(error)
        return 0

    # The sensor's pointer stays where it was, so that polling the same register needs no write.
    def _fetch(self, address: int, register: int, data: bytearray) -> int:
        try:
            if self._at != address << 8 | register:
                self._at = -1
                self._one[0] = register
                self._i2c.writeto(address, self._one)
                self._at = address << 8 | register
            self._i2c.readfrom_into(address, data)
        except OSError as error:
            return self._failed(error)
        return 0

    def read_register(self, address: int, register: int) -> int:
        two = self._two
        return self._fetch(address, register, two) or two[0] << 8 | two[1]

    def read_20(self, address: int, register: int) -> int:
        data = self._three
        return self._fetch(address, register, data) or data[0] << 12 | data[1] << 4 | data[2] >> 4

    def read_40(self, address: int, register: int) -> int:
        data = bytearray(5)
        return self._fetch(address, register, data) or int.from_bytes(data, "big")

    def write_register(self, address: int, register: int, value: int) -> int:
        three = self._three
        three[0], three[1], three[2] = register, value >> 8, value & 255
        try:
            self._i2c.writeto(address, three)
        except OSError as error:
            return self._failed(error)
        self._at = address << 8 | register
        return 0

    def _failed(self, error: OSError) -> int:
        self._at = -1
        if error.errno == _ETIMEDOUT or not machine.Pin(self._places[1]).value():
            return HUNG
        return NO_ANSWER

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

    def write_slot(self, slot: int, data: bytearray) -> None:
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
            count = min(end - start, _CHUNK_BYTES)
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
