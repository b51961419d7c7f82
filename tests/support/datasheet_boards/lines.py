"""Windows as the lines of firmware_probe/PROTOCOL.md, written from that page."""

import binascii
from collections.abc import Iterator

import numpy as np

from tests.support.datasheet_boards.errors import Boards
from tests.support.datasheet_boards.record import Windows


def framed(body: str) -> bytes:
    """Body, star, CRC-16/XMODEM in four digits, LF."""
    return f"{body}*{binascii.crc_hqx(body.encode(), 0):04X}\n".encode()


def hello(
    board: Boards, window_us: int, *, name: str = "7F3A91C2", running: int = 0, time_us: int = 0
) -> bytes:
    """Who the board says it is."""
    return framed(
        f"hello,protocol=1,firmware=1.0.0,board={name},boot=1,cause=power,sensor={board.sheet.kind},"
        f"address=40,shunt_ohm={board.shunt_ohm:.4f},range_ma={board.range_ma:.4f},"
        f"bus_range_v={board.bus_full_v:.3f},window_us={window_us},load=-,cutoff_v=0.000000,hold_ms=0,"
        f"running={running},time_us={time_us}"
    )


def fixed(value: float, decimals: int) -> str:
    """To the nearest step, halves away from zero, no minus before a nought."""
    steps = int(np.floor(abs(value) * 10**decimals + 0.5))
    text = f"{steps // 10**decimals}.{steps % 10**decimals:0{decimals}d}"
    return f"-{text}" if value < 0 and steps else text


def window_lines(windows: Windows) -> Iterator[bytes]:
    """Lines of all windows, ``fault`` lines of conversions beyond the range where the protocol has them."""
    for index in range(len(windows.time_us)):
        if windows.beyond[index]:
            yield framed(f"fault,{windows.time_us[index]},overflow,{windows.beyond[index]}")
        volts = (windows.pack_v, windows.pack_min_v, windows.bus_v)
        amps = (windows.current_ma, windows.current_min_ma, windows.current_max_ma)
        sums = (windows.charge_mah, windows.energy_mwh)
        fields = [
            str(index),
            str(windows.time_us[index]),
            str(windows.conversions[index]),
            *(fixed(float(column[index]), 6) for column in volts),
            *(fixed(float(column[index]), 4) for column in amps),
            *(fixed(float(column[index]), 6) for column in sums),
        ]
        yield framed(f"w,{','.join(fields)}")
