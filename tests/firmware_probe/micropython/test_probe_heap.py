"""Room and speed of the firmware in Python: nothing is allocated for a conversion, and small boards hold it."""

import itertools
from pathlib import Path

import pytest

from firmware_probe.interpreter.process import FIRMWARE
from firmware_probe.line_format import command
from logger.commands.interpreter_folder import BOARDS, board_files
from tests.support.board_output import bodies
from tests.support.interpreter_bench import kinds, needs_interpreter, started, steady

pytestmark = [pytest.mark.firmware, needs_interpreter]

# All that lies on the heap of a computer's interpreter: its words are twice a board's.
HEAP_BYTES = 192 * 1024


@pytest.mark.parametrize("kind", ["INA219", "INA226", "INA228"])
def test_a_conversion_takes_no_memory(tmp_path: Path, kind: str) -> None:
    """With the collector off, as many bytes are in use after 5000 conversions as before."""
    with started(tmp_path) as board:
        board.chip(kind)
        board.boot(averages=1)
        board.run(steady(board, 100))
        board.ask("bytes 10")
        assert board.ask("bytes 5000") == ("bytes", "0")


def test_it_runs_within_a_small_boards_memory(tmp_path: Path) -> None:
    """A minute at the shortest windows: collected again and again, no line lost, none invented."""
    with started(tmp_path, HEAP_BYTES) as board:
        board.boot(averages=1)
        board.host(command("window", "20000") + command("start"))
        now_us, sent = 0, b""
        for _ in range(240):
            now_us = steady(board, 235, start_us=now_us)
            sent += board.run(now_us).sent
    numbers = [int(body.split(",")[1]) for body in kinds(bodies(sent), "w")]
    assert len(numbers) > 2900
    assert all(b - a == 1 for a, b in itertools.pairwise(numbers))


@pytest.mark.parametrize("name", BOARDS)
def test_files_are_small(name: str) -> None:
    content = board_files(BOARDS[name])
    assert sum(map(len, content.values())) < 80_000
    # A board compiles one file at a time: text, syntax and code are in memory together.
    assert max(map(len, content.values())) < 16_000


def test_every_sum_of_a_conversion_is_a_small_integer() -> None:
    """On a 32-bit board a small integer has 31 bits; a greater one takes memory. Extremes of both sensors."""
    from firmware_probe.micropython.probe.window import Window

    assert FIRMWARE.is_dir()
    for bus, shunt in ((32767, 32766), (32767, -32766), (8000, 31999), (0, -31999)):
        window = Window()
        for _ in range(8191):
            window.add(bus, shunt, bus * 500 + shunt)
            assert abs(bus * shunt) < 2**30
        values = {name: value for name, value in vars(window).items() if name.startswith("_")}
        assert max(map(abs, values.values())) < 2**30, values
        window.add(bus, shunt, bus * 500 + shunt)
        window.fold()
        assert window.bus_sum == 8192 * bus
        assert window.bus_shunt_sum == 8192 * bus * shunt
        assert window.shunt_square_sum == 8192 * shunt * shunt


@pytest.mark.parametrize("bus", [524287, 523264, 1023, 0])
@pytest.mark.parametrize("shunt", [524286, 1023, -1, -524286])
def test_every_sum_of_20_bits_is_a_small_integer(bus: int, shunt: int) -> None:
    """Until the 512th conversion folds them."""
    from firmware_probe.micropython.probe.window import Window

    window = Window()
    window.use(wide=True)
    for _ in range(511):
        window.add_wide(bus, shunt, bus * 625 + shunt)
    values = {name: value for name, value in vars(window).items() if name.startswith("_")}
    assert max(map(abs, values.values())) < 2**30, values
    assert not window.full
    window.add_wide(bus, shunt, bus * 625 + shunt)
    assert window.bus_sum == 512 * bus
    assert window.shunt_sum == 512 * shunt
    assert window.bus_shunt_sum == 512 * bus * shunt
    assert window.shunt_square_sum == 512 * shunt * shunt


@pytest.mark.parametrize(("bus", "shunt"), [(500_000, 3), (7, 500_000), (7, -500_000)])
def test_a_window_of_20_bits_ends_where_32_bits_are_full(bus: int, shunt: int) -> None:
    """As on the boards that PROTOCOL.md's rounding is made for, whose sums have 32 bits."""
    from firmware_probe.micropython.probe.window import Window

    window = Window()
    window.use(wide=True)
    count = 0
    while not window.full:
        window.add_wide(bus, shunt, bus * 625 + shunt)
        count += 1
    assert (count - 1) * 500_000 <= 2**31 - 1 - 2**19 < count * 500_000
