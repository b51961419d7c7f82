"""Commands from the host, checked as the board checks them (PROTOCOL.md, "Host to board")."""

import re
from dataclasses import dataclass
from typing import Final

from firmware_probe.line_format import COMMAND_MAX_BYTES, crc16

WINDOW_MIN_US: Final = 10_000
WINDOW_MAX_US: Final = 60_000_000
HOLD_MAX_MS: Final = 4_294_967_295
CUTOFF_MAX_UV: Final = 40_960_000
ADDRESS_LEAST: Final = 0x40
ADDRESS_MOST: Final = 0x4F
CYCLES_MAX: Final = 4_294_967_295
PERIOD_MIN_MS: Final = 100
PERIOD_MAX_MS: Final = 600_000
_WHOLE = re.compile(r"^\d{1,10}$")
_ADDRESS = re.compile(r"^[0-9A-F]{2}$")
_VOLT = re.compile(r"^\d{1,10}\.\d{6}$")


class Refused(Exception):
    """A command that is answered with ``no``: its name and the protocol's reason."""

    def __init__(self, name: str, reason: str) -> None:
        self.name = name
        self.reason = reason
        super().__init__(f"{name}: {reason}")


@dataclass(frozen=True)
class Command:
    """A command with its fields as text, CRC checked."""

    name: str
    fields: tuple[str, ...] = ()

    def expect(self, count: int) -> None:
        """Raises Refused ``field`` if there are fewer fields; more are for later versions."""
        if len(self.fields) < count:
            raise Refused(self.name, "field")

    def whole(self, index: int, low: int, high: int) -> int:
        """Whole number of a field; Refused ``field`` if it is none, ``range`` if outside."""
        text = self.fields[index]
        if not _WHOLE.match(text):
            raise Refused(self.name, "field")
        if not low <= int(text) <= high:
            raise Refused(self.name, "range")
        return int(text)

    def address(self, index: int) -> int:
        """I2C address of a field in two hex digits, 0 for ``auto``; Refused as for ``whole``."""
        text = self.fields[index]
        if text == "auto":
            return 0
        if not _ADDRESS.match(text):
            raise Refused(self.name, "field")
        if not ADDRESS_LEAST <= int(text, 16) <= ADDRESS_MOST:
            raise Refused(self.name, "range")
        return int(text, 16)

    def microvolts(self, index: int, high: int) -> int:
        """Volts with 6 decimals as microvolts; Refused as for ``whole``."""
        text = self.fields[index]
        if not _VOLT.match(text):
            raise Refused(self.name, "field")
        value = int(text.replace(".", ""))
        if value > high:
            raise Refused(self.name, "range")
        return value


def parse_command(line: bytes) -> Command:
    """Command of a line without its end; raises Refused ``?``, ``crc`` if CRC or form is wrong."""
    if line == b"identify":
        return Command("identify")
    body, star, check = line.rpartition(b"*")
    good = (
        star
        and len(line) < COMMAND_MAX_BYTES
        and len(check) == 4
        and all(0x20 <= byte <= 0x7E and byte != 0x2A for byte in body)
        and check == b"%04X" % crc16(body)
    )
    if not good:
        raise Refused("?", "crc")
    name, *fields = body.decode("ascii").split(",")
    return Command(name, tuple(fields))


@dataclass(frozen=True)
class FlexOrder:
    """Fields of ``flex-start``."""

    drive: str
    cycles: int
    period_ms: int
    dwell_ms: int
    angle_a: int
    angle_b: int
    joints: int
    stop_open_us: int


def flex_order(command: Command) -> FlexOrder:
    """Checked ``flex-start``; raises Refused."""
    command.expect(8)
    drive = command.fields[0]
    if drive not in ("servo", "switch"):
        raise Refused(command.name, "field")
    order = FlexOrder(
        drive,
        cycles=command.whole(1, 1, CYCLES_MAX),
        period_ms=command.whole(2, PERIOD_MIN_MS, PERIOD_MAX_MS),
        dwell_ms=command.whole(3, 0, PERIOD_MAX_MS),
        angle_a=command.whole(4, 0, 180),
        angle_b=command.whole(5, 0, 180),
        joints=command.whole(6, 1, 4),
        stop_open_us=command.whole(7, 0, CYCLES_MAX),
    )
    if 2 * order.dwell_ms > order.period_ms:
        raise Refused(command.name, "range")
    return order
