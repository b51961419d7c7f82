"""INA219, INA226 or INA228 behind the port's I2C: finds it, sets it up, hands out each conversion once.

Registers: TI SBOS448G (INA219), TI SBOS547B (INA226), TI SBOSA20 (INA228).
"""

from . import settings
from .cutoff import MASK
from .identity import INA219, INA226, INA228, NONE, Identity
from .units import Units, ina219_units, ina226_units, ina228_units

TYPE_CHECKING = False
if TYPE_CHECKING:
    from ..contract import Port

ADDRESS_LEAST, ADDRESS_MOST = 0x40, 0x4F
NAMES = (b"none", b"INA219", b"INA226", b"INA228")

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
_WIDE_ADC, _WIDE_CALIBRATION, _WIDE_SHUNT, _WIDE_BUS, _WIDE_DIE = 1, 2, 4, 5, 6
_WIDE_ENERGY, _WIDE_CHARGE, _WIDE_DIAGNOSIS = 9, 10, 11
# 12 bit and 2, 4, 8, 16 averages (SBOS448G table 5); one whole conversion of the INA226 in about the
# same time: 588, 1100, 2116, 4156, 8244 us (SBOS547B 7.6.1).
_INA219_CODES = {1: 3, 2: 9, 4: 10, 8: 11, 16: 12}
_INA226_CODES = {1: 3, 2: 4, 4: 5, 8: 6, 16: 7}
_INA226_US = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
# The INA228 likewise, from 540 us: code and 1 or 4 averages; pair with its temperature of 50 us each.
_INA228_CODES = {1: (4, 0), 2: (5, 0), 4: (6, 0), 8: (7, 0), 16: (6, 1)}
_INA228_US = {1: 1130, 2: 2154, 4: 4198, 8: 8290, 16: 16792}


