"""What the core asks of a port; for type checkers and writers of ports, not copied onto boards."""

from typing import Protocol

from .probe.commands import Parser
from .probe.faults import Faults
from .probe.load import LoadSwitch
from .probe.memory import Record
from .probe.own import Own
from .probe.sensor import Sensor
from .probe.windows import Windows


class Registers(Protocol):
    """A chip's 16-bit registers."""

    def get(self, register: int) -> int:
        """Below 0: no answer."""

    def put(self, register: int, value: int) -> bool:
        """Whether it was answered."""

    def ticks(self) -> int: ...


class Flash(Protocol):
    """Two slots of a few bytes that outlast a power cut."""

    def read_slot(self, slot: int) -> bytes | None:
        """None: not there, or not readable."""

    def write_slot(self, slot: int, data: bytes) -> None:
        """May fail without a word: the core reads back."""


class Bus(Protocol):
    """The sensor's I2C. Numbers below 0 instead of a value: sensor.NO_ANSWER, sensor.HUNG."""

    def answers(self, address: int) -> int: ...

    def read_register(self, address: int, register: int) -> int: ...

    def read_20(self, address: int, register: int) -> int:
        """Upper 20 of 24 bits, unsigned."""

    def read_40(self, address: int, register: int) -> int: ...

    def write_register(self, address: int, register: int, value: int) -> int: ...

    def free_bus(self) -> None:
        """Nine clocks and a stop, so that a sensor cut off in the middle of a byte finishes it."""


class Wires(Protocol):
    """An interpreter's I2C; raises OSError."""

    def writeto(self, address: int, data: bytes | bytearray) -> object: ...

    def readfrom_into(self, address: int, data: bytearray) -> object: ...


class Port(Flash, Bus, Protocol):
    """One kind of board. ``PAIR_AVERAGES``: see settings; ``WORK_US``: what a piece of work takes at most."""

    FIRMWARE_PREFIX: bytes
    HELLO_MORE: bytes
    PAIR_AVERAGES: int
    WORK_US: int

    def ticks(self) -> int:
        """Microseconds that wrap after 2^30."""

    def random_32(self) -> int: ...

    def restart_cause(self) -> bytes: ...

    def switch_fitted(self) -> bool: ...

    def set_switch(self, closed: bool) -> None: ...

    def read_byte(self) -> int:
        """Next byte from the host, -1: none."""

    def write(self, data: bytearray, start: int, end: int) -> int:
        """How many of ``data[start:end]`` went out, 0: no room."""

    def watchdog_start(self) -> None: ...

    def watchdog_feed(self) -> None: ...

    def leave(self) -> None:
        """A person asked for the prompt: never returns."""


class State(Protocol):
    """What the lines tell of."""

    cause: bytes
    faults: Faults
    load: LoadSwitch
    own: Own
    parser: Parser
    record: Record
    sensor: Sensor
    windows: Windows
