"""What goes wrong around the firmware in Python: each thing named, nothing lost, nothing invented."""

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from firmware_probe.interpreter.process import Told
from firmware_probe.line_format import command
from tests.support.board_output import bodies
from tests.support.interpreter_bench import (
    PAIR_US,
    Night,
    faults,
    hellos,
    kinds,
    needs_interpreter,
    play,
    started,
    steady,
)

pytestmark = [pytest.mark.firmware, needs_interpreter]

# 500 counts of 10 uV over 0.1 ohm: 50 mA (TI SBOS448).
SHUNT, CURRENT_MA = 500, 50.0
# A night was played once by hand; the interpreter's clock wraps after 1074 s.
SILENT_S = 1200
PORTS = ("rp2", "esp32", "samd", "circuit")


@pytest.mark.parametrize("port", PORTS)
def test_absent_sensor_and_its_coming(tmp_path: Path, port: str) -> None:
    with started(tmp_path) as board:
        board.set("absent", 1)
        board.boot(port, averages=1)
        night = Night(board)
        night.tell(command("start"))
        night.go_on(3)
        assert hellos(night.said)[0]["sensor"] == "none"
        assert len(faults(night.said, "sensor")) == 3, "once a second"
        assert not kinds(night.said, "w")
        board.set("absent", 0)
        night.tell(command("identify"))
        night.go_on(3)
    assert hellos(night.said)[-1]["sensor"] in ("none", "INA219")
    first, *_, last = (body.split(",") for body in kinds(night.said, "w"))
    # time without a sensor belongs to the first window that has conversions
    assert 3e6 < int(first[2]) < 4.3e6
    assert float(last[10]) == pytest.approx(CURRENT_MA * int(last[2]) / 3.6e9, rel=1e-5)


@pytest.mark.parametrize("port", PORTS)
@pytest.mark.parametrize("tries", [0, 5, -1], ids=["freed", "freed-later", "for-good"])
def test_stuck_bus(tmp_path: Path, port: str, tries: int) -> None:
    with started(tmp_path) as board:
        board.boot(port, averages=1)
        night = Night(board)
        night.tell(command("start"))
        night.go_on(1)
        board.set("hung_tries", tries)
        board.set("hung", 1)
        night.go_on(2)
        stuck = len(night.said)
        if tries < 0:
            board.set("hung", 0)
        night.go_on(2)
    assert faults(night.said, "bus")
    assert len(hellos(night.said)) == 1, "the board must not restart over it"
    times_us = [int(body.split(",")[2]) for body in kinds(night.said, "w")]
    longest_us = max(b - a for a, b in itertools.pairwise(times_us))
    assert longest_us < {0: 350_000, 5: 1_000_000, -1: 3_300_000}[tries]
    assert bool(faults(night.said[stuck:], "bus")) == (tries < 0) or not faults(
        night.said[stuck:], "sensor"
    )
    last = kinds(night.said, "w")[-1].split(",")
    assert float(last[10]) == pytest.approx(CURRENT_MA * int(last[2]) / 3.6e9, rel=1e-5)


