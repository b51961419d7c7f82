"""Ten million random and damaged commands, two million lines: nothing breaks, nothing wrong gets in."""

from math import sqrt
from pathlib import Path
from subprocess import run

import pytest

from tests.support.firmware_host import build

# Needs a C++ compiler.
pytestmark = pytest.mark.firmware

COMMANDS = 10_000_000
LINES = 2_000_000


@pytest.mark.slow
def test_parser_and_line_writer_survive_ten_million_inputs(tmp_path: Path) -> None:
    program = build("fuzz", tmp_path)
    done = run(
        [str(program), "20261125", str(COMMANDS), str(LINES)],
        capture_output=True,
        text=True,
        check=False,
        timeout=280,
    )
    assert done.returncode == 0, done.stdout + done.stderr[-2000:]
    counts = {name: int(count) for name, count in map(str.split, done.stdout.splitlines())}
    assert counts["whole"] > COMMANDS / 10
    assert counts["damaged"] > COMMANDS / 4
    # A 16-bit CRC finds every burst of up to 16 bits (Peterson and Brown 1961, from memory).
    assert counts["burst"] > COMMANDS / 5
    assert counts["burst_accepted"] == 0
    # Other damage slips through at most once in 2^16; five standard deviations of room.
    for kind in ("damaged", "noise"):
        odds = counts[kind] / 2**16
        assert counts[f"{kind}_accepted"] <= odds + 5 * sqrt(odds)
    # What slips through has still to be a command with fields in range.
    assert counts["damaged_obeyed"] <= counts["damaged_accepted"] / 2 + 3
