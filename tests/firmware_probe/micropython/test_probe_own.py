"""What an INA228 counts itself, as the firmware in Python tells it: against sums of the conversions made here."""

from pathlib import Path

import numpy as np
import pytest

from firmware_probe.line_format import command
from tests.support.board_output import bodies
from tests.support.interpreter_bench import (
    Night,
    faults,
    kinds,
    needs_interpreter,
    play,
    started,
)

pytestmark = [pytest.mark.firmware, needs_interpreter]

PAIR_US = 1130
# Register 09h counts in 16 x 3.2 current steps x volt; a bus step of 195.3125 uV is 3.2 / 2^14 V (TI SBOSA20).
ENERGY_SHIFT = 18


def test_it_is_the_sensors_own_sum_at_the_windows_end(tmp_path: Path) -> None:
    count = 24_000
    rng = np.random.default_rng(5)
    ends_us = PAIR_US * np.arange(1, count + 1, dtype=np.int64)
    shunt = rng.integers(-200_000, 100_000, count)
    bus = rng.integers(15_000, 25_000, count)
    with started(tmp_path) as board:
        board.chip("INA228", 0x41)
        board.boot(averages=1)
        board.host(command("start"))
        said = bodies(play(board, ends_us, shunt, bus))
    owns = [tuple(map(int, body.split(",")[1:])) for body in kinds(said, "own")]
    assert len(owns) == 3
    span_us = np.diff(ends_us)
    charge = np.concatenate([[0], np.cumsum(shunt[1:] * span_us)])
    energy = np.concatenate([[0], np.cumsum(np.abs(shunt[1:]) * bus[1:] * span_us)])
    for sequence, clears, own_charge, own_energy, die in owns:
        window = next(body for body in said if body.startswith(f"w,{sequence},"))
        at = said.index(window)
        assert said[at + 1].startswith("own,"), "right after its window's line"
        last = int(np.searchsorted(ends_us, int(window.split(",")[2]), side="right")) - 1
        assert clears == 1
        assert own_charge == charge[last] // 1_000_000
        assert own_energy == energy[last] // 1_000_000 >> ENERGY_SHIFT
        assert die == 3200  # 25 degrees in 7.8125 m degrees
    assert owns[-1][2] < 0


def test_lost_and_found_it_is_cleared_and_says_so(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        board.chip("INA228")
        board.boot(averages=1)
        night = Night(board, shunt=16_000, bus=22_528)
        night.tell(command("start"))
        night.go_on(2)
        board.set("absent", 1)
        night.go_on(2)
        board.set("absent", 0)
        night.go_on(2)
        night.tell(command("stop"), command("start"))
        night.go_on(1)
    owns = [tuple(map(int, body.split(",")[1:])) for body in kinds(night.said, "own")]
    assert [own[1] for own in owns] == [1, 2, 2]
    assert faults(night.said, "swap") == []
    assert {body.split(",")[7] for body in kinds(night.said, "w")} == {"50.0000"}


def test_a_host_that_does_not_read_gets_no_stale_count(tmp_path: Path) -> None:
    """Read late it would not be the window's."""
    with started(tmp_path) as board:
        board.chip("INA228")
        board.boot(averages=1)
        night = Night(board, shunt=16_000, bus=22_528)
        night.tell(command("start"))
        board.set("room", 0)
        night.go_on(15)
        board.set("room", -1)
        night.go_on(12)
    owns = [body.split(",") for body in kinds(night.said, "own")]
    at_us = {body.split(",")[1]: int(body.split(",")[2]) for body in kinds(night.said, "w")}
    assert len(owns) >= 2
    for own in owns:
        # 16000 counts for as many seconds as there were until then, but for 30 ms and the first pair
        assert int(own[3]) == pytest.approx(16_000 * at_us[own[1]] * 1e-6, abs=16_000 * 0.035)


@pytest.mark.parametrize(("counts", "told"), [(1279, False), (1282, True), (-1282, True)])
def test_its_smaller_counts_tell_of_a_switch_that_does_not_open(
    tmp_path: Path, counts: int, told: bool
) -> None:
    """400 uV of 312.5 nV each."""
    with started(tmp_path) as board:
        board.chip("INA228")
        board.boot(averages=1)
        night = Night(board, shunt=counts, bus=22_528)
        night.go_on(2)
    assert bool(faults(night.said, "switch")) == told


@pytest.mark.parametrize("averages", [1, 2, 4, 8, 16])
def test_times_of_its_averages(tmp_path: Path, averages: int) -> None:
    """Against the twin's decoding of the register, which is written from the data sheet by itself."""
    from dataclasses import replace

    from firmware_probe.twin.sensor import INA228, CurrentSensor

    with started(tmp_path) as board:
        board.chip("INA228")
        told = board.boot(averages=averages)
    sensor = replace(
        CurrentSensor(INA228, shunt_ohm=0.1), configuration_value=told.configuration_value
    )
    assert told.pair_us == sensor.pair_time_ns // 1000
