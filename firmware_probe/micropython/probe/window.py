"""Sums and extremes of the conversions in one window, in sensor counts."""

# Products are kept in two parts and all sums folded into long integers only now and then, so that no
# single conversion makes one: 8192 x 2^15 stays a small integer (30 bits).
_FOLD = 8192
CONVERSIONS_MAX = 65535


class Window:
    """``fold()`` before any of the sums is read."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        self.conversions = 0
        self.bus_sum = self.shunt_sum = 0
        self.bus_shunt_sum = self.shunt_square_sum = 0
        self.pack_min = 0x3FFFFFFF
        self.shunt_min = 32767
        self.shunt_max = -32768
        self._empty()

    def _empty(self) -> None:
        self._part = 0
        self._bus = self._shunt = 0
        self._product_high = self._product_low = 0
        self._square_high = self._square_low = 0

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

    def fold(self) -> None:
        self.bus_sum += self._bus
        self.shunt_sum += self._shunt
        self.bus_shunt_sum += (self._product_high << 15) + self._product_low
        self.shunt_square_sum += (self._square_high << 15) + self._square_low
        self._empty()


class ClosedWindow:
    """What is needed of a window once it is over, until its line is out; sums in shunt counts."""

    def __init__(self) -> None:
        self.sequence = self.time_us = self.conversions = 0
        self.pack_sum = self.pack_min = self.bus_sum = 0
        self.shunt_sum = self.shunt_min = self.shunt_max = 0
        self.charge_steps = self.energy_steps = 0
