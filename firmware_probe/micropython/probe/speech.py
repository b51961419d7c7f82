"""What the board says: which line is next, and each line piece by piece, so that none keeps the sensor waiting."""

from . import faults, sensor, settings
from .identity import WORDS
from .lines import Line
from .memory import OPENED

TYPE_CHECKING = False
if TYPE_CHECKING:
    from ..contract import Port, State

FIRMWARE = b"1.0.0"


class Speech:
    """``probe``: the state that is told. One line at a time: ``step()`` until it is False."""

    def __init__(self, probe: "State", port: "Port") -> None:
        self._probe = probe
        self._port = port
        self._line = Line()
        self._kind = self._field = self._sent = 0
        self._complete = False
        self._fault = 0
        self._writers = (
            self._hello,
            self._answer,
            self._load,
            self._fault_line,
            self._window,
            self._sensor,
            self._own,
        )
        self.hello_due = False
        self.answer_due = False
        self._introduced = False  # the line before a hello is out

    @property
    def busy(self) -> bool:
        """No command may be read: the answer to the last is not out."""
        return self.hello_due or self.answer_due or self._kind in (1, 2, 6)

    def step(self, now: int) -> bool:
        """One piece of work. False when there is none, or no room for it at the port."""
        line = self._line
        if self._complete:
            self._sent += self._port.write(line.buffer, self._sent, line.length)
            if self._sent < line.length:
                return False
            self._complete = False
            self._kind = 0
            return True
        if not self._kind:
            self._kind = self._next(now)
            self._field = 0
            if not self._kind:
                return False
        more = self._writers[self._kind - 1](self._probe, line, self._field, now)
        self._field += 1
        if not more:
            line.end()
            self._complete = True
            self._sent = 0
        return True

    def _next(self, now: int) -> int:
        probe = self._probe
        if self.hello_due:
            self._introduced = not self._introduced
            if self._introduced:
                return 6
            self.hello_due = False
            return 1
        if self.answer_due:
            self.answer_due = False
            return 2
        if probe.load.line_due:
            probe.load.line_due = False
            return 3
        if probe.faults.any_due:
            self._fault = probe.faults.take(now)
            if self._fault >= 0:
                return 4
        windows = probe.windows
        if probe.own.ready(windows):
            return 7
        return 5 if windows.line_due and not windows.work_due else 0

    # Each writes one piece and returns False when it was the last.

    def _sensor(self, probe: "State", line: Line, field: int, now: int) -> bool:
        identity = probe.sensor.identity
        line.begin(b"sensor", clear=True)
        line.comma_text(WORDS[identity.known])
        line.put(44)
        line.hex(identity.maker, 4)
        line.put(46)
        line.hex(identity.die, 4)
        return False

    def _hello(self, probe: "State", line: Line, field: int, now: int) -> bool:
        found, record, load = probe.sensor, probe.record, probe.load
        if field == 0:
            line.begin(b"hello,protocol=1,firmware=", clear=True)
            line.text(self._port.FIRMWARE_PREFIX)
            line.text(FIRMWARE)
        elif field == 1:
            line.text(b",board=")
            line.hex(record.board, 8)
            line.named(b",boot=", record.boot)
            line.text(b",cause=")
            line.text(probe.cause)
        elif field == 2:
            line.text(b",sensor=")
            line.text(sensor.NAMES[found.kind])
            line.text(b",address=")
            line.hex(found.address, 2)
        elif field == 3:
            line.named(b",shunt_ohm=", settings.SHUNT_STEPS, 4)
            line.named(b",range_ma=", found.range_steps(), 4)
        elif field == 4:
            line.named(b",bus_range_v=", found.bus_range_mv, 3)
            line.named(b",window_us=", probe.windows.next_us)
        elif field == 5:
            line.text(b",load=")
            self._load_state(line)
            line.text(b",opened=")
            line.text(OPENED[record.opened] if load.fitted else b"-")
        elif field == 6:
            line.named(b",cutoff_v=", record.cutoff_uv, 6)
            line.named(b",hold_ms=", record.hold_ms)
        elif field == 7:
            line.text(b",running=1" if probe.windows.running else b",running=0")
            line.named(b",pair_us=", found.period_us)
            line.text(self._port.HELLO_MORE)
        else:
            line.named(b",time_us=", probe.windows.now_us(now))
            return False
        return True

    def _load_state(self, line: Line) -> None:
        load = self._probe.load
        line.text(b"-" if not load.fitted else b"1" if load.closed else b"0")

    def _window(self, probe: "State", line: Line, field: int, now: int) -> bool:
        closed, units = probe.windows.closed, probe.sensor.units
        if field == 0:
            line.begin(b"w")
            line.comma_number(closed.sequence)
            line.comma_number(closed.time_us)
            line.comma_number(closed.conversions)
            return True
        line.put(44)
        if field == 1:
            line.fixed(units.voltage_uv(closed.pack_sum, closed.conversions), 6)
        elif field == 2:
            line.fixed(units.voltage_uv(closed.pack_min, 1), 6)
        elif field == 3:
            line.fixed(units.voltage_uv(closed.bus_sum, closed.conversions), 6)
        elif field == 4:
            line.fixed(units.current_steps(closed.shunt_sum, closed.conversions), 4)
        elif field == 5:
            line.fixed(units.current_steps(closed.shunt_min, 1), 4)
        elif field == 6:
            line.fixed(units.current_steps(closed.shunt_max, 1), 4)
        elif field == 7:
            line.fixed(closed.charge_steps, 6)
        else:
            line.fixed(closed.energy_steps, 6)
            probe.windows.line_due = False
            return False
        return True

    def _own(self, probe: "State", line: Line, field: int, now: int) -> bool:
        own = probe.own
        line.begin(b"own")
        for number in (own.sequence, own.clears, own.charge, own.energy, own.die):
            line.comma_number(number)
        own.line_due = False
        return False

    def _load(self, probe: "State", line: Line, field: int, now: int) -> bool:
        line.begin(b"load")
        line.comma_number(probe.load.time_us)
        line.put(44)
        self._load_state(line)
        line.comma_text(probe.load.reason)
        return False

    def _fault_line(self, probe: "State", line: Line, field: int, now: int) -> bool:
        code = self._fault
        line.begin(b"fault")
        line.comma_number(probe.windows.now_us(now))
        line.comma_text(faults.WORDS[code])
        line.put(44)
        count = probe.faults.take_count(code)
        if count >= 0:
            line.fixed(count, 0)
        elif code == faults.RANGE:
            line.fixed(probe.sensor.range_steps(), 4)
        elif code == faults.SWITCH:
            load = probe.load
            line.fixed(probe.sensor.units.current_steps(load.flow_sum, load.flow_count), 4)
        return False

    def _answer(self, probe: "State", line: Line, field: int, now: int) -> bool:
        parser = probe.parser
        line.begin(b"no," if parser.error else b"ok,")
        line.text(parser.name)
        if parser.error:
            line.comma_text(parser.error)
        return False
