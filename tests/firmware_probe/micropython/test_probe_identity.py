"""Which sensor the firmware in Python takes, and how it says so: by number, by behaviour, told by the host, swapped."""

from pathlib import Path

import numpy as np
import pytest

from firmware_probe.interpreter.process import Interpreter
from firmware_probe.line_format import command
from tests.support.board_output import bodies
from tests.support.interpreter_bench import (
    PAIR_US,
    Night,
    faults,
    hellos,
    kinds,
    needs_interpreter,
    started,
)

pytestmark = [pytest.mark.firmware, needs_interpreter]


def boot_with(board: Interpreter, kind: str, address: int = 0x40) -> list[str]:
    """Start with conversions under way, bus and work taking time; what was said in the first second."""
    board.chip(kind, address)
    ends_us = board.now_us + PAIR_US * np.arange(1, 1001, dtype=np.int64)
    alike = np.ones(1000, dtype=np.int64)
    board.pairs(ends_us, 500 * alike, 3520 * alike)
    sent = board.boot(averages=1, costs=True).sent
    return bodies(sent + board.run(board.now_us + 1_000_000).sent)


@pytest.mark.parametrize(
    ("kind", "address", "line", "sensor", "where"),
    [
        ("INA219", 0x40, "sensor,behaviour,FFFF.FFFF", "INA219", "40"),
        ("INA219", 0x4F, "sensor,behaviour,FFFF.FFFF", "INA219", "4F"),
        ("INA226", 0x45, "sensor,number,5449.2260", "INA226", "45"),
        ("CLONE226", 0x41, "sensor,behaviour,FFFF.FFFF", "INA226", "41"),
        ("INA228", 0x40, "sensor,number,5449.2281", "INA228", "40"),
    ],
)
def test_who_it_is_and_how_that_is_known(
    tmp_path: Path, kind: str, address: int, line: str, sensor: str, where: str
) -> None:
    with started(tmp_path) as board:
        said = boot_with(board, kind, address)
    first, second = said[0], hellos(said)[0]
    assert first == line
    assert said[1].startswith("hello,"), "right after it"
    assert (second["sensor"], second["address"]) == (sensor, where)


def test_told_is_kept_and_looked_at_alone(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        board.chip("INA219", 0x44)
        board.boot(averages=1)
        night = Night(board)
        night.tell(command("address", "41"), command("identify"))
        night.go_on(1.5)
        assert "ok,address" in night.said
        assert hellos(night.said)[-1]["sensor"] == "none"
        board.boot(averages=1)
        night.said.clear()
        night.go_on(1)
        assert hellos(night.said)[0]["sensor"] == "none", "still there after a reset"
        night.said.clear()
        night.tell(command("address", "44"), command("sensor", "INA226"))
        night.go_on(2)
        assert hellos(night.said)[-1]["sensor"] == "INA226", "as it was told"
        assert kinds(night.said, "sensor")[-1].startswith("sensor,told,")
        night.tell(command("sensor", "auto"), command("address", "auto"))
        night.go_on(3)
        assert hellos(night.said)[-1]["sensor"] == "INA219"
        assert faults(night.said, "swap") == []


def test_told_while_it_measures_or_wrongly_is_refused(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        board.boot(averages=1)
        night = Night(board)
        for text in (
            "sensor,INA229", "sensor,ina219", "sensor,", "address,50", "address,4a", "address,0x40",
            "address,4", "sensor",
        ):  # fmt: skip
            night.tell(command(text))
        night.tell(command("start"), command("sensor", "INA219"), command("address", "40"))
        night.go_on(1)
    assert kinds(night.said, "no", "ok") == [
        "no,sensor,field", "no,sensor,field", "no,sensor,field", "no,address,range",
        "no,address,field", "no,address,field", "no,address,field", "no,sensor,field",
        "ok,start", "no,sensor,busy", "no,address,busy",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "address"), [("INA226", 0x40), ("INA219", 0x41), ("INA228", 0x40)]
)
def test_another_sensor_while_running_is_named(tmp_path: Path, kind: str, address: int) -> None:
    """Counts of the one never go into the sums of the other."""
    with started(tmp_path) as board:
        board.boot(averages=1)
        night = Night(board)
        night.tell(command("start"))
        night.go_on(2)
        before = len(night.said)
        # 50 mA and 4.4 V in the other's counts: 2.5 uV and 1.25 mV (TI SBOS547B).
        if kind == "INA226":
            night.shunt, night.bus = 2000, 3520
        elif kind == "INA228":  # 312.5 nV and 195.3125 uV (TI SBOSA20)
            night.shunt, night.bus = 16000, 22528
        board.chip(kind, address)
        night.go_on(4)
    after = night.said[before:]
    assert faults(after, "sensor")
    assert faults(after, "swap") == [""]
    found = hellos(after)[-1]
    assert (found["sensor"], found["address"]) == (kind, f"{address:02X}")
    windows = [body.split(",") for body in kinds(night.said, "w")]
    assert {fields[7] for fields in windows} == {"50.0000"}
    assert {fields[6] for fields in windows} == {"4.400000"}
    last = windows[-1]
    assert float(last[10]) == pytest.approx(50.0 * int(last[2]) / 3.6e9, rel=1e-5)


def test_the_same_sensor_again_is_no_swap(tmp_path: Path) -> None:
    with started(tmp_path) as board:
        board.boot(averages=1)
        night = Night(board)
        night.go_on(1)
        board.set("absent", 1)
        night.go_on(2)
        board.set("absent", 0)
        night.go_on(2)
    assert faults(night.said, "sensor")
    assert faults(night.said, "swap") == []


@pytest.mark.parametrize("kind", ["INA219", "INA226", "INA228"])
def test_the_longest_hello_fits_a_line(tmp_path: Path, kind: str) -> None:
    """300 bytes with the LF, all numbers as long as they get; board time up to three years."""
    with started(tmp_path) as board:
        board.setting("settings", "SHUNT_STEPS", 1)
        board.setting("settings", "AVERAGES", 16)
        board.chip(kind, 0x4F)
        board.boot("circuit")
        night = Night(board)
        night.tell(command("load", "1"), command("window", "60000000"), command("start"))
        night.tell(command("cutoff", "40.960000", "4294967295"))
        night.go_on(2)
        board.boot("circuit", cause="brownout")
        night.tell(command("window", "60000000"), command("start"), command("identify"))
        night.go_on(2)
    longest = max((body for body in kinds(night.said, "hello")), key=len)
    fields = dict(item.split("=", 1) for item in longest.split(",")[1:])
    assert fields["hold_ms"] == "4294967295"
    assert fields["window_us"] == "60000000"
    # boot, opened, time_us as long as they get; then the CRC and the LF.
    grown = len(longest) + 5 - len(fields["boot"]) + 6 - len(fields["opened"]) + 14 - len(fields["time_us"])  # fmt: skip
    assert grown + 6 <= 300
