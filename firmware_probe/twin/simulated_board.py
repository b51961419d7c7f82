"""The probe board without the board: a state machine that speaks exactly PROTOCOL.md.

Bytes in with ``receive``, time on with ``advance``, bytes out: it knows no port, thread or
clock, so a night passes in seconds and the same seed gives the same bytes.

Time goes on in stretches in which nothing changes (at most ``STEP_MAX_US``), each simulated
conversion by conversion (``bench_circuit``); the window statistics are integer sums
of register counts as in the sketch (``window_grid``, ``window_sums``). The load switch with the
board's own cutoff is ``load_switch``.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from firmware_probe.line_format import COMMAND_MAX_BYTES, fixed
from firmware_probe.twin.bench_circuit import RIGHT_WIRING, BenchCircuit, Wiring
from firmware_probe.twin.board_commands import WINDOW_MAX_US, WINDOW_MIN_US
from firmware_probe.twin.board_lines import (
    LineOutput,
    SensorSeat,
    hello_body,
    sensor_body,
    tenth_microamperes,
)
from firmware_probe.twin.board_orders import obey
from firmware_probe.twin.eeprom import Eeprom
from firmware_probe.twin.faults import CONTACT_OHM, Fault, FaultPlayer
from firmware_probe.twin.flex_rig import FlexRig
from firmware_probe.twin.joints import Joint
from firmware_probe.twin.load import LoadProgramme, OperatingStates
from firmware_probe.twin.load_switch import LoadSwitch
from firmware_probe.twin.pack import PackModel
from firmware_probe.twin.sensor import KINDS, CurrentSensor, IntArray
from firmware_probe.twin.window_grid import WindowGrid
from firmware_probe.twin.window_sums import BURST_VALUES, BurstRecord, Counters, short_sensor

STEP_MAX_US: Final = 10_000_000
# Boot loader and start-up; after a watchdog or brown-out the boot loader is skipped.
BOOT_US: Final = {
    "power": 600_000,
    "reset": 600_000,
    "unknown": 600_000,
    "brownout": 66_000,
    "watchdog": 66_000,
}
_RECEIVE_BYTES: Final = 64


@dataclass(frozen=True)
class _Stretch:
    """What is known to stay as it is until ``end_us``: the next piece to simulate."""

    end_us: int
    states: OperatingStates | None


class SimulatedBoard:
    """Board, sensor, load switch, pack and load.

    ``window_us``: window length after boot. ``switch_fitted``: with a switch the load is off
    while the board is without power or in reset (gate pulled down), without one it goes on
    drawing uncounted. ``eeprom``: None: of a board that was used before, its switch closed. ``clock_ppm``: error of the board's crystal. ``widen``: the INA219 goes
    to its widest gain range when a conversion reaches the end of the present one.
    ``joints``: up to four, on the flex rig; empty: no rig fitted. ``wiring``: right, or how wrong.

    The truth for tests: ``pack.charge_out_mah``, ``pack.energy_out_mwh``, ``sensor.errors``,
    ``faults.counts``, ``flex.joints[i].life_cycles``, ``circuit.load.brown_outs``.
    """

    def __init__(
        self,
        pack: PackModel,
        load: LoadProgramme,
        sensor: CurrentSensor,
        *,
        seed: int = 0,
        eeprom: Eeprom | None = None,
        window_us: int = 100_000,
        faults: FaultPlayer | None = None,
        joints: Sequence[Joint] = (),
        switch_fitted: bool = True,
        clock_ppm: float = 0.0,
        widen: bool = True,
        time_factor: float = 1.0,
        wiring: Wiring = RIGHT_WIRING,
    ) -> None:
        if not WINDOW_MIN_US <= window_us <= WINDOW_MAX_US:
            raise ValueError(
                f"window of {window_us} us: {WINDOW_MIN_US} to {WINDOW_MAX_US} is possible"
            )
        streams = np.random.SeedSequence(seed).spawn(2)
        self.circuit = BenchCircuit(pack, load, sensor, wiring, streams[0])
        self.flex = FlexRig(joints, np.random.default_rng(streams[1]))
        self.faults = faults or FaultPlayer()
        self.time_factor = time_factor
        self.eeprom = eeprom or Eeprom(board=f"{_board_number(seed):08X}")
        self._switch_fitted = switch_fitted
        self._widen = widen
        self._tick_true_s = 1e-6 / (1.0 + clock_ppm * 1e-6)
        self._clock_ratio = 1.0 + clock_ppm * 1e-6
        self._clock_rest_us = 0.0
        self._window_after_boot_us = window_us
        self._sensor_after_boot = sensor
        # Microseconds of the board's clock since it was made, on over boots: simulated up to
        # here, and asked for up to there.
        self.simulated_us = 0
        self._target_us = 0
        self._dead_until_us = 0
        self._deaf_until_us = 0
        self._deaf_code = "bus"
        self._contact_until_us = 0
        self._bypass_until_us = 0
        self._link_down_until_us = 0
        self._stalled_from_us: int | None = None
        self._stretch: _Stretch | None = None
        self._output = LineOutput(self.faults)
        self._received = b""
        self._boot("power")

    # ---- what the outside may ask and do

    @property
    def pack(self) -> PackModel:
        """The pack, with its true sums."""
        return self.circuit.pack

    @property
    def sensor(self) -> CurrentSensor:
        """The sensor in its present gain range, with its planted errors."""
        return self.circuit.sensor

    @property
    def time_us(self) -> int:
        """Board time: microseconds since boot."""
        return self._target_us - self.boot_us

    @property
    def life_us(self) -> int:
        """Microseconds since the board was made; fault scripts count in these."""
        return self._target_us

    @property
    def is_idle(self) -> bool:
        """Nothing will be sent by itself: it waits for the host."""
        return not (self.windows.is_running or self.flex.is_running) and self.is_alive

    @property
    def is_alive(self) -> bool:
        """Powered, booted and not stalled."""
        return self._target_us >= self._dead_until_us

    @property
    def link_down_left_us(self) -> int:
        """Time until the cable is plugged in again; 0: it is plugged in."""
        return max(self._link_down_until_us - self._target_us, 0)

    @property
    def load_closed(self) -> bool:
        """Can current flow?"""
        if not self.switch.is_fitted or self._is_bypassed:
            return True
        return self.switch.is_closed and not self._powerless

    @property
    def _is_bypassed(self) -> bool:
        """A welded switch, or a way around it."""
        return self.simulated_us < self._bypass_until_us

    @property
    def window_us(self) -> int:
        return self.windows.window_us

    def receive(self, data: bytes) -> None:
        """Bytes from the host; answers come with the next ``advance``."""
        if self._stalled_from_us is not None:
            # The hardware's receive buffer fills; nobody empties it.
            room = max(_RECEIVE_BYTES - len(self._received), 0)
            self._received += data[:room]
            self._receive_lost += len(data) - len(data[:room])
        elif self.is_alive:
            self.settle()
            self._received += data
            self._read_commands()

    def _read_commands(self) -> None:
        """Obey whole lines, as of ``simulated_us``."""
        *lines, self._received = self._received.replace(b"\r", b"\n").split(b"\n")
        for line in lines:
            if line and obey(self, line):
                self._stretch = None
        if len(self._received) > COMMAND_MAX_BYTES:
            # Too long for a command: what is kept makes it void at its end.
            self._count_fault("rx", len(self._received))
            self._received = b"?"

    def advance(self, duration_us: int) -> bytes:
        """Let true time pass; returns what the board sent, faults applied.

        How the time is cut into calls does not change the bytes.
        """
        exact_us = duration_us * self._clock_ratio + self._clock_rest_us
        self._target_us += int(exact_us)
        self._clock_rest_us = exact_us - int(exact_us)
        while True:
            self._play_faults()
            stretch = self._next_stretch()
            if stretch.end_us > self._target_us:
                break
            self._simulate(stretch)
            self._after_stretch()
        return self._output.take()

    def settle(self) -> None:
        """Simulate up to this very moment, in the middle of a stretch.

        ``advance`` only simulates whole stretches, so the pack's true sums may lag by one window:
        call this before reading them.
        """
        while self.simulated_us < self._target_us:
            stretch = self._next_stretch()
            self._simulate(_Stretch(min(stretch.end_us, self._target_us), stretch.states))
            self._after_stretch()
        self._stretch = None

    def reset(self, cause: str = "reset") -> None:
        """Start again as after a pulse on the reset line (DTR) or another cause."""
        self.settle()
        self._go_dark(self.simulated_us + BOOT_US[cause], cause)
        # What was not yet out of the transmit buffer is gone.
        self._output.take()

    # ---- boots and faults

    def _boot(self, cause: str) -> None:
        self.eeprom.recall()
        self.eeprom.boot = (self.eeprom.boot + 1) & 0xFFFF
        remembered = self.eeprom.keep()
        self.boot_us = self.simulated_us
        self._cause = cause
        self._boot_cause: str | None = None
        self._powerless = False
        self.circuit.sensor = self._sensor_after_boot
        self.switch = LoadSwitch(self._switch_fitted, self.eeprom, self.simulated_us)
        counters = Counters(self.sensor.kind, round(self.sensor.shunt_ohm * 10_000))
        self.windows = WindowGrid(self._window_after_boot_us, self.simulated_us, counters)
        self.bursts = BurstRecord()
        self._clears = 0
        self._set_up_sensor()
        self._output.forget_faults()
        self._stalled_from_us = None
        self.flex.stop(0, "fault")
        self._received = b""
        self._receive_lost = 0
        self._stretch = None
        self.greet()
        if self.switch.is_fitted:
            if not self._is_bypassed:  # the circuit was without power as well
                self.circuit.load.restart()
            self._say_load("boot")
        if cause in ("brownout", "watchdog"):
            self._fault(cause, "")
        self._tell_memory(remembered)

    def _play_faults(self) -> None:
        """Faults that are due; the stretch before one ends at it (``_plan``)."""
        while (fault := self.faults.take(self.simulated_us)) is not None:
            self._suffer(fault)

    def _suffer(self, fault: Fault) -> None:
        until_us = self.simulated_us + round(fault.duration_s * 1e6)
        self._stretch = None
        if fault.kind == "reset":
            self._go_dark(self.simulated_us + BOOT_US[fault.cause], fault.cause)
        elif fault.kind in ("off", "cut"):
            self._go_dark(until_us + BOOT_US["power"], "power")
        elif fault.kind == "stall" and not self._powerless:
            self._dead_until_us = max(self._dead_until_us, until_us)
            self._stalled_from_us = self.simulated_us
        elif fault.kind in ("hang", "sensor"):
            self._deaf_until_us = max(self._deaf_until_us, until_us)
            self._deaf_code = "bus" if fault.kind == "hang" else "sensor"
            self._fault(self._deaf_code, "")
        elif fault.kind == "swap":
            self._swap(fault.cause)
        elif fault.kind in ("contact", "holder"):
            self._contact_until_us = max(self._contact_until_us, until_us)
            if fault.kind == "contact":
                self.circuit.contact_ohm = CONTACT_OHM
            else:
                self.circuit.holder_ohm = CONTACT_OHM
        elif fault.kind in ("weld", "bridge"):
            self._bypass_until_us = max(self._bypass_until_us, until_us)
        elif fault.kind == "worn":
            self.eeprom.worn = True
        if fault.kind in ("unplug", "cut"):
            self._link_down_until_us = max(self._link_down_until_us, until_us)

    def look_for_sensor(self, kind: str | None, address: int | None) -> None:
        """Told by command, kept over resets; None leaves as it is."""
        self.eeprom.sensor_told = self.eeprom.sensor_told if kind is None else kind
        self.eeprom.address_told = self.eeprom.address_told if address is None else address
        remembered = self.eeprom.keep()
        self._set_up_sensor()
        self.greet()
        self._tell_memory(remembered)

    def _set_up_sensor(self) -> None:
        """Accumulators cleared; a sensor that is not found, or is taken for another, gives no readings."""
        self._clears += 1
        self._seat = SensorSeat(self.eeprom, self.sensor, self._clears)

    def _swap(self, kind_name: str) -> None:
        """Another kind of sensor in the old one's place; the board finds it after a second."""
        self._fault("sensor", "")
        self._sensor_after_boot = self.circuit.sensor = replace(
            self.sensor, kind=KINDS[kind_name], configuration_value=-1, ids=""
        )
        self.windows.change_sensor(self.sensor.kind)
        self._set_up_sensor()
        self._fault("swap", f"{kind_name}@{self.sensor.address:02X}")
        self.greet()

    def _go_dark(self, until_us: int, cause: str) -> None:
        self._powerless = True
        self._stalled_from_us = None
        self._dead_until_us = until_us
        self._boot_cause = cause
        self._stretch = None

    # ---- time

    def _next_stretch(self) -> _Stretch:
        if self._stretch is None:
            self._stretch = self._plan()
        return self._stretch

    def _plan(self) -> _Stretch:
        """The next stretch in which nothing changes, and its operating points."""
        now_us = self.simulated_us
        ends = [now_us + STEP_MAX_US]
        fault_us = self.faults.next_us()
        if fault_us is not None:
            ends.append(fault_us)
        if now_us < self._dead_until_us:
            ends.append(self._dead_until_us)
        else:
            ends.append(self._window_stop_us())
            if now_us < self._deaf_until_us:
                ends.append(self._deaf_until_us)
                if self.switch.is_watching:
                    ends.append(self.switch.blind_end_us)
            if self.flex.is_running:
                ends.append(self.flex.end_us)
            if self.switch.watches_leak:
                leak = self.switch.leak
                ends.append(leak.begin_us if now_us < leak.begin_us else leak.due_us)
        if self._is_bypassed:
            ends.append(self._bypass_until_us)
        if self.circuit.has_bad_contact:
            ends.append(self._contact_until_us)
        states, left_s = self.circuit.plan(self.load_closed)
        if left_s < STEP_MAX_US * 1e-6:
            ends.append(now_us + max(round(left_s / self._tick_true_s), 1))
        # What became due while nobody could see to it is due now.
        return _Stretch(max(min(ends), now_us), states)

    def _window_stop_us(self) -> int:
        """End of the window: the first conversion pair that is complete at or after its nominal end."""
        if self.simulated_us < self._deaf_until_us:
            return self.windows.end_us
        return self._pair_end_us(self._pairs_until(self.windows.end_us - 1) + 1)

    def _pairs_until(self, life_us: int) -> int:
        """Conversion pairs complete at this time, counted from boot."""
        return ((life_us - self.boot_us + 1) * 1000 - 1) // self.sensor.pair_time_ns

    def _pair_end_us(self, pair: int) -> int:
        return self.boot_us + pair * self.sensor.pair_time_ns // 1000

    # ---- one stretch

    def _simulate(self, stretch: _Stretch) -> None:
        """Conversions, sums, the board's own cutoff, then pack and load over this stretch."""
        start_us, end_us = self.simulated_us, stretch.end_us
        first = self._pairs_until(start_us) + 1
        count = self._pairs_until(end_us) - first + 1
        tripped = False
        read = self._seat.works and start_us >= max(self._dead_until_us, self._deaf_until_us)
        # An INA228 counts on by itself while nobody reads it.
        own = None if self._powerless else self._seat.own
        if count > 0 and (read or own is not None):
            first_start_s = (self._pair_end_us(first - 1) - start_us) * 1e-6
            shunt, bus = self.circuit.convert(stretch.states, first_start_s, count)
            if own is not None:
                own.add(shunt, bus)
        if count > 0 and read:
            pack = bus * self.sensor.kind.pack_ratio + shunt
            held = self._held_cutoff(pack, first)
            if held is not None:
                tripped = True
                end_us = self._pair_end_us(first + held)
                shunt, bus, pack = shunt[: held + 1], bus[: held + 1], pack[: held + 1]
            lost = self._burst(stretch.states, first, shunt.size)
            if lost:
                kept = np.ones(shunt.size, dtype=bool)
                kept[lost] = False
                shunt, bus, pack = shunt[kept], bus[kept], pack[kept]
            if shunt.size:
                self.windows.add(shunt, bus, pack, self.sensor.shunt_full_counts)
                if self.switch.watches_leak and start_us >= self.switch.leak.begin_us:
                    self.switch.leak.add(shunt)
        self.circuit.draw(stretch.states, (end_us - start_us) * self._tick_true_s)
        self.simulated_us = end_us
        self._stretch = None
        if tripped:
            self.move_switch(False, "cutoff")

    def _burst(self, states: OperatingStates | None, first: int, count: int) -> list[int]:
        """Bursts among ``count`` pairs from ``first`` on; each takes the place of the pair whose index is given."""
        timer, lost = self.bursts.timer, list[int]()
        if not timer.period_us or not self.windows.is_running or self.flex.is_running:
            return lost
        # Right after the first pair that is complete when it is due.
        while (pair := max(self._pairs_until(timer.due_us - 1) + 2, first)) < first + count:
            lost.append(pair - first)
            timer.began(self._pair_end_us(pair - 1))
        if lost:
            begins_us = [self._pair_end_us(first + index - 1) for index in lost]
            starts_s = (np.array(begins_us) - self.simulated_us) * 1e-6
            values = self.circuit.burst(states, starts_s, short_sensor(self.sensor), BURST_VALUES)
            ends_us = [self._pair_end_us(first + index) - self.boot_us for index in lost]
            self._say_all(self.bursts.add(values, self.sensor, ends_us))
        return lost

    def _held_cutoff(self, pack: IntArray, first: int) -> int | None:
        """Index of the pair at which the board's own cutoff is reached; ``first``: number of the first pair."""
        step_pv = self.sensor.kind.shunt_lsb_pv
        if not self.switch.sees(pack, self._pair_end_us(first + pack.size - 1), step_pv):
            return None
        pairs = np.arange(first, first + pack.size, dtype=np.int64)
        ends_us = self.boot_us + pairs * self.sensor.pair_time_ns // 1000
        return self.switch.first_held(pack, ends_us, step_pv)

    def move_switch(self, closed: bool, reason: str) -> None:
        """Open or close the load switch, and say so."""
        if closed and not self.switch.is_closed and not self._is_bypassed:
            self.circuit.load.restart()
        remembered = self.switch.move(closed, reason, self.simulated_us)
        self._stretch = None
        self._say_load(reason)
        self._tell_memory(remembered)

    def set_cutoff(self, cutoff_uv: int, hold_ms: int) -> None:
        """Watch another cutoff from now on."""
        self._tell_memory(self.switch.set_cutoff(cutoff_uv, hold_ms, self.simulated_us))

    def _after_stretch(self) -> None:
        """What is due now that the stretch is over."""
        now_us = self.simulated_us
        if self.circuit.has_bad_contact and now_us >= self._contact_until_us:
            self.circuit.contact_ohm = self.circuit.holder_ohm = 0.0
        if now_us < self._dead_until_us:
            return
        if self._boot_cause is not None:
            self._boot(self._boot_cause)
            return
        if self._stalled_from_us is not None:
            self._end_stall()
        if self.switch.is_watching and now_us >= self.switch.blind_end_us:
            self.move_switch(False, "sensor")
        if self.switch.watches_leak and now_us >= self.switch.leak.due_us:
            self._look_for_leak()
        if self.flex.is_running and now_us >= self.flex.end_us:
            self._say_all(self.flex.end_cycle(now_us - self.boot_us))
        if now_us >= self._window_stop_us():
            self._end_window()

    def _look_for_leak(self) -> None:
        """The switch is open: has the current gone?"""
        kind = self.sensor.kind
        counts = self.switch.leak.leak_counts(self.simulated_us, kind.shunt_lsb_pv)
        if counts is not None:
            shunt_steps = round(self.sensor.shunt_ohm * 10_000)  # of 0.1 mOhm
            # pV over 0.1 mOhm are 10 nA, a tenth of a step of 0.0001 mA.
            self._fault("switch", fixed(round(counts * kind.shunt_lsb_pv / 10 / shunt_steps), 4))

    def _end_stall(self) -> None:
        assert self._stalled_from_us is not None
        missed = self._pairs_until(self.simulated_us) - self._pairs_until(self._stalled_from_us)
        self._stalled_from_us = None
        if missed > 0:
            self._count_fault("missed", missed)
        if self._receive_lost:
            self._count_fault("rx", self._receive_lost)
            self._receive_lost = 0
        self._read_commands()

    def _end_window(self) -> None:
        now_us = self.simulated_us
        if self.windows.overflows:
            self._report_overflow()
        self._tell_counts()
        if not self.windows.is_empty:
            body = self.windows.close(now_us, now_us - self.boot_us)
            if body:
                self.say(body)
                own = self._seat.own_body(self.windows, now_us)
                self._say_all([own] if own else [])
        elif now_us < self._deaf_until_us:
            self._fault(self._deaf_code, "")
        self.windows.go_on(now_us)

    def _report_overflow(self) -> None:
        self._count_fault("overflow", self.windows.overflows)
        self.windows.overflows = 0
        widest = len(self.sensor.kind.shunt_ranges_mv) - 1
        if self._widen and self.sensor.configuration.gain < widest:
            self.circuit.sensor = self.sensor.with_gain(widest)
            self.bursts.clear()
            self._fault("range", fixed(tenth_microamperes(self.sensor.range_ma), 4))

    # ---- lines

    def say(self, body: str) -> None:
        if self.simulated_us >= self._dead_until_us:
            self._output.say(body)

    def _say_all(self, bodies: Sequence[str]) -> None:
        for body in bodies:
            self.say(body)

    def _say_load(self, reason: str) -> None:
        self.say(f"load,{self.simulated_us - self.boot_us},{self.switch.state},{reason}")

    def greet(self) -> None:
        if self.simulated_us >= self._dead_until_us:
            self._output.greet(sensor_body(self.eeprom, self.sensor), self.hello())

    def _tell_memory(self, remembered: bool) -> None:
        if not remembered:
            self._fault("memory", "")

    def _fault(self, code: str, detail: object) -> None:
        """Fault line, the same code at most once a second."""
        if self._output.may_tell(code, self.simulated_us):
            self.say(f"fault,{self.simulated_us - self.boot_us},{code},{detail}")

    def _count_fault(self, code: str, count: int) -> None:
        """The same for a fault with a count: none is dropped, the line may come later."""
        self._output.owe(code, count)
        self._tell_counts()

    def _tell_counts(self) -> None:
        for code, count in self._output.due_counts(self.simulated_us):
            self.say(f"fault,{self.simulated_us - self.boot_us},{code},{count}")

    def hello(self) -> str:
        return hello_body(
            self.eeprom,
            self.sensor,
            self.switch,
            self.windows,
            self.bursts.timer.period_us,
            cause=self._cause,
            time_us=self.simulated_us - self.boot_us,
            time_factor=self.time_factor,
        )


def _board_number(seed: int) -> int:
    return int(np.random.SeedSequence([seed, 0xB0A2D]).generate_state(1)[0])
