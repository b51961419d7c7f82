"""INA219 or INA226 behind the port's I2C: finds it, sets it up, hands out each conversion once.

Registers: TI SBOS448G (INA219), TI SBOS547B (INA226).
"""

from . import settings
from .identity import INA219, INA226, NONE, Identity
from .units import Units, ina219_units, ina226_units

# Never true on a board: names for type checkers alone.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from .contract import Port

ADDRESS_LEAST, ADDRESS_MOST = 0x40, 0x4F
NAMES = (b"none", b"INA219", b"INA226")

# What one look at the sensor gave.
WAITING = 0  # no new conversion yet
PAIR = 1  # bus, shunt hold a new pair
OVERFLOW = 2  # as PAIR, but the current was beyond the range
WIDENED = 3  # as OVERFLOW, and the range is now wider
SILENT = 4  # does not answer
BUS_HUNG = 5  # the I2C bus was stuck and has been reset

# A port's register calls give these instead of a value.
NO_ANSWER, HUNG = -1, -2

_CONFIG, _SHUNT, _BUS, _POWER, _CALIBRATION = 0, 1, 2, 3, 5
_MASK_ENABLE = 6
# 12 bit and 2, 4, 8, 16 averages (SBOS448G table 5); one whole conversion of the INA226 in about the
# same time: 588, 1100, 2116, 4156, 8244 us (SBOS547B 7.6.1).
_INA219_CODES = {1: 3, 2: 9, 4: 10, 8: 11, 16: 12}
_INA226_CODES = {1: 3, 2: 4, 4: 5, 8: 6, 16: 7}
_INA226_US = (140, 204, 332, 588, 1100, 2116, 4156, 8244)


class Sensor:
    """``port``: its I2C and time are used."""

    def __init__(self, port: "Port", averages: int) -> None:
        self._port = port
        self._read = port.read_register
        self._averages = averages
        self.ticks = port.ticks
        self.kind = NONE
        self.address = 0
        self.identity = Identity()
        self.bus = self.shunt = 0
        self.bus_hung = False
        self._gain = settings.INA219_GAIN
        self._use(INA219)

    def _use(self, kind: int) -> None:
        """Units stay those of the sensor that was found last."""
        steps = settings.SHUNT_STEPS
        self.units: Units = ina226_units(steps) if kind == INA226 else ina219_units(steps)
        if kind == INA226:
            self.period_us = 2 * _INA226_US[_INA226_CODES[self._averages]]
        else:
            self.period_us = 2 * 532 * self._averages

    @property
    def range_counts(self) -> int:
        """Least count of the shunt that is beyond the range: the converter's end stop."""
        return 32767 if self.kind == INA226 else 4000 * self._gain

    @property
    def bus_range_mv(self) -> int:
        return 40960 if self.kind == INA226 else 32000

    def range_steps(self) -> int:
        """Full scale of the current, in 0.0001 mA."""
        if self.kind == NONE:
            return 0
        counts = self.range_counts
        # The INA226 ends one count below a round 81.92 mV.
        return self.units.current_steps(32768 if counts == 32767 else counts, 1)

    def find(self, told: int, told_address: int) -> bool:
        """Looks at 40h to 4Fh, or at ``told_address`` alone (0: all). ``told``: what the host says it is.

        False when there is none; the address is then the first where something else answered, 0: none did.
        """
        self.kind = NONE
        self.bus_hung = False
        answered = 0
        self.identity = Identity()
        for address in range(told_address or ADDRESS_LEAST, (told_address or ADDRESS_MOST) + 1):
            answer = self._port.answers(address)
            if answer == HUNG:
                self.bus_hung = True
            elif answer == 0:
                self.address = address
                identity = Identity()
                self.kind = identity.find(self, told)
                if self.kind != NONE or not answered:
                    answered = address
                    self.identity = identity
            if self.bus_hung or self.kind != NONE:
                break
        self.address = answered
        if self.bus_hung:
            self._port.free_bus()
        if self.kind == NONE:
            return False
        self._gain = settings.INA219_GAIN
        self._use(self.kind)
        self._configure()
        return True

    def still_configured(self) -> bool:
        """False when the sensor has lost its settings, as after a dip of its supply."""
        value = self.get(_CONFIG)
        return value < 0 or value == self._config_word()

    def poll(self) -> int:
        """One try to fetch a conversion: one register read when none is ready, three when one is."""
        self.bus_hung = False
        event = self._poll_ina226() if self.kind == INA226 else self._poll_ina219()
        if self.bus_hung:
            self._port.free_bus()
            return BUS_HUNG
        return event

    def get(self, register: int) -> int:
        """Below 0: no answer."""
        value = self._read(self.address, register)
        if value == HUNG:
            self.bus_hung = True
        return value

    def put(self, register: int, value: int) -> bool:
        """Whether it was answered."""
        answer = self._port.write_register(self.address, register, value)
        if answer == HUNG:
            self.bus_hung = True
        return answer == 0

    # The bus register holds the ready flag, reading the power register clears it.
    # The shunt is read first: it is the first to be overwritten.
    def _poll_ina219(self) -> int:
        bus = self.get(_BUS)
        if bus < 0:
            return SILENT
        if not bus & 2:
            return WAITING
        shunt = self.get(_SHUNT)
        if shunt < 0 or self.get(_POWER) < 0:
            return SILENT
        self.bus = bus >> 3
        self.shunt = shunt - 65536 if shunt & 32768 else shunt
        return self._judge(bus & 1)

    # Reading the mask register hands out the ready flag and clears it.
    def _poll_ina226(self) -> int:
        mask = self.get(_MASK_ENABLE)
        if mask < 0:
            return SILENT
        if not mask & 8:
            return WAITING
        shunt = self.get(_SHUNT)
        if shunt < 0:
            return SILENT
        bus = self.get(_BUS)
        if bus < 0:
            return SILENT
        self.bus = bus
        self.shunt = shunt - 65536 if shunt & 32768 else shunt
        return self._judge(0)

    def _judge(self, beyond: int) -> int:
        counts = self.range_counts
        if not beyond and -counts < self.shunt < counts:
            return PAIR
        if self.kind == INA226 or self._gain == 8:
            return OVERFLOW
        self._gain = 8
        self._configure()
        return WIDENED

    # Shunt and bus one after the other without end; widest bus range.
    def _config_word(self) -> int:
        if self.kind == INA226:
            code = _INA226_CODES[self._averages]
            return 0x4000 | code << 6 | code << 3 | 7
        code = _INA219_CODES[self._averages]
        gain = 3 if self._gain == 8 else self._gain >> 1
        return 1 << 13 | gain << 11 | code << 7 | code << 3 | 7

    # The calibration makes the sensor's own current register equal to the shunt register, so that
    # its arithmetic cannot overflow before the converter does.
    def _configure(self) -> None:
        self.put(_CALIBRATION, 2048 if self.kind == INA226 else 4096)
        self.put(_CONFIG, self._config_word())
