"""What the board remembers over a reset: two slots written in turn.

A write that the power cuts short, or that the flash does not take, leaves the other slot in force:
its CRC matches. Written once a start and at each change of load switch or cutoff, so a few times a
day; the file system underneath spreads the wear where it can.
"""

import struct

from .lines import crc16

TYPE_CHECKING = False
if TYPE_CHECKING:
    from ..contract import Flash

# Layout, sequence, boot, cutoff_uv, hold_ms, opened, board, told; then their CRC.
_RECORD = "<BHHIIBIB"
_RECORD_BYTES = struct.calcsize(_RECORD)
SLOT_BYTES = _RECORD_BYTES + 2
# Never 0 or FFh, so that erased and zeroed memory are both invalid.
_LAYOUT = 1

# Why the load switch is open; BY_NEW: it was never told to close.
CLOSED, BY_HOST, BY_CUTOFF, BY_SENSOR, BY_NEW = 0, 1, 2, 3, 4
OPENED = (b"-", b"host", b"cutoff", b"sensor", b"new")


class Record:
    """``board``: its own name, 32 bit; ``opened``: why the load switch is open, CLOSED: it is not.

    ``told``: what the host said of the sensor: kind in the two lowest bits, address - 40h + 1 above; 0: find it.
    """

    def __init__(self, values: "tuple[int, ...]" = (0, 0, 0, BY_NEW, 0, 0)) -> None:
        self.boot, self.cutoff_uv, self.hold_ms, opened, self.board, self.told = values
        self.opened = min(opened, BY_NEW)

    def values(self) -> "tuple[int, ...]":
        return self.boot, self.cutoff_uv, self.hold_ms, self.opened, self.board, self.told


class Memory:
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
            values = struct.unpack(_RECORD, data[:_RECORD_BYTES])
            sequence = values[1]
            if found is not None and (sequence - self._sequence) & 0x8000:
                continue
            found = Record(values[2:])
            self._sequence = sequence
            self._slot = slot
        return found

    def save(self, record: Record) -> bool:
        """True when it reads back as written. The slot in force is never touched."""
        sequence = (self._sequence + 1) & 0xFFFF
        data = struct.pack(_RECORD, _LAYOUT, sequence, *record.values())
        data += crc16(data, _RECORD_BYTES).to_bytes(2, "little")
        slot = 1 - self._slot
        self._port.write_slot(slot, data)
        if self._port.read_slot(slot) != data:
            return False
        self._sequence = sequence
        self._slot = slot
        return True


def _valid(data: bytes) -> bool:
    if len(data) != SLOT_BYTES or data[0] != _LAYOUT:
        return False
    return crc16(data, _RECORD_BYTES) == int.from_bytes(data[_RECORD_BYTES:], "little")
