"""Collects bytes from the host into a line, checks it and reads the command."""

from .lines import crc16

COMMAND_MAX_BYTES = 80  # with the LF
WINDOW_MIN_US = 10000
WINDOW_MAX_US = 60000000
BURST_MIN_US = 100000
CUTOFF_MAX_UV = 40960000  # end of the wider sensor's range
UINT32_MAX = 0xFFFFFFFF
_PERIOD_MAX_MS = 600000

CRC, UNKNOWN, FIELD, RANGE, BUSY, FITTED, TRIPPED = (
    b"crc",
    b"unknown",
    b"field",
    b"range",
    b"busy",
    b"fitted",
    b"tripped",
)
_KINDS = (b"auto", b"INA219", b"INA226", b"INA228")
_HEX = b"0123456789ABCDEF"
# Name: how many fields it must have; more are for later versions.
_FIELDS = {
    b"identify": 0,
    b"start": 0,
    b"stop": 0,
    b"flex-stop": 0,
    b"window": 1,
    b"burst": 1,
    b"sensor": 1,
    b"address": 1,
    b"load": 1,
    b"cutoff": 2,
    b"flex-start": 8,
}


class Parser:
    """After ``read()``: ``name`` as received, ``error`` (empty: none) and the numbers in ``values``."""

    def __init__(self) -> None:
        self._line = bytearray(COMMAND_MAX_BYTES)
        self._length = 0
        self.name = b"?"
        self.error = b""
        self.values: list[int] = []
        self._fields: list[bytes] = []

    @property
    def is_empty(self) -> bool:
        return self._length == 0 or (self._length == 1 and self._line[0] == 13)

    def feed(self, byte: int) -> bool:
        """True when the byte completed a line that needs an answer: call read() before the next byte."""
        if byte != 10:
            if self._length < COMMAND_MAX_BYTES:
                self._line[self._length] = byte
                self._length += 1
            return False
        length = self._length
        if 0 < length < COMMAND_MAX_BYTES and self._line[length - 1] == 13:
            self._length -= 1
        return self._length != 0

    def read(self) -> None:
        length = self._length if self._length < COMMAND_MAX_BYTES else 0
        self._length = 0
        self.name = b"?"
        self.error = CRC
        self.values = []
        body = self._checked(length)
        if body is None:
            return
        name, *fields = body.split(b",")
        self.name = name
        self._fields = fields
        self.error = b""
        if name not in _FIELDS:
            self.error = UNKNOWN
            return
        if len(fields) < _FIELDS[name]:
            self._fail(FIELD)
        self._read_values()

    # Characters, length and CRC. `identify` alone may come without a CRC, so that it can be typed
    # into a serial monitor.
    def _checked(self, length: int) -> "bytes | None":
        line = bytes(self._line[:length])
        if line == b"identify":
            return line
        if length < 6 or line[length - 5] != 42:
            return None
        count = length - 5
        for at in range(count):
            if not 0x20 <= line[at] <= 0x7E or line[at] == 42:
                return None
        sent = 0
        for at in range(count + 1, length):
            digit = _HEX.find(line[at : at + 1])
            if digit < 0:
                return None
            sent = sent << 4 | digit
        return line[:count] if sent == crc16(line, count) else None

    def _read_values(self) -> None:
        name = self.name
        if name == b"window":
            self._number(0, WINDOW_MIN_US, WINDOW_MAX_US)
        elif name == b"burst":
            self._number(0, 0, WINDOW_MAX_US)
            if 0 < self.values[0] < BURST_MIN_US:
                self._fail(RANGE)
        elif name == b"load":
            self._number(0, 0, 1)
            # Second field: a person wants it, also after the cutoff had tripped.
            self.values.append(1 if self._field(1) == b"1" else 0)
        elif name == b"cutoff":
            self._volt_uv(0, CUTOFF_MAX_UV)
            self._number(1, 0, UINT32_MAX)
        elif name == b"sensor":
            self._sensor(self._field(0))
        elif name == b"address":
            self._address(self._field(0))
        elif name == b"flex-start":
            self._flex_order()

    def _sensor(self, word: bytes) -> None:
        if word not in _KINDS:
            self._fail(FIELD)
            return
        self.values.append(_KINDS.index(word))

    # Two upper-case hex digits, 40 to 4F; 0: any.
    def _address(self, word: bytes) -> None:
        if word == b"auto":
            self.values.append(0)
            return
        high, low = _HEX.find(word[:1]), _HEX.find(word[1:])
        if len(word) != 2 or high < 0 or low < 0:
            self._fail(FIELD)
        elif high != 4:
            self._fail(RANGE)
        self.values.append(high << 4 | low)

    def _flex_order(self) -> None:
        if self._field(0) not in (b"servo", b"switch"):
            self._fail(FIELD)
        self._number(1, 1, UINT32_MAX)
        self._number(2, 100, _PERIOD_MAX_MS)
        self._number(3, 0, _PERIOD_MAX_MS)
        self._number(4, 0, 180)
        self._number(5, 0, 180)
        self._number(6, 1, 4)
        self._number(7, 0, UINT32_MAX)
        if 2 * self.values[2] > self.values[1]:
            self._fail(RANGE)

    # First error wins.
    def _fail(self, error: bytes) -> None:
        if not self.error:
            self.error = error

    # Empty past the end.
    def _field(self, at: int) -> bytes:
        return self._fields[at] if at < len(self._fields) else b""

    def _number(self, at: int, least: int, greatest: int) -> None:
        self.values.append(self._digits(self._field(at), least, greatest))

    # Digits only, within limits. Gives the least on any error.
    def _digits(self, field: bytes, least: int, greatest: int) -> int:
        if not 0 < len(field) <= 10:
            self._fail(FIELD)
            return least
        for byte in field:
            if not 48 <= byte <= 57:
                self._fail(FIELD)
                return least
        value = int(field)
        if not least <= value <= greatest:
            self._fail(RANGE)
            return least
        return value

    # Volt with exactly six decimals, in microvolt.
    def _volt_uv(self, at: int, greatest: int) -> None:
        field = self._field(at)
        if len(field) < 8 or field[-7] != 46:
            self._fail(FIELD)
            self.values.append(0)
            return
        value = self._digits(field[:-7], 0, greatest // 1000000) * 1000000
        value += self._digits(field[-6:], 0, 999999)
        if value > greatest:
            self._fail(RANGE)
            value = 0
        self.values.append(value)
