"""The probe board without the board: a state machine that speaks exactly PROTOCOL.md.

Bytes in with ``receive``, time on with ``advance``, bytes out: it knows no port, thread or
clock, so a night passes in seconds and the same seed gives the same bytes.

Time goes on in stretches in which nothing changes (at most ``STEP_MAX_US``), each simulated
conversion by conversion (``bench_circuit``); the window statistics are integer sums
of register counts as in the sketch (``window_sums``).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from firmware_probe.bench_circuit import RIGHT_WIRING, BenchCircuit, Wiring
from firmware_probe.board_commands import (
    CUTOFF_MAX_UV,
    HOLD_MAX_MS,
    WINDOW_MAX_US,
    WINDOW_MIN_US,
    Command,
    Refused,
    flex_order,
    parse_command,
)
from firmware_probe.cutoff_watch import CUTOFF_BLIND_US, CutoffWatch
from firmware_probe.eeprom import Eeprom
from firmware_probe.faults import CONTACT_OHM, Fault, FaultPlayer
from firmware_probe.flex_rig import FlexRig
from firmware_probe.joints import Joint
from firmware_probe.line_format import COMMAND_MAX_BYTES, PROTOCOL_VERSION, fixed, frame, key_values
from firmware_probe.load import LoadProgramme, OperatingStates
from firmware_probe.pack import PackModel
from firmware_probe.sensor import CurrentSensor, IntArray
from firmware_probe.window_sums import Counters, WindowSums

FIRMWARE: Final = "simulated-0.1.0"
STEP_MAX_US: Final = 10_000_000
# Boot loader and start-up; after a watchdog or brown-out the boot loader is skipped.
BOOT_US: Final = {
    "power": 600_000,
    "reset": 600_000,
    "unknown": 600_000,
    "brownout": 66_000,
    "watchdog": 66_000,
}
_FAULT_PAUSE_US: Final = 1_000_000
_RECEIVE_BYTES: Final = 64
_NEVER: Final = 1 << 62


@dataclass(frozen=True)
class _Stretch:
    """What is known to stay as it is until ``end_us``: the next piece to simulate."""

    end_us: int
    states: OperatingStates | None


class SimulatedBoard:
    """Board, sensor, load switch, pack and load.

    ``window_us``: window length after boot. ``switch_fitted``: with a switch the load is off
    while the board is without power or in reset (gate pulled down), without one it goes on
    drawing uncounted. ``clock_ppm``: error of the board's crystal. ``widen``: the INA219 goes
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
        # Life: microseconds of the board's clock since it was made; goes on over boots.
        self._life_us = 0
        self._target_us = 0
        self._dead_until_us = 0
        self._deaf_until_us = 0
        self._deaf_code = "bus"
        self._contact_until_us = 0
        self._link_down_until_us = 0
        self._stalled_from_us: int | None = None
        self._stretch: _Stretch | None = None
        self._output: list[bytes] = []
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
        return self._target_us - self._boot_us

    @property
    def life_us(self) -> int:
        """Microseconds since the board was made; fault scripts count in these."""
        return self._target_us

    @property
    def is_idle(self) -> bool:
        """Nothing will be sent by itself: it waits for the host."""
        return not (self._running or self.flex.is_running) and self.is_alive

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
        if not self._switch_fitted:
            return True
        return self._switch_closed and not self._powerless

    @property
    def window_us(self) -> int:
        return self._window_us

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
        """Obey whole lines, as of ``_life_us``."""
        *lines, self._received = self._received.replace(b"\r", b"\n").split(b"\n")
        for line in lines:
            if line:
                self._obey(line)
        if len(self._received) > COMMAND_MAX_BYTES:
            # Too long for a command: what is kept makes it void at its end.
            self._fault("rx", len(self._received))
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
        output = b"".join(self._output)
        self._output.clear()
        return output

    def settle(self) -> None:
        """Simulate up to this very moment, in the middle of a stretch.

        ``advance`` only simulates whole stretches, so the pack's true sums may lag by one window:
        call this before reading them.
        """
        while self._life_us < self._target_us:
            stretch = self._next_stretch()
            self._simulate(_Stretch(min(stretch.end_us, self._target_us), stretch.states))
            self._after_stretch()
        self._stretch = None

    def reset(self, cause: str = "reset") -> None:
        """Start again as after a pulse on the reset line (DTR) or another cause."""
        self.settle()
        self._go_dark(self._life_us + BOOT_US[cause], cause)
        # What was not yet out of the transmit buffer is gone.
        self._output.clear()

    # ---- boots and faults

    def _boot(self, cause: str) -> None:
        self.eeprom.boot = (self.eeprom.boot + 1) & 0xFFFF
        self._boot_us = self._life_us
        self._cause = cause
        self._boot_cause: str | None = None
        self._powerless = False
        self._running = False
        self._skip_window = False
        self.circuit.sensor = self._sensor_after_boot
        self._watch = CutoffWatch(self._life_us)
        self._sequence = 0
        self._counters = Counters(self.sensor.kind, round(self.sensor.shunt_ohm * 10_000))
        self._sums = WindowSums()
        self._window_us = self._next_window_us = self._window_after_boot_us
        self._window_start_us = self._life_us
        self._window_end_us = self._life_us + self._window_us
        self._fault_sent_us: dict[str, int] = {}
        self._overflows = 0
        self._stalled_from_us = None
        self.flex.stop(0, "fault")
        self._received = b""
        self._receive_lost = 0
        # A switch that was open stays so over a reset, or cells would be drained step by step.
        self._switch_closed = not self.eeprom.load_open
        self._stretch = None
        self._say(self._hello())
        if self._switch_fitted:
            # The circuit was without power as well.
            self.circuit.load.restart()
            self._say_load("boot")
        if cause in ("brownout", "watchdog"):
            self._fault(cause, "")

    def _play_faults(self) -> None:
        """Faults that are due; the stretch before one ends at it (``_plan``)."""
        while (fault := self.faults.take(self._life_us)) is not None:
            self._suffer(fault)

    def _suffer(self, fault: Fault) -> None:
        until_us = self._life_us + round(fault.duration_s * 1e6)
        self._stretch = None
        if fault.kind == "reset":
            self._go_dark(self._life_us + BOOT_US[fault.cause], fault.cause)
        elif fault.kind in ("off", "cut"):
            self._go_dark(until_us + BOOT_US["power"], "power")
        elif fault.kind == "stall" and not self._powerless:
            self._dead_until_us = max(self._dead_until_us, until_us)
            self._stalled_from_us = self._life_us
        elif fault.kind in ("hang", "sensor"):
            self._deaf_until_us = max(self._deaf_until_us, until_us)
            self._deaf_code = "bus" if fault.kind == "hang" else "sensor"
            self._fault(self._deaf_code, "")
        elif fault.kind in ("contact", "holder"):
            self._contact_until_us = max(self._contact_until_us, until_us)
            if fault.kind == "contact":
                self.circuit.contact_ohm = CONTACT_OHM
            else:
                self.circuit.holder_ohm = CONTACT_OHM
        if fault.kind in ("unplug", "cut"):
            self._link_down_until_us = max(self._link_down_until_us, until_us)

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
        now_us = self._life_us
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
                if self._is_watching():
                    ends.append(self._blind_end_us())
            if self.flex.is_running:
                ends.append(self.flex.end_us)
        if self.circuit.has_bad_contact:
            ends.append(self._contact_until_us)
        states, left_s = self.circuit.plan(self.load_closed)
        if left_s < STEP_MAX_US * 1e-6:
            ends.append(now_us + max(round(left_s / self._tick_true_s), 1))
        # What became due while nobody could see to it is due now.
        return _Stretch(max(min(ends), now_us), states)

    def _window_stop_us(self) -> int:
        """End of the window: the first conversion pair that is complete at or after its nominal end."""
        if self._life_us < self._deaf_until_us:
            return self._window_end_us
        return self._pair_end_us(self._pairs_until(self._window_end_us - 1) + 1)

    def _pairs_until(self, life_us: int) -> int:
        """Conversion pairs complete at this time, counted from boot."""
        return ((life_us - self._boot_us + 1) * 1000 - 1) // self.sensor.pair_time_ns

    def _pair_end_us(self, pair: int) -> int:
        return self._boot_us + pair * self.sensor.pair_time_ns // 1000

    # ---- one stretch

    def _simulate(self, stretch: _Stretch) -> None:
        """Conversions, sums, the board's own cutoff, then pack and load over this stretch."""
        start_us, end_us = self._life_us, stretch.end_us
        first = self._pairs_until(start_us) + 1
        count = self._pairs_until(end_us) - first + 1
        tripped = False
        if count > 0 and start_us >= self._dead_until_us and start_us >= self._deaf_until_us:
            first_start_s = (self._pair_end_us(first - 1) - start_us) * 1e-6
            shunt, bus = self.circuit.convert(stretch.states, first_start_s, count)
            pack = bus * self.sensor.kind.pack_ratio + shunt
            held = self._held_cutoff(pack, first)
            if held is not None:
                tripped = True
                end_us = self._pair_end_us(first + held)
                shunt, bus, pack = shunt[: held + 1], bus[: held + 1], pack[: held + 1]
            self._count(shunt, bus, pack)
        self.circuit.draw(stretch.states, (end_us - start_us) * self._tick_true_s)
        self._life_us = end_us
        self._stretch = None
        if tripped:
            self._move_switch(False, "cutoff")

    def _count(self, shunt: IntArray, bus: IntArray, pack: IntArray) -> None:
        """Add to the window; conversions at the end of the range are lost, never a number."""
        full = self.sensor.shunt_full_counts
        if int(shunt.max()) >= full or int(shunt.min()) <= -full:
            inside = np.abs(shunt) < full
            self._overflows += int(shunt.size - np.count_nonzero(inside))
            shunt, bus, pack = shunt[inside], bus[inside], pack[inside]
        if shunt.size:
            self._sums.add(shunt, bus, pack)

    def _held_cutoff(self, pack: IntArray, first: int) -> int | None:
        """Index of the pair at which the board's own cutoff is reached; ``first``: number of the first pair."""
        self._watch.seen_us = self._pair_end_us(first + pack.size - 1)
        if not self._is_watching():
            return None
        cutoff_counts = self.eeprom.cutoff_uv * 1000 / self.sensor.kind.shunt_lsb_nv
        if self._watch.below_since_us is None and int(pack.min()) >= cutoff_counts:
            return None
        pairs = np.arange(first, first + pack.size, dtype=np.int64)
        ends_us = self._boot_us + pairs * self.sensor.pair_time_ns // 1000
        return self._watch.first_held(pack, ends_us, cutoff_counts, self.eeprom.hold_ms * 1000)

    def _move_switch(self, closed: bool, reason: str) -> None:
        """Open or close the load switch; kept in EEPROM, so that it holds after a reset."""
        if closed and not self._switch_closed:
            self.circuit.load.restart()
        self._switch_closed = closed
        self.eeprom.load_open = not closed
        self._watch.restart(self._life_us)
        self._stretch = None
        self._say_load(reason)

    def _is_watching(self) -> bool:
        return bool(self.eeprom.cutoff_uv and self._switch_fitted and self._switch_closed)

    def _blind_end_us(self) -> int:
        """When the board opens the switch because it has seen no conversion for too long."""
        return self._watch.seen_us + max(CUTOFF_BLIND_US, self.eeprom.hold_ms * 1000)

    def _after_stretch(self) -> None:
        """What is due now that the stretch is over."""
        now_us = self._life_us
        if self.circuit.has_bad_contact and now_us >= self._contact_until_us:
            self.circuit.contact_ohm = self.circuit.holder_ohm = 0.0
        if now_us < self._dead_until_us:
            return
        if self._boot_cause is not None:
            self._boot(self._boot_cause)
            return
        if self._stalled_from_us is not None:
            self._end_stall()
        if self._is_watching() and now_us >= self._blind_end_us():
            self._move_switch(False, "sensor")
        if self.flex.is_running and now_us >= self.flex.end_us:
            self._say_all(self.flex.end_cycle(now_us - self._boot_us))
        if now_us >= self._window_stop_us():
            self._end_window()

    def _end_stall(self) -> None:
        assert self._stalled_from_us is not None
        missed = self._pairs_until(self._life_us) - self._pairs_until(self._stalled_from_us)
        self._stalled_from_us = None
        if missed > 0:
            self._fault("missed", missed)
        if self._receive_lost:
            self._fault("rx", self._receive_lost)
            self._receive_lost = 0
        self._read_commands()

    def _end_window(self) -> None:
        now_us = self._life_us
        if self._overflows:
            self._report_overflow()
        if self._sums.conversions:
            self._counters.add(self._sums, now_us - self._window_start_us)
            if self._running and not self._skip_window:
                time_us = now_us - self._boot_us
                self._say(self._counters.window_body(self._sequence, time_us, self._sums))
                self._sequence = (self._sequence + 1) & 0xFFFFFFFF
            self._skip_window = False
            self._window_start_us = now_us
            self._sums = WindowSums()
        elif now_us < self._deaf_until_us:
            self._fault(self._deaf_code, "")
        self._window_us = self._next_window_us
        # The nominal grid goes on; after a long stall it starts anew from here.
        self._window_end_us += self._window_us
        if self._window_end_us <= now_us:
            self._window_end_us = now_us + self._window_us

    def _report_overflow(self) -> None:
        self._fault("overflow", self._overflows)
        self._overflows = 0
        widest = len(self.sensor.kind.shunt_ranges_mv) - 1
        if self._widen and self.sensor.configuration.gain < widest:
            self.circuit.sensor = self.sensor.with_gain(widest)
            self._fault("range", fixed(self._range_steps(), 4))

    # ---- commands

    def _obey(self, line: bytes) -> None:
        try:
            command = parse_command(line)
            handler = _HANDLERS.get(command.name)
            if handler is None:
                raise Refused(command.name, "unknown")
            handler(self, command)
            self._stretch = None
        except Refused as refused:
            self._say(f"no,{refused.name},{refused.reason}")

    def _identify(self, command: Command) -> None:
        command.expect(0)
        self._say(self._hello())

    def _window(self, command: Command) -> None:
        command.expect(1)
        self._next_window_us = command.whole(0, WINDOW_MIN_US, WINDOW_MAX_US)
        self._ok(command)

    def _start(self, command: Command) -> None:
        command.expect(0)
        if not self._running:
            self._running = True
            self._skip_window = self._life_us > self._window_start_us
        self._ok(command)

    def _stop(self, command: Command) -> None:
        command.expect(0)
        self._running = False
        self._ok(command)

    def _load(self, command: Command) -> None:
        command.expect(1)
        closed = command.whole(0, 0, 1) == 1
        if not self._switch_fitted:
            raise Refused(command.name, "fitted")
        self._ok(command)
        self._move_switch(closed, "host")

    def _cutoff(self, command: Command) -> None:
        command.expect(2)
        cutoff_uv = command.microvolts(0, CUTOFF_MAX_UV)
        hold_ms = command.whole(1, 0, HOLD_MAX_MS)
        if cutoff_uv and not self._switch_fitted:
            raise Refused(command.name, "fitted")
        self.eeprom.cutoff_uv, self.eeprom.hold_ms = cutoff_uv, hold_ms
        self._watch.restart(self._life_us)
        self._ok(command)

    def _flex_start(self, command: Command) -> None:
        order = flex_order(command)
        if self.flex.is_running:
            raise Refused(command.name, "busy")
        if len(self.flex.joints) < order.joints:
            raise Refused(command.name, "fitted")
        self.flex.start(order, self._life_us)
        self._ok(command)

    def _flex_stop(self, command: Command) -> None:
        command.expect(0)
        self._ok(command)
        self._say_all(self.flex.stop(self._life_us - self._boot_us, "host"))

    # ---- lines

    def _say(self, body: str) -> None:
        if self._life_us < self._dead_until_us:
            return
        self._output.append(self.faults.line(frame(body)))

    def _say_all(self, bodies: Sequence[str]) -> None:
        for body in bodies:
            self._say(body)

    def _ok(self, command: Command) -> None:
        self._say(f"ok,{command.name}")

    def _say_load(self, reason: str) -> None:
        state = int(self._switch_closed) if self._switch_fitted else "-"
        self._say(f"load,{self._life_us - self._boot_us},{state},{reason}")

    def _fault(self, code: str, detail: object) -> None:
        """Fault line, the same code at most once a second."""
        last_us = self._fault_sent_us.get(code, -_NEVER)
        if self._life_us - last_us >= _FAULT_PAUSE_US:
            self._fault_sent_us[code] = self._life_us
            self._say(f"fault,{self._life_us - self._boot_us},{code},{detail}")

    def _range_steps(self) -> int:
        """Full scale of the current in steps of 1e-4 mA."""
        return round(self.sensor.range_ma * 10_000)

    def _hello(self) -> str:
        setting = self.sensor.configuration
        return key_values(
            "hello",
            (
                ("protocol", str(PROTOCOL_VERSION)),
                ("firmware", FIRMWARE),
                ("board", self.eeprom.board),
                ("boot", str(self.eeprom.boot)),
                ("cause", self._cause),
                ("sensor", self.sensor.kind.name),
                ("address", f"{self.sensor.address:02X}"),
                ("shunt_ohm", fixed(round(self.sensor.shunt_ohm * 10_000), 4)),
                ("range_ma", fixed(self._range_steps(), 4)),
                ("bus_range_v", fixed(round(setting.bus_range_v * 1000), 3)),
                ("window_us", str(self._next_window_us)),
                ("load", str(int(self._switch_closed)) if self._switch_fitted else "-"),
                ("cutoff_v", fixed(self.eeprom.cutoff_uv, 6)),
                ("hold_ms", str(self.eeprom.hold_ms)),
                ("running", str(int(self._running))),
                ("time_us", str(self._life_us - self._boot_us)),
                ("time_factor", f"{self.time_factor:g}"),
            ),
        )


_HANDLERS: Final = {
    "identify": SimulatedBoard._identify,
    "window": SimulatedBoard._window,
    "start": SimulatedBoard._start,
    "stop": SimulatedBoard._stop,
    "load": SimulatedBoard._load,
    "cutoff": SimulatedBoard._cutoff,
    "flex-start": SimulatedBoard._flex_start,
    "flex-stop": SimulatedBoard._flex_stop,
}


def _board_number(seed: int) -> int:
    return int(np.random.SeedSequence([seed, 0xB0A2D]).generate_state(1)[0])
