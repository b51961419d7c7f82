"""What the board says: its lines on their way out, and the body of ``hello``."""

from typing import Final

from firmware_probe.line_format import PROTOCOL_VERSION, fixed, frame, key_values
from firmware_probe.twin.eeprom import Eeprom
from firmware_probe.twin.faults import FaultPlayer
from firmware_probe.twin.load_switch import LoadSwitch
from firmware_probe.twin.sensor import INA228, CurrentSensor
from firmware_probe.twin.window_grid import WindowGrid
from firmware_probe.twin.window_sums import OwnCounters, can_burst

FIRMWARE: Final = "simulated-0.1.0"
_FAULT_PAUSE_US: Final = 1_000_000
# Between ``own`` lines; temperature of the chip's die on the bench.
OWN_EVERY_US: Final = 10_000_000
DIE_C: Final = 25.0
NO_IDS: Final = "0000.0000"


class LineOutput:
    """Framed lines, line faults applied, until they are taken; fault lines at most one a second per code."""

    def __init__(self, faults: FaultPlayer) -> None:
        self._faults = faults
        self._lines: list[bytes] = []
        self._fault_told_us: dict[str, int] = {}
        self._owed: dict[str, int] = {}

    def say(self, body: str) -> None:
        self._lines.append(self._faults.line(frame(body)))

    def greet(self, *bodies: str) -> None:
        """``sensor`` and ``hello``, an LF before each: half a line of the last boot does not glue to it."""
        for body in bodies:
            self._lines.append(b"\n")
            self.say(body)

    def may_tell(self, code: str, now_us: int) -> bool:
        """Whether this fault may be told again; if so, it counts as told now."""
        told_us = self._fault_told_us.get(code)
        if told_us is not None and now_us - told_us < _FAULT_PAUSE_US:
            return False
        self._fault_told_us[code] = now_us
        return True

    def owe(self, code: str, count: int) -> None:
        """So many more of a fault that is told with its count: what falls into the pause is told after it."""
        self._owed[code] = self._owed.get(code, 0) + count

    def due_counts(self, now_us: int) -> list[tuple[str, int]]:
        """Codes and counts that are owed and may be told now; they count as told."""
        due = [code for code in self._owed if self.may_tell(code, now_us)]
        return [(code, self._owed.pop(code)) for code in due]

    def forget_faults(self) -> None:
        """After a boot every fault is news."""
        self._fault_told_us.clear()
        self._owed.clear()

    def take(self) -> bytes:
        taken = b"".join(self._lines)
        self._lines.clear()
        return taken


def tenth_microamperes(range_ma: float) -> int:
    """Full scale of the current in steps of 1e-4 mA."""
    return round(range_ma * 10_000)


def taken_for(eeprom: Eeprom, sensor: CurrentSensor) -> str:
    """Kind that the board takes this chip for: told so, by its identification, or by its behaviour; ``none``.

    An INA228 that does not say what it is behaves like nothing that the board knows.
    """
    if not _answers(eeprom, sensor):
        return "none"
    if eeprom.sensor_told:
        return eeprom.sensor_told
    kind, texas = sensor.kind.name, sensor.ids.startswith("5449")
    return kind if sensor.is_named or (kind != "INA228" and not texas) else "none"


class SensorSeat:
    """The sensor in its place: whether it ``works`` with what the board takes it for, and what it counts itself.

    Made anew whenever the board sets the sensor up, which clears ``own`` for the ``clears``-th time since boot.
    """

    def __init__(self, eeprom: Eeprom, sensor: CurrentSensor, clears: int) -> None:
        self.works = taken_for(eeprom, sensor) == sensor.kind.name
        self.own: OwnCounters | None = None
        if self.works and sensor.kind is INA228:
            self.own = OwnCounters(round(sensor.configuration.pair_time_us), clears)
        self._said_us: int | None = None

    def own_body(self, windows: WindowGrid, now_us: int) -> str:
        """Body of the ``own`` line if it is due after a window's line; empty if not."""
        if self.own is None or windows.last_sequence is None:
            return ""
        said_us = self._said_us
        is_fresh = said_us is None or said_us < windows.started_us
        if said_us is not None and not is_fresh and now_us - said_us < OWN_EVERY_US:
            return ""
        self._said_us = now_us
        return self.own.body(windows.last_sequence, DIE_C)


def sensor_body(eeprom: Eeprom, sensor: CurrentSensor) -> str:
    """Body of the ``sensor`` line: how the board knows which it is, and what it calls itself."""
    kind = taken_for(eeprom, sensor)
    if kind == "none":
        identity = "-"
    elif sensor.is_named and kind == sensor.kind.name:
        identity = "number"
    else:
        identity = "told" if eeprom.sensor_told else "behaviour"
    return f"sensor,{identity},{sensor.ids if _answers(eeprom, sensor) else NO_IDS}"


def _answers(eeprom: Eeprom, sensor: CurrentSensor) -> bool:
    return eeprom.address_told in (0, sensor.address)


def hello_body(
    eeprom: Eeprom,
    sensor: CurrentSensor,
    switch: LoadSwitch,
    windows: WindowGrid,
    burst_us: int,
    *,
    cause: str,
    time_us: int,
    time_factor: float,
) -> str:
    """Body of the ``hello`` line; ``cause``: of the last boot, ``time_us``: since it; ``burst_us``: usual time between bursts."""
    return key_values(
        "hello",
        (
            ("protocol", str(PROTOCOL_VERSION)),
            ("firmware", FIRMWARE),
            ("board", eeprom.board),
            ("boot", str(eeprom.boot)),
            ("cause", cause),
            ("sensor", taken_for(eeprom, sensor)),
            ("address", f"{sensor.address if _answers(eeprom, sensor) else 0:02X}"),
            ("shunt_ohm", fixed(round(sensor.shunt_ohm * 10_000), 4)),
            ("range_ma", fixed(tenth_microamperes(sensor.range_ma), 4)),
            ("bus_range_v", fixed(round(sensor.configuration.bus_range_v * 1000), 3)),
            ("window_us", str(windows.next_window_us)),
            ("load", switch.state),
            ("opened", switch.opened),
            ("cutoff_v", fixed(eeprom.cutoff_uv, 6)),
            ("hold_ms", str(eeprom.hold_ms)),
            ("running", str(int(windows.is_running))),
            *((("burst_us", str(burst_us)),) if can_burst(sensor) else ()),
            ("time_us", str(time_us)),
            ("time_factor", f"{time_factor:g}"),
        ),
    )
