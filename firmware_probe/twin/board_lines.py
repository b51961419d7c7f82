"""What the board says: its lines on their way out, and the body of ``hello``."""

from typing import Final

from firmware_probe.line_format import PROTOCOL_VERSION, fixed, frame, key_values
from firmware_probe.twin.eeprom import Eeprom
from firmware_probe.twin.faults import FaultPlayer
from firmware_probe.twin.load_switch import LoadSwitch
from firmware_probe.twin.sensor import CurrentSensor
from firmware_probe.twin.window_grid import WindowGrid

FIRMWARE: Final = "simulated-0.1.0"
_FAULT_PAUSE_US: Final = 1_000_000


class LineOutput:
    """Framed lines, line faults applied, until they are taken; fault lines at most one a second per code."""

    def __init__(self, faults: FaultPlayer) -> None:
        self._faults = faults
        self._lines: list[bytes] = []
        self._fault_told_us: dict[str, int] = {}

    def say(self, body: str) -> None:
        self._lines.append(self._faults.line(frame(body)))

    def greet(self, body: str) -> None:
        """A ``hello``, with an LF before it: half a line of the last boot does not glue to it."""
        self._lines.append(b"\n")
        self.say(body)

    def may_tell(self, code: str, now_us: int) -> bool:
        """Whether this fault may be told again; if so, it counts as told now."""
        told_us = self._fault_told_us.get(code)
        if told_us is not None and now_us - told_us < _FAULT_PAUSE_US:
            return False
        self._fault_told_us[code] = now_us
        return True

    def forget_faults(self) -> None:
        """After a boot every fault is news."""
        self._fault_told_us.clear()

    def take(self) -> bytes:
        taken = b"".join(self._lines)
        self._lines.clear()
        return taken


def tenth_microamperes(range_ma: float) -> int:
    """Full scale of the current in steps of 1e-4 mA."""
    return round(range_ma * 10_000)


def hello_body(
    eeprom: Eeprom,
    sensor: CurrentSensor,
    switch: LoadSwitch,
    windows: WindowGrid,
    *,
    cause: str,
    time_us: int,
    time_factor: float,
) -> str:
    """Body of the ``hello`` line; ``cause``: of the last boot, ``time_us``: since it."""
    return key_values(
        "hello",
        (
            ("protocol", str(PROTOCOL_VERSION)),
            ("firmware", FIRMWARE),
            ("board", eeprom.board),
            ("boot", str(eeprom.boot)),
            ("cause", cause),
            ("sensor", sensor.kind.name),
            ("address", f"{sensor.address:02X}"),
            ("shunt_ohm", fixed(round(sensor.shunt_ohm * 10_000), 4)),
            ("range_ma", fixed(tenth_microamperes(sensor.range_ma), 4)),
            ("bus_range_v", fixed(round(sensor.configuration.bus_range_v * 1000), 3)),
            ("window_us", str(windows.next_window_us)),
            ("load", switch.state),
            ("opened", switch.opened),
            ("cutoff_v", fixed(eeprom.cutoff_uv, 6)),
            ("hold_ms", str(eeprom.hold_ms)),
            ("running", str(int(windows.is_running))),
            ("time_us", str(time_us)),
            ("time_factor", f"{time_factor:g}"),
        ),
    )
