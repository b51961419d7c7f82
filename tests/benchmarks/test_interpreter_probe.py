"""How slow may a board's interpreter be? Conversions caught and lost by each port, and what the firmware takes.

    DRAWBENCH_REQUIRE_FIRMWARE=1 pytest -s tests/benchmarks/test_interpreter_probe.py

The bus is played at 400 kHz, the interpreter's work as a time at each look at the clock, some five to a
conversion. Baseline, in the same run: the conversions that the sensor made. How fast a real board is, nobody measured.
"""

from pathlib import Path

import numpy as np
import pytest

from firmware_probe.interpreter.process import HEAP_BYTES
from firmware_probe.line_format import command
from logger.commands.interpreter_folder import BOARDS, board_files
from tests.support.board_output import bodies
from tests.support.interpreter_bench import (
    PAIR_US,
    kinds,
    needs_interpreter,
    play,
    started,
)

pytestmark = needs_interpreter

SECONDS = 4.0
LOOKS_US = (20, 100, 200, 400, 800)
PORTS = ("rp2", "esp32", "samd", "circuit")


def caught(folder: Path, port: str, averages: int, look_us: int) -> tuple[int, int, int]:
    """(made by the sensor, fetched, told as missed) in ``SECONDS``."""
    pair_us = PAIR_US * averages
    with started(folder) as board:
        board.set("look_us", look_us)
        board.boot(port, averages=averages, costs=True)
        board.host(command("start"))
        ends_us = np.arange(1, round(SECONDS * 1e6) // pair_us, dtype=np.int64) * pair_us
        alike = np.ones(len(ends_us), dtype=np.int64)
        sent = play(board, ends_us, 500 * alike, 1100 * alike)
        told = board.run(int(ends_us[-1]) + 2_000_000)
    faults = (body.split(",") for body in kinds(bodies(sent + told.sent), "fault"))
    missed = sum(int(fields[3]) for fields in faults if fields[2] == "missed")
    assert told.read + told.lost <= len(ends_us) <= told.read + told.lost + 2
    return len(ends_us), told.read, missed


@pytest.mark.parametrize("port", PORTS)
def test_caught_and_lost(tmp_path: Path, port: str) -> None:
    print(f"\n{port}: share of the sensor's conversions that was fetched / told as missed")
    print("averages " + "".join(f"{look:>14} us" for look in LOOKS_US))
    for averages in (1, 4, 8):
        cells = []
        for look_us in LOOKS_US:
            made, read, missed = caught(tmp_path / "memory", port, averages, look_us)
            assert abs(made - read - missed) <= 0.01 * made + 2, "what was lost is told"
            cells.append(f"{read / made:8.3f} /{missed / made:6.3f}")
            if averages == 4 and look_us <= 100:
                assert read / made > 0.99
        print(f"{averages:8} " + " ".join(cells))


def test_what_it_takes(tmp_path: Path) -> None:
    with started(tmp_path, HEAP_BYTES) as board:
        board.boot()
        _, used, objects, free = board.ask("heap")
    print(
        f"\nheap of a 64-bit interpreter, bench included: {used} bytes, of these objects {objects}"
    )
    for name, what in BOARDS.items():
        content = board_files(what)
        print(f"{name}: {len(content)} files, {sum(map(len, content.values()))} bytes")
    assert int(used) < HEAP_BYTES / 2
    assert int(free) > 0