class Sensor:
    """``port``: its I2C and time are used."""

    def __init__(self, port: "Port", averages: int) -> None:
        self._port = port
        self._read = port.read_register
        self._read_20 = port.read_20
        self._averages = averages
        self.ticks = port.ticks
        self.kind = NONE
        self.address = 0
        self.identity = Identity()
        self.bus = self.shunt = 0
        self.bus_hung = False
        self._use(INA219)

    def _use(self, kind: int) -> None:
        """Units stay those of the sensor that was found last."""
        steps = settings.SHUNT_STEPS
        self.units: Units
        if kind == INA228:
            self.units = ina228_units(steps)
            self.period_us = _INA228_US[self._averages]
        elif kind == INA226:
            self.units = ina226_units(steps)
            self.period_us = 2 * _INA226_US[_INA226_CODES[self._averages]]
        else:
            self.units = ina219_units(steps)
            self.period_us = 2 * 532 * self._averages
        self._widen(settings.INA219_GAIN)

    def _widen(self, gain: int) -> None:
        self._gain = gain
        # Least count of the shunt that is beyond the range: the converter's end stop.
        self._range_counts = {INA226: 32767, INA228: 524287}.get(self.kind, 4000 * gain)

    @property
    def bus_range_mv(self) -> int:
        return 85000 if self.kind == INA228 else 40960 if self.kind == INA226 else 32000

    def range_steps(self) -> int:
        """Full scale of the current, in 0.0001 mA."""
        if self.kind == NONE:
            return 0
        counts = self._range_counts
        # INA226 and INA228 end one count below a round 81.92 and 163.84 mV.
        return self.units.current_steps(counts if self.kind == INA219 else counts + 1, 1)

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
        self._use(self.kind)
        if self.kind == INA228:
            # As after power on, accumulators from nought, ready flag kept until it is read.
            self.put(_CONFIG, 0x8000)
            self.put(_CONFIG, 0x4000)
            self.put(_WIDE_DIAGNOSIS, 0x8001)
        self._configure()
        return True

    def still_configured(self) -> bool:
        """False when the sensor has lost its settings, as after a dip of its supply."""
        value = self.get(_WIDE_ADC if self.kind == INA228 else _CONFIG)
        return value < 0 or value == self._config_word()

    def poll(self) -> int:
        """One try to fetch a conversion: one register read when none is ready, three when one is."""
        self.bus_hung = False
        event = self._poll_ina219() if self.kind == INA219 else self._poll_flagged()
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

    def _get_20(self, register: int) -> int:
        value = self._read_20(self.address, register)
        if value == HUNG:
            self.bus_hung = True
        return value

    def own_counts(self) -> "tuple[int, int, int] | None":
        """An INA228's charge, energy and die registers; None: not all answered."""
        charge = self._port.read_40(self.address, _WIDE_CHARGE)
        energy = self._port.read_40(self.address, _WIDE_ENERGY)
        die = self.get(_WIDE_DIE)
        if charge < 0 or energy < 0 or die < 0:
            return None
        return (
            charge - (1 << 40) if charge >> 39 else charge,
            energy,
            die - 65536 if die & 32768 else die,
        )

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

    # Reading the INA226's mask register, or the INA228's latched diagnosis, hands out the ready flag and clears it.
    def _poll_flagged(self) -> int:
        wide = self.kind == INA228
        flags = self.get(_WIDE_DIAGNOSIS if wide else _MASK_ENABLE)
        if flags < 0:
            return SILENT
        if not flags & (2 if wide else 8):
            return WAITING
        shunt = self._get_20(_WIDE_SHUNT) if wide else self.get(_SHUNT)
        if shunt < 0:
            return SILENT
        bus = self._get_20(_WIDE_BUS) if wide else self.get(_BUS)
        if bus < 0:
            return SILENT
        sign = 0x80000 if wide else 0x8000
        self.bus = 0 if bus & sign else bus
        self.shunt = shunt - 2 * sign if shunt & sign else shunt
        return self._judge(0)

    def _judge(self, beyond: int) -> int:
        counts = self._range_counts
        if not beyond and -counts < self.shunt < counts:
            return PAIR
        if self.kind != INA219 or self._gain == 8:
            return OVERFLOW
        self._widen(8)
        self._configure()
        return WIDENED

    # Shunt and bus one after the other without end; widest bus range.
    def _config_word(self) -> int:
        if self.kind == INA228:
            code, averages = _INA228_CODES[self._averages]
            return 0xF000 | code << 9 | code << 6 | averages
        if self.kind == INA226:
            code = _INA226_CODES[self._averages]
            return 0x4000 | code << 6 | code << 3 | 7
        code = _INA219_CODES[self._averages]
        gain = 3 if self._gain == 8 else self._gain >> 1
        return 1 << 13 | gain << 11 | code << 7 | code << 3 | 7

    # The calibration makes the sensor's own current register equal to the shunt register, so that
    # its arithmetic cannot overflow before the converter does.
    def _configure(self) -> None:
        if self.kind == INA228:
            self.put(_WIDE_CALIBRATION, 4096)
            self.put(_WIDE_ADC, self._config_word())
            return
        self.put(_CALIBRATION, 2048 if self.kind == INA226 else 4096)
        self.put(_CONFIG, self._config_word())


class Missed:
    """Conversions that were not fetched, by the time that passed between two that were.

    Adds up how late each is, from one that was waited for on.

    Those also teach it the sensor's own clock; where none ever is, its usual one has to do.
    ``waited``: a look found nothing new since the last.
    """

    def __init__(self) -> None:
        self.use(1)

    def use(self, period_us: int) -> None:
        """A sensor was set up."""
        self._periods = 16 * period_us
        self._seen = self._vain = self._owed_us = 0
        self.waited = self._punctual = self._counting = False

    def pause(self) -> None:
        """What is lost until the next fetch has a name already."""
        self._counting = False

    def wait(self, now: int) -> None:
        """A look in vain."""
        self.waited = True
        self._vain = now

    def fetch(self, now: int) -> int:
        """One was found: how many before it were not."""
        period_us = self._periods >> 4
        passed_us = (now - self._seen) & MASK
        self._seen = now
        waited, self.waited = self.waited, False
        late_us = (now - self._vain) & MASK if waited else MASK
        before, self._punctual = self._punctual, late_us < period_us >> 3
        if not self._counting:
            self._counting = True
            self._owed_us = 0
            return 0
        if before and self._punctual and abs(passed_us - period_us) < period_us >> 3:
            self._periods += passed_us - period_us
        owed_us = self._owed_us + passed_us - period_us
        missed = max(0, (owed_us + (period_us >> 3)) // period_us)
        owed_us -= missed * period_us
        self._owed_us = max(0, min(owed_us, late_us)) if waited else owed_us
        return missed
