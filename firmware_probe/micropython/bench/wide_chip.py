"""An INA228 of the bench: registers of 16, 24 and 40 bits as TI SBOSA20 has them, and what it counts itself."""

from bench.world import Chip

_CONFIG, _ADC, _CALIBRATION, _SHUNT, _BUS, _DIE = 0, 1, 2, 4, 5, 6
_ENERGY, _CHARGE, _DIAGNOSIS = 9, 10, 11
_WIDTHS = {4: 3, 5: 3, 7: 3, 8: 3, 9: 5, 10: 5}
_DIE_25_C = 3200
_CAL_ONE = 4096  # a step of the current is one of the shunt


class WideChip(Chip):
    """``CLONE228`` says not who it is. Latched as the firmware sets it up: reading the diagnosis clears the ready flag."""

    config_register = _ADC

    def reset(self) -> None:
        self.ready = False
        self.pointer = 0
        self.registers = {0: 0, 1: 0xFB68, 2: 0x1000, 4: 0, 5: 0, 6: _DIE_25_C, 11: 1}
        if self.kind == "INA228":
            self.registers[0x3E], self.registers[0x3F] = 0x5449, 0x2281
        self._clear()

    def _clear(self) -> None:
        self.charge_us = self.energy_us = 0
        self.converted_us = -1

    def take(self, shunt: int, bus: int, at_us: int) -> None:
        """A pair counts for the time since the one before it."""
        self.registers[_SHUNT] = (shunt & 0xFFFFF) << 4
        self.registers[_BUS] = bus << 4
        current = abs(shunt) * self.registers[_CALIBRATION] // _CAL_ONE
        if self.converted_us >= 0:
            passed_us = at_us - self.converted_us
            self.charge_us += (current if shunt >= 0 else -current) * passed_us
            self.energy_us += current * bus * passed_us
        self.converted_us = at_us

    def width(self) -> int:
        return _WIDTHS.get(self.pointer, 2)

    def get(self) -> int:
        pointer = self.pointer
        if pointer == _CHARGE:
            return self.charge_us // 1000000 & 0xFFFFFFFFFF
        if pointer == _ENERGY:
            # 16 x 3.2 steps of the current, and a bus step / 3.2 is 2^-14 of that.
            return (self.energy_us // 1000000 >> 18) & 0xFFFFFFFFFF
        value = self.registers.get(pointer, 0)
        if pointer == _DIAGNOSIS and self.ready:
            value |= 2
            if value & 0x8000:
                self.ready = False
                self.read += 1
        return value

    def put(self, value: int) -> None:
        pointer = self.pointer
        if pointer == _CONFIG:
            if value & 0x8000:
                self.reset()
                return
            if value & 0x4000:
                self._clear()
            self.registers[_CONFIG] = value & 0x3FF0
        elif pointer == _ADC:
            self.ready = False
            self.registers[_ADC] = value
        elif pointer == _CALIBRATION:
            self.registers[_CALIBRATION] = value & 0x7FFF
        elif pointer == _DIAGNOSIS:
            self.registers[_DIAGNOSIS] = value & 0xF000 | 1


def chip_of(kind: str, address: int) -> Chip:
    return WideChip(kind, address) if kind.endswith("228") else Chip(kind, address)
