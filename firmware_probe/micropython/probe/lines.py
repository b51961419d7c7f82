"""One line of the protocol, written piece by piece into one buffer: body*CCCC and LF."""

from array import array

LINE_MAX_BYTES = 300
# Ten to the ninth still is a small integer (30 bits): digits in groups of nine cost no memory.
_GROUP = 1000000000
_HEX = b"0123456789ABCDEF"


def crc_table() -> "array[int]":
    """CRC-16/XMODEM of each byte: polynomial 1021h, not reflected."""
    table = array("H", bytes(512))
    for byte in range(256):
        crc = byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
        table[byte] = crc
    return table


CRC_TABLE = crc_table()


def crc16(data: "bytes | bytearray", count: int) -> int:
    """CRC of the first ``count`` bytes; of ``123456789`` it is 31C3h."""
    crc = 0
    for at in range(count):
        crc = (crc << 8 & 0xFF00) ^ CRC_TABLE[crc >> 8 ^ data[at]]
    return crc


class Line:
    """``buffer[:length]`` is what there is of the line; its CRC is kept along the way."""

    def __init__(self) -> None:
        # Room for more, which the receiver would void, rather than an end of the program.
        self.buffer = bytearray(LINE_MAX_BYTES + 100)
        self.length = 0
        self._crc = 0
        self._digits = bytearray(27)

    def begin(self, kind: bytes, clear: bool = False) -> None:
        """``clear``: with an LF before it, which ends whatever half a line went before."""
        self.length = 0
        if clear:
            self.buffer[0] = 10
            self.length = 1
        self._crc = 0
        self.text(kind)

    def put(self, byte: int) -> None:
        self.buffer[self.length] = byte
        self.length += 1
        crc = self._crc
        self._crc = (crc << 8 & 0xFF00) ^ CRC_TABLE[crc >> 8 ^ byte]

    def text(self, text: "bytes | bytearray", start: int = 0, end: int = -1) -> None:
        for at in range(start, len(text) if end < 0 else end):
            self.put(text[at])

    def comma_text(self, text: bytes) -> None:
        self.put(44)
        self.text(text)

    def hex(self, value: int, digits: int) -> None:
        while digits:
            digits -= 1
            self.put(_HEX[value >> 4 * digits & 15])

    def comma_number(self, value: int) -> None:
        self.put(44)
        self.fixed(value, 0)

    def named(self, name: bytes, value: int, decimals: int = 0) -> None:
        """``,name=`` and the number."""
        self.text(name)
        self.fixed(value, decimals)

    def fixed(self, value: int, decimals: int) -> None:
        """Integer in steps of 10^-decimals: fixed(-1234, 3) is -1.234."""
        if value < 0:
            self.put(45)
            value = -value
        digits = self._digits
        count = 0
        while value > 999999999:
            high = value // _GROUP
            low = value - high * _GROUP
            value = high
            for _ in range(9):
                digits[count] = 48 + low % 10
                low //= 10
                count += 1
        while value or count <= decimals:
            digits[count] = 48 + value % 10
            value //= 10
            count += 1
        while count:
            count -= 1
            self.put(digits[count])
            if decimals and count == decimals:
                self.put(46)

    def end(self) -> None:
        crc = self._crc
        self.put(42)
        self.hex(crc, 4)
        self.put(10)
