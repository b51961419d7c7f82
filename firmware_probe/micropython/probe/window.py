"""Sums and extremes of the conversions in one window, in sensor counts."""

# Products are kept in two parts and all sums folded into long integers only now and then, so that no
# single conversion makes one: 8192 x 2^15 stays a small integer (30 bits).
_FOLD = 8192
# Products of 20 bits are kept in three parts of at most 21 bits.
_FOLD_WIDE = 512
CONVERSIONS_MAX = 65535
# One more might be too much for 32 bits, with which boards without long integers sum 20 bits.
_SUM_MOST = 0x7FFFFFFF - 0x80000
_ROOM_MOST = 0x1FFFFFFF


class Window:
    """``fold()`` before any of the sums is read."""

    def __init__(self) -> None:
        self.use(False)

    def use(self, wide: bool) -> None:
        """Counts of 20 bits or of 16 from here on: ``add_wide`` or ``add``."""
        self._high_bits = 20 if wide else 15
        self.clear()

    def clear(self) -> None:
        self.conversions = 0
        self.full = False
        self.bus_sum = self.shunt_sum = 0
        self.bus_shunt_sum = self.shunt_square_sum = 0
        self.pack_min = 0x3FFFFFFF
        self.shunt_min = 0x3FFFFFFF
        self.shunt_max = -0x3FFFFFFF
        self._empty()

    def _empty(self) -> None:
        self._part = 0
        self._bus = self._shunt = 0
        self._product_high = self._product_middle = self._product_low = 0
        self._square_high = self._square_middle = self._square_low = 0
        self._room = min(_SUM_MOST - self.bus_sum, _ROOM_MOST)
        self._room_up = min(_SUM_MOST - self.shunt_sum, _ROOM_MOST)
        self._room_down = -min(_SUM_MOST + self.shunt_sum, _ROOM_MOST)

    def add(self, bus: int, shunt: int, pack: int) -> None:
        """One pair: bus 0..32767, shunt -32767..32767, pack = bus * ratio + shunt."""
        self.conversions += 1
        self._bus += bus
        self._shunt += shunt
        product = bus * shunt
        self._product_high += product >> 15
        self._product_low += product & 32767
        product = shunt * shunt
        self._square_high += product >> 15
        self._square_low += product & 32767
        if pack < self.pack_min:
            self.pack_min = pack
        if shunt < self.shunt_min:
            self.shunt_min = shunt
        if shunt > self.shunt_max:
            self.shunt_max = shunt
        self._part += 1
        if self._part == _FOLD:
            self.fold()

    def add_wide(self, bus: int, shunt: int, pack: int) -> None:
        """One pair: bus 0..524287, shunt -524287..524287, pack = bus * ratio + shunt."""
        self.conversions += 1
        self._bus += bus
        self._shunt += shunt
        bus_high = bus >> 10
        bus_low = bus & 1023
        high = shunt >> 10
        low = shunt & 1023
        self._product_high += bus_high * high
        self._product_middle += bus_high * low + bus_low * high
        self._product_low += bus_low * low
        self._square_high += high * high
        self._square_middle += 2 * high * low
        self._square_low += low * low
        if pack < self.pack_min:
            self.pack_min = pack
        if shunt < self.shunt_min:
            self.shunt_min = shunt
        if shunt > self.shunt_max:
            self.shunt_max = shunt
        if self._bus > self._room or not self._room_down <= self._shunt <= self._room_up:
            self.full = True
        self._part += 1
        if self._part == _FOLD_WIDE:
            self.fold()

    def fold(self) -> None:
        self.bus_sum += self._bus
        self.shunt_sum += self._shunt
        bits = self._high_bits
        self.bus_shunt_sum += (
            (self._product_high << bits) + (self._product_middle << 10) + self._product_low
        )
        self.shunt_square_sum += (
            (self._square_high << bits) + (self._square_middle << 10) + self._square_low
        )
        self._empty()


class ClosedWindow:
    """What is needed of a window once it is over, until its line is out; sums in shunt counts."""

    def __init__(self) -> None:
        self.sequence = self.time_us = self.conversions = 0
        self.pack_sum = self.pack_min = self.bus_sum = 0
        self.shunt_sum = self.shunt_min = self.shunt_max = 0
        self.charge_steps = self.energy_steps = 0
