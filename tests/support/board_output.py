"""What a board sent, read strictly: every CRC, length, character and count of decimals checked."""

import re

from firmware_probe.line_format import DECIMALS, LINE_MAX_BYTES, WINDOW_FIELDS, crc16


def bodies(output: bytes) -> list[str]:
    """Bodies of whole lines, every CRC, length and character checked."""
    found = []
    for line in output.split(b"\n")[:-1]:
        if not line:  # the LF before a hello
            continue
        body, _, check = line.rpartition(b"*")
        assert check == b"%04X" % crc16(body), line
        assert len(line) + 1 <= LINE_MAX_BYTES
        assert all(0x20 <= byte <= 0x7E and byte != 0x2A for byte in body)
        found.append(body.decode("ascii"))
    assert output == b"" or output.endswith(b"\n")
    return found


def windows(output: bytes) -> list[dict[str, int]]:
    """Window lines as integers of the smallest step, every count of decimals checked."""
    rows = []
    for body in bodies(output):
        kind, *fields = body.split(",")
        if kind != "w":
            continue
        row = {}
        for name, text in zip(WINDOW_FIELDS, fields, strict=True):
            decimals = DECIMALS.get(name, 0)
            assert re.fullmatch(rf"-?\d+\.\d{{{decimals}}}" if decimals else r"\d+", text), body
            row[name] = int(text.replace(".", ""))
        rows.append(row)
    return rows
