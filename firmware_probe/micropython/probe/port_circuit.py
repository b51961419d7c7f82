"""Boards with the classroom interpreter (busio, digitalio, microcontroller): pins by the board's names.

SDA and SCL as the board has them, load switch D5. Its clock is a long integer, so that each look at the
time takes memory, and its I2C is locked and asked in longer steps: eight averages a pair.
Ran on a stand-in of these modules only, on no real interpreter of the kind.
"""

import time
from array import array

import board
import busio
import digitalio
import microcontroller
import usb_cdc
from watchdog import WatchDogMode

from . import settings
from .cutoff import MASK
from .memory import SLOT_BYTES
from .port import CHUNK_BYTES, ETIMEDOUT, BasePort, cause_word


class Port(BasePort):
    FIRMWARE_PREFIX = b"circuitpython-"
    PAIR_AVERAGES = 8
    WORK_US = 2500
    WATCHDOG_S = 8

    def __init__(self) -> None:
        self._clock = array("i", (0,))
        BasePort.__init__(self)
        self._connect()
        self._switch = digitalio.DigitalInOut(board.D5)
        self._watchdog = None
        # A port of its own beside the prompt, if boot.py opened one; else the prompt's.
        self._host = usb_cdc.data or usb_cdc.console
        self._host.timeout = 0
        self._host.write_timeout = 0

    def ticks(self) -> int:
        # Through the array: what a long integer is reckoned into stays one, however small.
        self._clock[0] = time.monotonic_ns() // 1000 & MASK
        return self._clock[0]

    def restart_cause(self) -> bytes:
        names = ("POWER_ON", "BROWNOUT", "WATCHDOG", "RESET_PIN", "SOFTWARE")
        return cause_word(microcontroller.ResetReason, microcontroller.cpu.reset_reason, names)

    def _connect(self) -> None:
        self._i2c = busio.I2C(board.SCL, board.SDA, frequency=400000)
        while not self._i2c.try_lock():
            pass
        self._at = -1

    def free_bus(self) -> None:
        self._i2c.deinit()
        data = digitalio.DigitalInOut(board.SDA)
        clock = digitalio.DigitalInOut(board.SCL)
        for pin in (data, clock):
            pin.switch_to_output(True, digitalio.DriveMode.OPEN_DRAIN)
        for _ in range(9):
            clock.value = False
            clock.value = True
        # Stop condition: data rises while the clock is high.
        data.value = False
        data.value = True
        data.deinit()
        clock.deinit()
        try:
            self._connect()
        except RuntimeError:  # it looks for pull-ups: none while the bus is held low
            self._i2c = _NoBus()

    def switch_fitted(self) -> bool:
        self._switch.switch_to_input(digitalio.Pull.UP)
        fitted = not self._switch.value if settings.LOAD_SWITCH == 2 else settings.LOAD_SWITCH == 1
        self._switch.switch_to_output(False)
        return fitted

    def set_switch(self, closed: bool) -> None:
        self._switch.value = closed

    def read_slot(self, slot: int) -> "bytes | None":
        return bytes(microcontroller.nvm[slot * SLOT_BYTES : (slot + 1) * SLOT_BYTES])

    def write_slot(self, slot: int, data: bytes) -> None:
        try:
            microcontroller.nvm[slot * SLOT_BYTES : (slot + 1) * SLOT_BYTES] = data
        except (OSError, RuntimeError):
            pass

    def read_byte(self) -> int:
        if self._host.in_waiting and self._host.readinto(self._one):
            return self._one[0]
        return -1

    def write(self, data: bytearray, start: int, end: int) -> int:
        return self._host.write(memoryview(data)[start : min(end, start + CHUNK_BYTES)]) or 0

    def watchdog_start(self) -> None:
        if settings.WATCHDOG:
            self._watchdog = microcontroller.watchdog
            self._watchdog.timeout = self.WATCHDOG_S
            self._watchdog.mode = WatchDogMode.RESET

    def watchdog_feed(self) -> None:
        if self._watchdog:
            self._watchdog.feed()

    def leave(self) -> None:
        microcontroller.reset()


class _NoBus:
    """In place of a bus that cannot be opened: everything on it hangs."""

    def writeto(self, address: int, data: bytes) -> None:
        raise OSError(ETIMEDOUT)

    def readfrom_into(self, address: int, data: bytearray) -> None:
        raise OSError(ETIMEDOUT)

    def deinit(self) -> None:
        pass
