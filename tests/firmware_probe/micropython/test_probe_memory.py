"""What the firmware in Python remembers: flash full, worn, damaged, cut short. The board's own file system, littlefs."""

from pathlib import Path

import pytest

from firmware_probe.interpreter.process import Interpreter
from firmware_probe.line_format import command
from tests.support.interpreter_bench import (
    Night,
    faults,
    hellos,
    kinds,
    needs_interpreter,
    started,
    steady,
)

pytestmark = [pytest.mark.firmware, needs_interpreter]

BLOCKS = 64


def first_hello(board: Interpreter) -> dict[str, str]:
    """Of a start; ``faults``: told in the second after it."""
    board.boot(averages=1)
    night = Night(board)
    night.go_on(1.1)
    found = hellos(night.said)[0]
    found["faults"] = ",".join(body.split(",")[2] for body in kinds(night.said, "fault"))
    return found


def test_a_new_board_names_itself_once_and_starts_open(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        board.tell(f"flash {BLOCKS}")
        first, second = first_hello(board), first_hello(board)
        assert (first["boot"], first["load"], first["opened"]) == ("1", "0", "new")
        assert second["board"] == first["board"]
        assert second["boot"] == "2"
    with started(tmp_path / "other") as board:
        assert first_hello(board)["board"] != first["board"]


@pytest.mark.parametrize(
    ("spoiled", "bytes_in_it"),
    [
        ((0,), ""),
        ((1,), ""),
        ((0,), "00" * 21),
        ((1,), "ff" * 21),
        ((0,), "01" * 21),
        ((1,), "a5" * 200),
    ],
)
def test_one_damaged_file_leaves_the_other_in_force(
    tmp_path: Path, spoiled: tuple[int, ...], bytes_in_it: str
) -> None:
    with started(tmp_path) as board:
        board.boot(averages=1)
        night = Night(board)
        night.tell(command("cutoff", "3.000000", "500"))
        night.go_on(0.2)
        night.tell(command("load", "1"))
        night.go_on(0.2)
        name = hellos(night.said)[0]["board"]
        for slot in spoiled:
            (tmp_path / f"probe.{slot}").write_bytes(bytes.fromhex(bytes_in_it))
        found = first_hello(board)
    # The last write or the one before it: cutoff either way, and never a load that was not asked for.
    assert found["board"] == name
    assert found["cutoff_v"] == "3.000000"
    assert found["boot"] == "2"
    assert found["load"] in ("0", "1")


def test_both_damaged_is_another_board_that_starts_open(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        before = first_hello(board)
        for slot in (0, 1):
            (tmp_path / f"probe.{slot}").write_bytes(b"\xff" * 21)
        after = first_hello(board)
    assert after["board"] != before["board"], "or its counters would be taken for going on"
    assert (after["boot"], after["load"], after["opened"]) == ("1", "0", "new")


@pytest.mark.parametrize("order", ["fill", "worn 1"])
def test_flash_that_takes_nothing_is_told_and_forgets_only_the_change(
    tmp_path: Path, order: str
) -> None:
    with started(tmp_path) as board:
        board.tell(f"flash {BLOCKS}")
        board.boot(averages=1)
        night = Night(board)
        night.tell(command("cutoff", "3.000000", "500"))
        night.go_on(0.2)
        night.tell(command("load", "1"))
        night.go_on(1.2)
        assert faults(night.said, "memory") == []
        board.tell(order)
        night.tell(command("cutoff", "2.500000", "500"), command("load", "0"))
        told = night.go_on(1.2)
        assert not told.closed, "opened even so"
        kept = order == "fill" and not faults(night.said, "memory")
        assert kept or faults(night.said, "memory") == [""]
        starts = [first_hello(board) for _ in range(5)]
    if kept:  # a file system may keep room for small files
        assert {found["cutoff_v"] for found in starts} == {"2.500000"}
        return
    assert {found["cutoff_v"] for found in starts} == {"3.000000"}
    assert {found["board"] for found in starts} == {hellos(night.said)[0]["board"]}
    assert all("memory" in found["faults"] for found in starts)
    # Starts that the memory cannot count must not look like one and the same.
    assert len({found["boot"] for found in starts}) == 5


def test_wear_is_spread_and_seldom(tmp_path: Path) -> None:
    """300 starts: two small files in turn, which the file system moves about."""
    with started(tmp_path) as board:
        board.tell(f"flash {BLOCKS}")
        for _ in range(300):
            board.boot(averages=1)
        _, greatest, total = board.ask("wear")
    # NOR flash bears 100,000 erasures of a block (common practice, no source).
    assert int(greatest) < 20 * 300
    assert int(total) < 40 * 300


def test_nothing_is_written_while_it_measures(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        board.tell(f"flash {BLOCKS}")
        board.boot(averages=1)
        before = board.ask("wear")
        board.host(command("start"))
        board.run(steady(board, 4000))
        assert board.ask("wear") == before
