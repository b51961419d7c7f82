"""What the board remembers over a reset: two slots written in turn.

A write that the power cuts short, or that the flash does not take, leaves the other slot in force:
its CRC matches. Written once a start and at each change of load switch or cutoff, so a few times a
day; the file system underneath spreads the wear where it can.
"""

from .lines import crc16

TYPE_CHECKING = False
if TYPE_CHECKING:
    from ..contract import Flash

SLOT_BYTES = 21
# Never 0 or FFh, so that erased and zeroed memory are both invalid.
_LAYOUT = 1

# Why the load switch is open; BY_NEW: it was never told to close.
CLOSED, BY_HOST, BY_CUTOFF, BY_SENSOR, BY_NEW = 0, 1, 2, 3, 4
OPENED = (b"-", b"host", b"cutoff", b"sensor", b"new")


class Record:
    """``board``: its own name, 32 bit; ``opened``: why the load switch is open, CLOSED: it is not.

    ``told``: what the host said of the sensor: kind in the two lowest bits, address - 40h + 1 above; 0: find it.
    """

    def __init__(self) -> None:
        self.board = self.boot = self.cutoff_uv = self.hold_ms = self.told = 0
        self.opened = BY_NEW


class Memory:
    """``port``: its ``read_slot(0 or 1)`` gives bytes or None, ``write_slot`` says if they were kept."""

    def __init__(self, port: "Flash") -> None:
        self._port = port
        self._sequence = 0
        self._slot = 1

    def load(self) -> "Record | None":
        """Newest whole record."""
        found = None
        for slot in (0, 1):
            data = self._port.read_slot(slot)
            if data is None or not _valid(data):
                continue
            sequence = _number(data, 1, 2)
            if found is not None and (sequence - self._sequence) & 0x8000:
                continue
            found = data
            self._sequence = sequence
            self._slot = slot
        if found is None:
            return None
        record = Record()
        record.boot = _number(found, 3, 2)
        record.cutoff_uv = _number(found, 5, 4)
        record.hold_ms = _number(found, 9, 4)
        record.opened = min(found[13], BY_NEW)
        record.board = _number(found, 14, 4)
        record.told = found[18]
        return record

    def save(self, record: Record) -> bool:
        """True when it reads back as written. The slot in force is never touched."""
        sequence = (self._sequence + 1) & 0xFFFF
        data = bytearray(SLOT_BYTES)
        data[0] = _LAYOUT
        _pack(data, 1, 2, sequence)
        _pack(data, 3, 2, record.boot)
        _pack(data, 5, 4, record.cutoff_uv)
        _pack(data, 9, 4, record.hold_ms)
        data[13] = record.opened
        _pack(data, 14, 4, record.board)
        data[18] = record.told
        _pack(data, 19, 2, crc16(data, 19))
        slot = 1 - self._slot
        self._port.write_slot(slot, data)
        kept = self._port.read_slot(slot)
        if kept is None or bytearray(kept) != data:
            return False
        self._sequence = sequence
        self._slot = slot
        return True


def _valid(data: bytes) -> bool:
    return (
        len(data) == SLOT_BYTES and data[0] == _LAYOUT and crc16(data, 19) == _number(data, 19, 2)
    )


def _number(data: bytes, at: int, count: int) -> int:
    value = 0
    for index in range(at + count - 1, at - 1, -1):
        value = value << 8 | data[index]
    return value


def _pack(data: bytearray, at: int, count: int, value: int) -> None:
    for index in range(at, at + count):
        data[index] = value & 255
        value >>= 8
