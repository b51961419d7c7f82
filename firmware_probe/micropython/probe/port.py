"""What the ports have in common: a sensor's registers over whatever I2C the interpreter has."""

import os

from .sensor import HUNG, NO_ANSWER

TYPE_CHECKING = False
if TYPE_CHECKING:
    from ..contract import Wires

ETIMEDOUT = 110
CHUNK_BYTES = 64
_CAUSES = (b"power", b"brownout", b"watchdog", b"reset", b"reset")


class BasePort:
    """A port opens ``_i2c`` itself."""

    HELLO_MORE = b""

    def __init__(self) -> None:
        self._one = bytearray(1)
        self._two = bytearray(2)
        self._three = bytearray(3)
        self._i2c: Wires
        self._at = -1  # address and register that the sensor's pointer stands at

    def random_32(self) -> int:
        return int.from_bytes(os.urandom(4), "big")

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
        return HUNG if error.errno == ETIMEDOUT or self._held_low() else NO_ANSWER

    # Where the pin can be looked at beside the bus.
    def _held_low(self) -> bool:
        return False


def cause_word(module: object, cause: object, names: "tuple[str, ...]") -> bytes:
    """``names``: of power, brownout, watchdog and reset in ``module``, which may lack some."""
    for at, name in enumerate(names):
        if getattr(module, name, None) == cause:
            return _CAUSES[at]
    return b"unknown"
