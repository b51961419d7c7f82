"""One line as it came, judged by its form alone: what it says, and what is wrong with it.

Apart from ``logger.board.stream`` on purpose: that forgives and drops void lines, which are what is looked for here.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

from firmware_probe.line_format import LINE_MAX_BYTES, crc16

_CHECKED = re.compile(rb"(.*)\*([0-9A-Fa-f]{4})", re.DOTALL).fullmatch
_BODY = re.compile(rb"[a-z][a-z-]*(?:,[ -)+-~]*)?").fullmatch


@dataclass(frozen=True)
class Line:
    """``raw``: without its LF and a CR before it. ``boot``: how many resets were seen before it.

    ``alone``: an empty line, or nothing at all, stood before it. ``length``: with its LF and CR.
    """

    raw: bytes
    heard_s: float
    boot: int
    alone: bool
    length: int

    @cached_property
    def _parts(self) -> tuple[bytes, bytes]:
        match = _CHECKED(self.raw)
        if match:
            return match[1], match[2]
        return self.raw.rpartition(b"*")[0] or self.raw, b""

    @property
    def body(self) -> str:
        """Its body, also where the CRC is wrong."""
        return self._parts[0].decode("ascii", "replace")

    @property
    def wanted_crc(self) -> bytes:
        return b"%04X" % crc16(self._parts[0])

    @property
    def kind(self) -> str:
        return self.body.split(",", 1)[0]

    @cached_property
    def fields(self) -> tuple[str, ...]:
        return tuple(self.body.split(",")[1:])

    @cached_property
    def pairs(self) -> dict[str, str]:
        """Of a ``hello``; the first where a key stands twice."""
        found: dict[str, str] = {}
        for part in self.fields:
            key, sign, value = part.partition("=")
            if sign:
                found.setdefault(key, value)
        return found

    @property
    def faults(self) -> tuple[tuple[str, str], ...]:
        """Rules of form that it breaks, each with what was expected."""
        body, crc = self._parts
        found = []
        if self.length > LINE_MAX_BYTES:
            found.append(("length", f"at most {LINE_MAX_BYTES} bytes, here {self.length}"))
        if not crc:
            found.append(("crc", f"...*{self.wanted_crc.decode()} at its end"))
        elif crc.upper() != self.wanted_crc:
            found.append(("crc", f"*{self.wanted_crc.decode()}"))
        elif crc != self.wanted_crc:
            found.append(("crc-digits", f"*{self.wanted_crc.decode()}"))
        if not _BODY(body):
            found.append(
                ("characters", "characters 20h to 7Eh, no *, a kind in lower-case letters")
            )
        return tuple(found)


def told_faults(lines: Iterable[Line], *codes: str) -> list[Line]:
    """``fault`` lines of these codes."""
    return [
        line
        for line in lines
        if line.kind == "fault" and line.fields[1:2] and line.fields[1] in codes
    ]
