"""A board whose lines were made beforehand: for measuring how fast a reader is.

It looks like a simulated board to ``serve.BoardServer`` and answers commands, but its
window lines are bytes in memory, valid and in order, sent as fast as they are taken.
"""

from typing import Final

from firmware_probe.line_format import PROTOCOL_VERSION, crc16, fixed, frame
from firmware_probe.twin.board_commands import Refused, parse_command

_BOARD: Final = "CA22ED00"
_MEAN_TENTH_UA: Final = 2_000_000


def window_lines(count: int, window_us: int = 10_000, first_sequence: int = 0) -> bytes:
    """``count`` valid ``w`` lines of a load of 200 mA on a pack that falls slowly from 4.6 V.

    Charge and energy are those of the lines' own means. About 100 bytes a line.
    """
    lines = []
    energy_nwh = 0.0
    for number in range(first_sequence, first_sequence + count):
        end_us = (number + 1) * window_us
        pack_uv = 4_600_000 - number // 8 % 1_900_000
        # nAh = 1e-4 mA x us / 3.6e7; ripple of 50 steps keeps lines from being all alike.
        current = _MEAN_TENTH_UA + number % 50
        charge_nah = _MEAN_TENTH_UA * end_us // 36_000_000
        energy_nwh += current * pack_uv * window_us / 3.6e13
        body = (
            f"w,{number},{end_us},9,{fixed(pack_uv, 6)},{fixed(pack_uv - 8000, 6)},"
            f"{fixed(pack_uv - 20000, 6)},{fixed(current, 4)},{fixed(current - 3000, 4)},"
            f"{fixed(current + 3000, 4)},{fixed(charge_nah, 6)},{fixed(int(energy_nwh), 6)}"
        ).encode("ascii")
        lines.append(b"%s*%04X\n" % (body, crc16(body)))
    return b"".join(lines)


class CannedBoard:
    """Sends ``lines`` once after ``start``; answers ``identify`` with a ``hello``, the rest with ``ok``.

    ``bytes_per_s``: board-time rate, 0 for as fast as they are taken (time factor 0).
    """

    def __init__(self, lines: bytes, *, window_us: int = 10_000, bytes_per_s: float = 0.0) -> None:
        self.time_factor = 0.0
        self.window_us = window_us
        self.link_down_left_us = 0
        self._lines = memoryview(lines)
        self._sent = 0
        self._due = 0.0
        self._bytes_per_s = bytes_per_s
        self._running = False
        self._answers: list[bytes] = []
        self._received = b""

    @property
    def is_idle(self) -> bool:
        return not self._running or self.is_done

    @property
    def is_done(self) -> bool:
        """All lines were handed to the server."""
        return self._sent >= len(self._lines)

    def receive(self, data: bytes) -> None:
        *lines, self._received = (self._received + data).replace(b"\r", b"\n").split(b"\n")
        for line in lines:
            if line:
                self._answers.append(frame(self._answer(line)))

    def advance(self, duration_us: int) -> bytes:
        """Answers, then up to 64 kB of lines."""
        output = b"".join(self._answers)
        self._answers.clear()
        if not self._running or duration_us <= 0:
            return output
        take = 65_536
        if self._bytes_per_s:
            self._due += self._bytes_per_s * duration_us * 1e-6
            take = int(self._due)
            self._due -= take
        part = self._lines[self._sent : self._sent + take]
        self._sent += len(part)
        return output + bytes(part)

    def reset(self, cause: str = "reset") -> None:
        """It forgets that it was started."""
        self._running = False

    def _answer(self, line: bytes) -> str:
        try:
            command = parse_command(line)
        except Refused as refused:
            return f"no,{refused.name},{refused.reason}"
        if command.name == "identify":
            return (
                f"hello,protocol={PROTOCOL_VERSION},firmware=simulated-canned,board={_BOARD},boot=1,"
                "cause=power,sensor=INA219,address=40,shunt_ohm=0.1000,range_ma=3200.0000,"
                f"bus_range_v=32.000,window_us={self.window_us},load=-,cutoff_v=0.000000,hold_ms=0,"
                f"running={int(self._running)},time_us=0,time_factor={self.time_factor:g}"
            )
        if command.name in ("start", "stop"):
            self._running = command.name == "start"
        return f"ok,{command.name}"
