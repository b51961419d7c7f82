"""What stands around the board on the bench: its clock, one sensor chip on its bus, pins, the host's bytes."""

from array import array

_MASK = 0x3FFFFFFF
# I2C at 400 kHz: nine bits a byte, a start and a stop.
_BYTE_US = 22
_FRAME_US = 8
_STEP_US = 2000
EIO, ETIMEDOUT = 5, 110


class World:
    """``now``: true microseconds since the bench began. ``costs`` False: nothing takes time but waiting."""

    def __init__(self) -> None:
        self.now = 0
        self.until = 0
        self.offset = 0
        self.costs = False
        self.look_us = 20  # each look at the time: so the interpreter's work is played
        self.chip = Chip("INA219", 0x40)
        self.absent = False
        self.hung_tries = 0  # so many times the nine clocks do not free it; below 0: never
        self.hung = False
        self.fitted = True
        self.closed = False
        self.switched = False
        self.room = -1  # bytes that the host still takes; below 0: any number
        self.host = bytearray()
        self.host_at = 0
        self.out = bytearray()
        self.left = False
        self.cause = 1
        self.fed = self.now
        self.longest_unfed = 0
        self._waited = -1

    def ticks(self) -> int:
        if self.costs:
            self.now += self.look_us
        return (self.now + self.offset) & _MASK

    def spend(self, count: int) -> None:
        if self.costs:
            self.now += _FRAME_US + (count + 1) * _BYTE_US

    def on_bus(self, address: int, count: int) -> "Chip":
        """Raises OSError as the ports do."""
        if self.hung:
            self.now += 800
            raise OSError(ETIMEDOUT)
        self.spend(count)
        if self.absent or address != self.chip.address:
            raise OSError(EIO)
        self.chip.catch_up(self.now)
        return self.chip

    def clocked_free(self) -> None:
        """Nine clocks and a stop were given."""
        if self.hung and self.hung_tries >= 0:
            self.hung_tries -= 1
            self.hung = self.hung_tries >= 0

    def wait(self) -> None:
        """After a pass of the loop: on to what happens next."""
        self.chip.catch_up(self.now)
        next_us = self.chip.next_us()
        looked, self._waited = self._waited, self.now
        if self.chip.ready and looked != self.now and not self.absent and not self.hung:
            return
        if next_us < 0 or self.absent or self.hung or next_us > self.now + _STEP_US * 20:
            next_us = self.now + _STEP_US
        elif self.costs:
            # A board looks all the time: at the least a few times in vain before it is there.
            next_us = next_us - 8 * self.look_us - 8 * _FRAME_US
        elif self.now < next_us - 1:
            next_us -= 1  # looked for in vain once, as it should be
        self.now = max(self.now, min(next_us, self.until))

    def take_byte(self) -> int:
        if self.host_at >= len(self.host):
            if self.host_at:
                self.host = bytearray()
                self.host_at = 0
            return -1
        self.host_at += 1
        return self.host[self.host_at - 1]

    def put(self, data: bytearray, start: int, end: int) -> int:
        count = min(end - start, 64)
        if self.room >= 0:
            count = min(count, self.room)
            self.room -= count
        self.out.extend(data[start : start + count])
        return count

    def feed(self) -> None:
        self.longest_unfed = max(self.longest_unfed, self.now - self.fed)
        self.fed = self.now


class Chip:
    """Registers as TI SBOS448G (INA219) and SBOS547B (INA226) have them; conversions as they were given.

    ``CLONE226``: like an INA226, but says not who it is. ``config_register``: where its times are set.
    """

    config_register = 0

    def __init__(self, kind: str, address: int) -> None:
        self.kind = kind
        self.address = address
        self.times = array("L")  # eight bytes on a computer
        self.shunt = array("i")
        self.bus = array("i")
        self.at = 0
        self.lost = 0  # conversions overwritten before they were read
        self.read = 0
        self.reset()

    def reset(self) -> None:
        self.ready = False
        self.pointer = 0
        self.registers = {0: 0x399F, 1: 0, 2: 0, 3: 0, 4: 0, 5: 0}
        if self.kind != "INA219":
            self.registers = {0: 0x4127, 1: 0, 2: 0, 3: 0, 4: 0, 5: 0, 6: 0, 7: 0}
        if self.kind == "INA226":
            self.registers[0xFE] = 0x5449
            self.registers[0xFF] = 0x2260

    def give(self, times: "array[int]", shunt: "array[int]", bus: "array[int]") -> None:
        """Conversions to come, instead of those that have not come yet."""
        self.times, self.shunt, self.bus, self.at = times, shunt, bus, 0

    def next_us(self) -> int:
        return self.times[self.at] if self.at < len(self.times) else -1

    def catch_up(self, now: int) -> None:
        while self.at < len(self.times) and self.times[self.at] <= now:
            if self.ready:
                self.lost += 1
            self.take(self.shunt[self.at], self.bus[self.at], self.times[self.at])
            self.ready = True
            self.at += 1

    def take(self, shunt: int, bus: int, at_us: int) -> None:
        self.registers[1] = shunt & 0xFFFF
        self.registers[2] = bus << 3 if self.kind == "INA219" else bus

    def width(self) -> int:
        """Bytes of the register that the pointer stands at."""
        return 2

    def get(self) -> int:
        pointer = self.pointer
        value = self.registers.get(pointer, 0xFFFF)
        if self.kind == "INA219":
            if pointer == 2:
                value |= 2 if self.ready else 0
            elif pointer == 3 and self.ready:
                self.ready = False
                self.read += 1
        elif pointer == 6:
            value |= 8 if self.ready else 0
            if self.ready:
                self.ready = False
                self.read += 1
        return value

    def put(self, value: int) -> None:
        pointer = self.pointer
        if pointer == 0:
            if value & 0x8000:
                self.reset()
            else:
                self.ready = False
                self.registers[0] = value & (0x3FFF if self.kind == "INA219" else 0xFFFF)
        elif pointer == 5:
            self.registers[5] = value & (0xFFFE if self.kind == "INA219" else 0x7FFF)
        elif pointer in (6, 7) and self.kind != "INA219":
            self.registers[pointer] = value
