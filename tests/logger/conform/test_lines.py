"""The form of one line."""

import pytest

from logger.conform.lines import Line


def line(raw: bytes) -> Line:
    return Line(raw, 0.0, 0, True, len(raw) + 1)


@pytest.mark.parametrize(
    ("raw", "rules"),
    [
        # Check value of CRC-16/XMODEM: 123456789 gives 31C3 (PROTOCOL.md).
        (b"123456789*31C3", ["characters"]),
        (b"ok,stop*9E34", []),
        (b"ok,stop*9e34", ["crc-digits"]),
        (b"ok,stop*9E35", ["crc"]),
        (b"ok,stop", ["crc"]),
        (b"OK,stop*C5CA", ["characters"]),
        (b"ok,s\ttop*0000", ["crc", "characters"]),
        (b"", ["crc", "characters"]),
    ],
)
def test_which_rules_a_line_breaks(raw: bytes, rules: list[str]) -> None:
    assert [rule for rule, _ in line(raw).faults] == rules


def test_what_it_says_is_read_although_its_crc_is_wrong() -> None:
    hello = line(b"hello,board=7F3A91C2,boot=1,boot=2*0000")
    assert hello.kind == "hello"
    assert hello.pairs == {"board": "7F3A91C2", "boot": "1"}
