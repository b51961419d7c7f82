"""Which sensor is it? By its identification registers, and where it has none by how it behaves."""

from .cutoff import MASK

NONE, INA219, INA226, INA228 = 0, 1, 2, 3
# How the kind is known.
UNKNOWN, NUMBER, BEHAVIOUR, TOLD = 0, 1, 2, 3
WORDS = (b"-", b"number", b"behaviour", b"told")

TYPE_CHECKING = False
if TYPE_CHECKING:
    from ..contract import Registers

_TEXAS = 0x5449
_CONFIG, _BUS, _CALIBRATION, _MASK_ENABLE = 0, 2, 5, 6
_MAKER, _WIDE_MAKER = 0xFE, 0x3E
_BUS_MOST = 0x7080  # 36 V, more than it stands
# 2.2 ms after a reset, give or take a clone's clock.
_PAIR_US, _LOOKS_MAX = 4000, 200


class Identity:
    """``maker``, ``die``: what was read of the identification registers, 0: nothing."""

    def __init__(self) -> None:
        self.known = UNKNOWN
        self.maker = self.die = 0

    def find(self, chip: "Registers", told: int) -> int:
        """Kind of who answers at the chip's address. ``told``: what the host says it is, NONE: nothing."""
        named = self._by_number(chip)
        self.known = UNKNOWN
        if told != NONE:
            self.known = NUMBER if named == told else TOLD
            return told
        if named != NONE:
            self.known = NUMBER
            return named
        # Another chip of the maker whose number stands there is another chip.
        if self.maker == _TEXAS:
            return NONE
        like = INA219 if _is_ina219(chip) else INA226 if _is_ina226(chip) else NONE
        if like != NONE:
            self.known = BEHAVIOUR
        return like

    # The lowest four bits of the die's number are its revision.
    def _by_number(self, chip: "Registers") -> int:
        if self._read(chip, _WIDE_MAKER) and self.maker == _TEXAS:
            return INA228 if self.die >> 4 == 0x228 else NONE
        if not self._read(chip, _MAKER):
            self.maker = self.die = 0
        return INA226 if self.maker == _TEXAS and self.die >> 4 == 0x226 else NONE

    def _read(self, chip: "Registers", register: int) -> bool:
        self.maker = chip.get(register)
        self.die = chip.get(register + 1) if self.maker >= 0 else -1
        return self.die >= 0


# What is there after a reset and what then stays of a calibration of FFFFh. Read first: whatever else
# lives at this address should not be written to.
def _resets_to(chip: "Registers", mask: int, before: int, after: int, calibration: int) -> bool:
    config = chip.get(_CONFIG)
    return (
        config >= 0
        and config & mask == before
        and chip.put(_CONFIG, 0x8000)
        and chip.get(_CONFIG) == after
        and chip.put(_CALIBRATION, 0xFFFF)
        and chip.get(_CALIBRATION) == calibration
    )


# The lowest bit of its calibration cannot be set, nor the two highest of its configuration.
def _is_ina219(chip: "Registers") -> bool:
    return _resets_to(chip, 0xC000, 0, 0x399F, 0xFFFE)


# The highest bit of its calibration cannot be set; bits 14 to 12 of its configuration are 100. It tells of
# a conversion in time, once, and its voltage is one that it stands.
def _is_ina226(chip: "Registers") -> bool:
    if not _resets_to(chip, 0x7000, 0x4000, 0x4127, 0x7FFF):
        return False
    began = chip.ticks()
    for _ in range(_LOOKS_MAX):
        flags = chip.get(_MASK_ENABLE)
        if flags < 0 or (chip.ticks() - began) & MASK > _PAIR_US:
            return False
        if flags & 8:
            flags = chip.get(_MASK_ENABLE)
            return flags >= 0 and not flags & 8 and 0 <= chip.get(_BUS) <= _BUS_MOST
    return False
