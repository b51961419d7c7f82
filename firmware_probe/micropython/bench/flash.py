"""A flash chip of the bench with the boards' own file system on it, that can fill up and wear out."""

import os

_BLOCK_BYTES = 512
_EIO = 5


class FlashChip:
    """``worn``: every write fails from now on; ``writes``: of each block."""

    def __init__(self, blocks: int) -> None:
        self._data = bytearray(blocks * _BLOCK_BYTES)
        self.writes = [0] * blocks
        self.worn = False

    def readblocks(self, block: int, data: bytearray, offset: int = 0) -> None:
        start = block * _BLOCK_BYTES + offset
        data[:] = self._data[start : start + len(data)]

    def writeblocks(self, block: int, data: bytearray, offset: int = 0) -> int:
        if self.worn:
            return -_EIO
        start = block * _BLOCK_BYTES + offset
        self._data[start : start + len(data)] = data
        self.writes[block] += 1
        return 0

    def ioctl(self, order: int, _: int) -> int:
        if order == 4:
            return len(self.writes)
        if order == 5:
            return _BLOCK_BYTES
        if order == 6 and self.worn:
            return -_EIO
        return 0


def mount(blocks: int) -> FlashChip:
    """A fresh one; relative paths go to it from here on."""
    chip = FlashChip(blocks)
    os.VfsLfs2.mkfs(chip)
    os.mount(os.VfsLfs2(chip), "/flash")
    os.chdir("/flash")
    return chip


def fill() -> None:
    """Until not a byte more fits."""
    try:
        with open("filler", "wb") as file:
            while True:
                file.write(b"\xaa" * 16)
                file.flush()
    except OSError:
        pass
