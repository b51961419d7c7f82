"""Line protocol, version 1: field tables, CRC and encoding (see PROTOCOL.md).

Both ends use this file: the simulated board to write lines, the logger to
check them. It knows nothing of ports, files or clocks.
"""

from binascii import crc_hqx
from collections.abc import Iterable
from typing import Final

PROTOCOL_VERSION: Final = 1
BAUD_DEFAULT: Final = 115200
LINE_MAX_BYTES: Final = 300
COMMAND_MAX_BYTES: Final = 80

WINDOW_FIELDS: Final = (
    "sequence",
    "time_us",
    "conversions",
    "pack_v",
    "pack_min_v",
    "bus_v",
    "current_ma",
    "current_min_ma",
    "current_max_ma",
    "charge_mah",
    "energy_mwh",
)
FLEX_FIELDS: Final = (
    "cycle",
    "time_us",
    "joint",
    "current_min_ma",
    "current_max_ma",
    "resistance_min_ohm",
    "resistance_max_ohm",
    "opens",
    "longest_open_us",
)
DECIMALS: Final = {
    "pack_v": 6,
    "pack_min_v": 6,
    "bus_v": 6,
    "current_ma": 4,
    "current_min_ma": 4,
    "current_max_ma": 4,
    "charge_mah": 6,
    "energy_mwh": 6,
    "resistance_min_ohm": 4,
    "resistance_max_ohm": 4,
    "shunt_ohm": 4,
    "range_ma": 4,
    "bus_range_v": 3,
    "cutoff_v": 6,
}


def crc16(body: bytes) -> int:
    """CRC-16/XMODEM of the body (poly 1021h, init 0); ``crc16(b"123456789") == 0x31C3``."""
    return crc_hqx(body, 0)


def frame(body: str) -> bytes:
    """Whole line for a body: ``body*CCCC`` and LF.

    Raises ValueError if the body holds a character that the protocol forbids
    or the line would be longer than ``LINE_MAX_BYTES``.
    """
    # Printable ASCII is 20h to 7Eh; the whole-text tests are far quicker than a look at each byte.
    if not (body.isascii() and body.isprintable()) or "*" in body:
        raise ValueError(f"line body {body!r} holds a character that the protocol forbids")
    raw = body.encode("ascii")
    line = b"%s*%04X\n" % (raw, crc16(raw))
    if len(line) > LINE_MAX_BYTES:
        raise ValueError(f"line of {len(line)} bytes, at most {LINE_MAX_BYTES} are allowed")
    return line


def fixed(value: int, decimals: int) -> str:
    """Decimal text of an integer counted in steps of ``10**-decimals``: ``fixed(-1234, 3)`` is ``-1.234``."""
    if decimals == 0:
        return str(value)
    sign = "-" if value < 0 else ""
    whole, fraction = divmod(abs(value), 10**decimals)
    return f"{sign}{whole}.{fraction:0{decimals}d}"


def command(name: str, *fields: str) -> bytes:
    """Whole command line for the board, e.g. ``command("window", "100000")``."""
    return frame(",".join((name, *fields)))


def key_values(kind: str, pairs: Iterable[tuple[str, str]]) -> str:
    """Body of a line of ``key=value`` fields, such as ``hello``."""
    return ",".join((kind, *(f"{key}={value}" for key, value in pairs)))
