"""The probe: setup and loop over sensor, windows, load switch, commands and lines."""

from . import faults, load, sensor, settings
from .commands import BUSY, FITTED, TRIPPED, UNKNOWN, Parser
from .cutoff import MASK
from .faults import Faults
from .load import LoadSwitch
from .memory import BY_CUTOFF, Memory, Record
from .own import Own
from .sensor import Missed, Sensor
from .speech import Speech
from .windows import Windows

# Never true on a board: names for type checkers alone.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from ..contract import Port

_SECOND_US = 1000000
_BUS_PAUSE_US = 100000
_SILENT_POLLS_MAX = 3
_PAIRS_WITHOUT_WORK_MAX = 5
_BYTES_A_PASS = 80
_CTRL_C = 3


class Probe:
    """``setup`` once, then ``loop`` for ever. Ticks are the port's microseconds, which wrap after 2^30."""

    def __init__(self, port: "Port") -> None:
        self._port = port
        self._ticks = port.ticks
        averages = settings.AVERAGES or port.PAIR_AVERAGES
        now = port.ticks()
        self.windows = Windows(now)
        self._window = self.windows.window
        self.cause = port.restart_cause()
        self.faults = Faults()
        self.parser = Parser()
        self.sensor = Sensor(port, averages)
        self.own = Own(self.sensor)
        self.speech = Speech(self, port)
        self._memory = Memory(port)
        self.record = self._remember()
        self.load = LoadSwitch(port, self._memory, self.record, port.switch_fitted())
        self._command_due = False
        self._interrupts = 0
        self._pair_seen = self._checked = self._pause_began = now
        self._pause_us = 0
        self._missed = Missed()
        self._pairs_late = False
        self._pairs_without_work = 0
        self._sensor_lost = True
        self._silent_polls = 0
        self._look_due = False  # the host said something of the sensor
        self._kind_before = self._address_before = 0
        self._use_units()

    def _remember(self) -> Record:
        """Of this start. Without memory: a new name, so that nobody takes the counters for going on."""
        record = self._memory.load()
        if record is None:
            record = Record()
            record.board = self._port.random_32()
        record.boot = (record.boot + 1) & 0xFFFF
        if not self._memory.save(record):
            # The next start will find the same number in the memory: one by chance tells them apart.
            record.boot = self._port.random_32() & 0xFFFF
            self.faults.note(faults.MEMORY)
        return record

    def setup(self) -> None:
        now = self._ticks()
        self.load.start(now, self.windows.now_us(now))
        self._port.watchdog_start()
        self._look_for_sensor()
        if self.cause == b"brownout":
            self.faults.note(faults.BROWNOUT)
        elif self.cause == b"watchdog":
            self.faults.note(faults.WATCHDOG)
        self.speech.hello_due = True

    def loop(self) -> None:
        self._port.watchdog_feed()
        self._work(self._poll_sensor())

    # ---- sensor

    def _use_units(self) -> None:
        self.windows.use_units(self.sensor.units)
        self.load.use_units(self.sensor.units)
        self._ratio = self.sensor.units.pack_ratio
        self._add = self._window.add_wide if self.sensor.units.wide else self._window.add
        period_us = self.sensor.period_us
        self._period_us = period_us
        # Several conversions: longer without one, and none is expected.
        self._converting_us = max(5000, 3 * period_us)

    def _look_for_sensor(self) -> None:
        ratio = self._ratio
        told = self.record.told
        address = sensor.ADDRESS_LEAST - 1 + (told >> 2) if told >> 2 else 0
        self._sensor_lost = not self.sensor.find(told & 3, address)
        self._silent_polls = 0
        self._pause(_SECOND_US if self._sensor_lost else 0)
        self._pair_seen = self._checked = self._ticks()
        if self._sensor_lost:
            self.faults.note(faults.BUS if self.sensor.bus_hung else faults.SENSOR)
            return
        self.own.restart()
        self._missed.use(self.sensor.period_us)
        self._note_swap()
        if self.sensor.units.pack_ratio != ratio:
            self._use_units()

    # Of another kind or at another place than the one before it: not the same one.
    def _note_swap(self) -> None:
        kind, address = self.sensor.kind, self.sensor.address
        other = kind != self._kind_before or address != self._address_before
        if other and self._kind_before and not self._look_due:
            self.faults.note(faults.SWAP)
            self.speech.hello_due = True
        self._kind_before, self._address_before = kind, address

    # What the host has told of it is in the memory, and the answer is out.
    def _look_again(self) -> None:
        if self.speech.busy:
            return
        self._look_for_sensor()
        self._look_due = False
        self.speech.hello_due = True

    def _lose_sensor(self) -> None:
        self.faults.note(faults.SENSOR)
        self._sensor_lost = True

    def _pause(self, duration_us: int) -> None:
        self._pause_began = self._ticks()
        self._pause_us = duration_us
        self._missed.pause()

    def _poll_sensor(self) -> bool:
        """True when a conversion was taken, so that there is time until the next."""
        now = self._ticks()
        if self._pause_us:
            if (now - self._pause_began) & MASK < self._pause_us:
                return False
            self._pause_us = 0
        if self._look_due and not self.windows.line_due:
            self._look_again()
        if self._sensor_lost:
            # A line that is not out yet is in the old one's steps.
            if not self.windows.line_due:
                self._look_for_sensor()
            return False
        event = self.sensor.poll()
        if event == sensor.WAITING:
            self._silent_polls = 0
            self._missed.wait(now)
            return False
        if event == sensor.SILENT:
            self._silent_polls += 1
            if self._silent_polls >= _SILENT_POLLS_MAX:
                self._lose_sensor()
            return False
        if event == sensor.BUS_HUNG:
            self.faults.note(faults.BUS)
            self._pause(_BUS_PAUSE_US)
            return False
        self._silent_polls = 0
        self._pairs_late = not self._missed.waited
        self._pair_seen = now
        missed = self._missed.fetch(now)
        if missed:
            self.faults.count(faults.MISSED, missed)
        self._take_pair(event != sensor.PAIR)
        if event == sensor.WIDENED:
            self.faults.note(faults.RANGE)
            self._missed.pause()
        return True

    def _take_pair(self, overflow: bool) -> None:
        found, switch = self.sensor, self.load
        shunt = found.shunt
        pack = found.bus * self._ratio + shunt
        seen = self._pair_seen
        if overflow:
            self.faults.count(faults.OVERFLOW, 1)
        else:
            self._add(found.bus, shunt, pack)
        # Beyond the range the pack is taken for as low as it may be.
        if switch.cutoff.add(pack, seen) and switch.closed:
            self._move_load(False, load.CUTOFF)
        if switch.fitted and not switch.closed and switch.still_flows(shunt, seen):
            self.faults.note(faults.SWITCH)
        now = self._ticks()
        if self.windows.over(now):
            self.windows.end(now)

    def _check_sensor(self, now: int) -> bool:
        """Once a second: does the sensor still have its settings, does it convert?"""
        if self._sensor_lost or self._pause_us or (now - self._checked) & MASK < _SECOND_US:
            return False
        self._checked = now
        silent = (now - self._pair_seen) & MASK >= _SECOND_US
        if not self.sensor.still_configured() or silent:
            self._lose_sensor()
        return True

    # ---- everything else, where it does not delay the next conversion: right after one

    def _work(self, pair_taken: bool) -> None:
        now = self._ticks()
        converting = (now - self._pair_seen) & MASK < self._converting_us
        if not converting:
            self.windows.now_us(now)
            self.faults.rest(now)
            if self.windows.over(now):
                self.windows.end(now)
            if self.load.closed and self.load.cutoff.blind(now):
                self._move_load(False, load.SENSOR)
        elif not pair_taken:
            return
        self._collect_command()
        if converting and not self._time_for_work(now):
            return
        if self._check_sensor(now):
            return
        while self._work_step():
            passed_us = (self._ticks() - self._pair_seen) & MASK
            if not converting or passed_us + self._port.WORK_US > self._period_us:
                return

    # After a conversion that had not to be waited for there is no time, or a sensor with a fast clock
    # would get ever further ahead; but now and then there must be.
    def _time_for_work(self, now: int) -> bool:
        late = self._pairs_late or (now - self._pair_seen) & MASK > self._period_us * 2 // 3
        self._pairs_without_work += 1
        if late and self._pairs_without_work < _PAIRS_WITHOUT_WORK_MAX:
            return False
        self._pairs_without_work = 0
        return True

    def _work_step(self) -> bool:
        """One piece of work. False when there is none, or no room for it at the port."""
        now = self._ticks()
        if self.own.wanted(self.windows, now):
            self.own.read(self.windows.closed.sequence, now)
            return True
        if self.windows.work_due:
            self.windows.work()
            return True
        if self._command_due:
            self._command_due = False
            self._handle_command()
            return True
        return self.speech.step(now)

    # ---- commands

    # The next one waits at the port until this one is read and its answer is on its way.
    def _collect_command(self) -> None:
        for _ in range(_BYTES_A_PASS):
            if self._command_due or self.speech.busy:
                return
            byte = self._port.read_byte()
            if byte < 0:
                return
            if byte == _CTRL_C and self.parser.is_empty:
                self._interrupts += 1
                if self._interrupts == 2:
                    self._port.set_switch(False)  # nobody watches the cells from here
                    self._port.leave()
                continue
            self._interrupts = 0
            self._command_due = self.parser.feed(byte)

    def _handle_command(self) -> None:
        parser = self.parser
        parser.read()
        if parser.name == b"identify" and not parser.error:
            self.speech.hello_due = True
            return
        if not parser.error:
            parser.error = self._obey(parser.name, parser.values)
        self.speech.answer_due = True

    def _obey(self, name: bytes, values: "list[int]") -> bytes:
        """Error for the answer, empty: done."""
        if name == b"window":
            self.windows.next_us = values[0]
        elif name == b"start":
            self.own.fresh = self.own.fresh or not self.windows.running
            self.windows.running = True
        elif name == b"stop":
            self.windows.stop()
        elif name == b"load":
            return self._obey_load(values[0] == 1, values[1] == 1)
        elif name == b"cutoff":
            if not self.load.fitted:
                return FITTED
            self.load.set_cutoff(values[0], values[1], self.sensor.units, self._ticks())
            self._note_memory()
        elif name == b"burst" or name == b"flex-start":
            return FITTED
        elif name == b"sensor":
            return self._obey_sensor(values[0], self.record.told >> 2)
        elif name == b"address":
            address = values[0] - sensor.ADDRESS_LEAST + 1 if values[0] else 0
            return self._obey_sensor(self.record.told & 3, address)
        elif name != b"flex-stop":
            return UNKNOWN
        return b""

    def _obey_sensor(self, kind: int, address: int) -> bytes:
        if self.windows.running:
            return BUSY
        self.record.told = address << 2 | kind
        if not self._memory.save(self.record):
            self.faults.note(faults.MEMORY)
        self._look_due = True
        return b""

    def _obey_load(self, closed: bool, by_person: bool) -> bytes:
        switch = self.load
        if not switch.fitted:
            return FITTED
        if closed and self.record.opened == BY_CUTOFF and not by_person:
            return TRIPPED
        self._move_load(closed, load.STATUS if closed == switch.closed else load.HOST)
        return b""

    def _move_load(self, closed: bool, reason: bytes) -> None:
        now = self._ticks()
        self.load.move(closed, reason, now, self.windows.now_us(now))
        self._note_memory()

    def _note_memory(self) -> None:
        if not self.load.kept:
            self.load.kept = True
            self.faults.note(faults.MEMORY)