def test_blind_with_a_cutoff_it_opens(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        board.boot(averages=1)
        night = Night(board)
        night.tell(command("load", "1"), command("cutoff", "3.000000", "1000"))
        assert night.go_on(1).closed
        board.set("absent", 1)
        assert night.go_on(29).closed
        assert not night.go_on(3).closed
    assert kinds(night.said, "load")[-1].endswith(",0,sensor")


def test_cutoff_opens_once_held_and_stays_tripped_over_a_reset(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        board.boot(averages=1)
        night = Night(board)
        night.tell(command("load", "1"), command("cutoff", "3.000000", "2000"))
        night.go_on(1)
        night.bus = 740  # 2.96 V and 5 mV over the shunt
        assert night.go_on(1.9).closed
        assert not night.go_on(0.4).closed
        assert kinds(night.said, "load")[-1].endswith(",0,cutoff")
        board.boot(cause="brownout", averages=1)
        night.bus = 1100
        night.said.clear()
        night.tell(command("load", "1"))
        assert not night.go_on(1).closed
        assert hellos(night.said)[0]["load"] == "0"
        assert hellos(night.said)[0]["opened"] == "cutoff"
        assert hellos(night.said)[0]["cutoff_v"] == "3.000000"
        assert hellos(night.said)[0]["hold_ms"] == "2000"
        assert faults(night.said, "brownout") == [""]
        assert "no,load,tripped" in night.said
        night.tell(command("load", "0"), command("load", "1"), command("load", "1", "1"))
        assert night.go_on(1).closed
    assert [body for body in night.said if body.startswith(("ok,load", "no,load"))] == [
        "no,load,tripped", "ok,load", "no,load,tripped", "ok,load",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("shunt", "told"), [(0, False), (40, False), (41, True), (-500, True), (500, True)]
)
def test_switch_that_does_not_open(tmp_path: Path, shunt: int, told: bool) -> None:
    """Above 400 uV over the shunt, 40 counts of 10 uV, half a second after it opened."""
    with started(tmp_path) as board:
        board.boot(averages=1)
        night = Night(board)
        night.tell(command("load", "1"))
        night.go_on(2)
        opened_us = night.now_us
        night.said.clear()
        night.tell(command("load", "0"))
        night.shunt = shunt
        night.go_on(1.2)
    found = [body.split(",") for body in kinds(night.said, "fault") if ",switch," in body]
    assert bool(found) == told
    if told:
        assert 0.74e6 < int(found[0][1]) - opened_us < 1.0e6
        assert float(found[0][3]) == pytest.approx(shunt / 10, abs=1e-4)


def test_missed_conversions_are_counted(tmp_path: Path) -> None:
    """A sensor that went on while the board was busy: the gap in time, in whole conversions."""
    with started(tmp_path) as board:
        board.boot(averages=1)
        ends_us = PAIR_US * np.arange(1, 2001, dtype=np.int64)
        ends_us[500:] += 7 * PAIR_US
        ends_us[1500:] += 12 * PAIR_US
        alike = np.ones(2000, dtype=np.int64)
        sent = play(board, ends_us, SHUNT * alike, 1100 * alike)
        sent += board.run(int(ends_us[-1]) + 1_000_000).sent
    assert [int(detail) for detail in faults(bodies(sent), "missed")] == [7, 12]


def paced(folder: Path, look_us: int, clock: float) -> tuple[int, list[int]]:
    """3000 conversions of a sensor with its own clock: (overwritten unread, told as missed line by line).

    ``look_us``: what each look at the time costs, and so the interpreter's work.
    """
    with started(folder) as board:
        board.set("look_us", look_us)
        board.boot(averages=1, costs=True)
        ends_us = (PAIR_US * clock * np.arange(1, 3001)).astype(np.int64)
        alike = np.ones(3000, dtype=np.int64)
        sent = play(board, ends_us, SHUNT * alike, 1100 * alike)
        told = board.run(int(ends_us[-1]) + 2_000_000)
    return told.lost, [int(detail) for detail in faults(bodies(sent + told.sent), "missed")]


@pytest.mark.parametrize("look_us", [20, 230, 250, 270, 300, 400, 800])
def test_an_interpreter_that_is_too_slow_says_how_much_it_lost(
    tmp_path: Path, look_us: int
) -> None:
    """The sensor counts what it overwrote unread: as much is told, however little each one is late."""
    lost, missed = paced(tmp_path, look_us, 1.0)
    assert (lost > 20) == (look_us > 20)
    assert sum(missed) == pytest.approx(lost, abs=2, rel=0.02)


@pytest.mark.parametrize("clock", [0.95, 586 / 532])
def test_a_sensors_clock_that_is_off_is_no_loss(tmp_path: Path, clock: float) -> None:
    """SBOS448G gives 532 us typical and 586 us at most."""
    assert paced(tmp_path, 20, clock) == (0, [])


@pytest.mark.parametrize(("look_us", "clock"), [(230, 586 / 532), (270, 0.92), (300, 1.09)])
def test_where_none_is_waited_for_the_sensors_clock_is_all_that_is_doubtful(
    tmp_path: Path, look_us: int, clock: float
) -> None:
    """What is told is then off by no more than that clock, of all conversions: a tenth."""
    lost, missed = paced(tmp_path, look_us, clock)
    assert abs(sum(missed) - lost) <= abs(clock - 1) * 3000 * 1.05


def test_host_silent_over_the_clocks_wrap(tmp_path: Path) -> None:
    """Nobody reads, the port is full: lines are lost, which the numbers tell; the cutoff works, charge is whole."""
    with started(tmp_path) as board:
        board.boot(averages=16)
        board.host(command("load", "1") + command("cutoff", "3.000000", "1000") + command("start"))
        pair_us = 16 * PAIR_US
        now_us = 0

        def go_on(seconds: float, bus: int) -> Told:
            nonlocal now_us
            count = round(seconds * 1e6) // pair_us
            ends_us = now_us + pair_us * np.arange(1, count + 1, dtype=np.int64)
            sent = play(board, ends_us, np.full(count, SHUNT), np.full(count, bus))
            now_us = int(ends_us[-1])
            told = board.run(now_us)
            return replace(told, sent=sent + told.sent)

        before = bodies(go_on(5, 1100).sent)
        board.set("room", 300)
        told = go_on(SILENT_S, 1100)
        assert told.closed
        kept = told.sent
        told = go_on(60, 700)
        assert not told.closed
        kept += told.sent
        assert len(kept) <= 300
        assert told.unfed_us < 1e6
        board.set("room", -1)
        found = bodies(kept + go_on(5, 1100).sent)
    assert [body for body in found if body.startswith("load,")][-1].endswith(",0,cutoff")
    windows = [body.split(",") for body in kinds([*before, *found], "w")]
    numbers = [int(fields[1]) for fields in windows]
    assert max(b - a for a, b in itertools.pairwise(numbers)) > 8 * SILENT_S
    last = windows[-1]
    assert int(last[2]) / 1e5 == pytest.approx(numbers[-1], rel=1e-3)
    assert float(last[10]) == pytest.approx(CURRENT_MA * int(last[2]) / 3.6e9, rel=1e-7)
    assert faults(found, "missed") == []


def test_three_hundred_resets_in_the_middle_of_lines(tmp_path: Path) -> None:
    """Each start has its own number; the hello stands alone, whatever half line went before it."""
    with started(tmp_path) as board:
        boots, torn = [], b""
        now_us = 0
        for number in range(300):
            causes = ("reset", "watchdog", "power", "brownout")
            torn += board.boot(cause=causes[number % 4], averages=1).sent
            board.host(command("start"))
            now_us = steady(board, 220 + number % 7, start_us=now_us)
            torn += board.run(now_us).sent
            torn = torn[: -(number % 50) or None]
        lines = torn.split(b"\n")
        whole = [line for line in lines if line.startswith(b"hello")]
    boots = [dict(i.split("=") for i in line.decode().split("*")[0].split(",")[1:])["boot"] for line in whole]  # fmt: skip
    assert boots == [str(number + 1) for number in range(300)]
    assert len({line.split(b"board=")[1][:8] for line in whole}) == 1
