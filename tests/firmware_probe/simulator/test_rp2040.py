"""The unchanged sketch on a simulated RP2040, through its I2C, UART, timer and watchdog registers.

The sensor and the circuit are those of the other bench; the Arduino core is our own few calls over the
chip's registers (``simulator/rp2040/core``), not the one that a person installs.
"""

import itertools
from pathlib import Path

import numpy as np
import pytest

from firmware_probe.line_format import command
from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.exact import (
    INA219,
    INA226,
    INA228,
    Units,
    check_windows,
    converted_pairs,
    read_pairs,
)
from tests.support.firmware_sim.toolchain import (
    needs_rp2040,
    needs_toolchain,
    rp2040_size_of,
    rp2040_sketch,
    sketch,
)

pytestmark = [pytest.mark.firmware, needs_rp2040]


def lively(folder: Path, *before: str) -> Script:
    """A vest's draw: steps within 20 ms, noise, a part that flows back into the pack."""
    folder.mkdir(parents=True, exist_ok=True)
    table = folder / "load.csv"
    table.write_text("0,48\n3000,310.5\n7000,12.25\n13000,-7\n15500,96\n", "ascii")
    return Script().at(
        0, *before, "pack-v 4.5", "pack-ohm 0.4", f"load-table 19777 {table}", "load-noise 9 11"
    )


def run(script: Script, folder: Path, seconds: float, *options: str) -> Outcome:
    return run_bench(
        rp2040_sketch(), script.at(0, "pack-v 4.5", "load-ma 100"), folder, seconds, *options
    )


def check_charge(outcome: Outcome, rel: float = 1e-3) -> None:
    """All of the steady 100 mA, whatever was missed of it."""
    last = outcome.windows[-1]
    assert float(last["charge_mah"]) == pytest.approx(100 * int(last["time_us"]) / 3.6e9, rel=rel)


# ---- conversions and sums -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sensor", "units", "pair_us"),
    [
        ("ina219", INA219, 2 * 532),
        ("ina226", INA226, 2 * 588),
        ("ina228", INA228, 540 + 540 + 50),
    ],
)
def test_every_conversion_exactly_once(
    tmp_path: Path, sensor: str, units: Units, pair_us: int
) -> None:
    script = lively(tmp_path, f"sensor {sensor} 45").host(0.3, "start")
    outcome = run_bench(rp2040_sketch(), script, tmp_path, 4)
    assert outcome.hellos[0]["sensor"] == sensor.upper()
    assert not outcome.void
    assert not outcome.of("fault")
    begin, end = check_windows(converted_pairs(outcome), outcome.windows, units)
    assert (outcome.conversions["shunt_reads"][begin:end] == 1).all()
    ends = np.array([int(window["time_us"]) for window in outcome.windows])
    # SBOS448G, SBOS547B; the INA228's from memory: so long takes a pair
    assert (end - begin) * pair_us == pytest.approx(
        ends[-1] - ends[0] + ends[1] - ends[0], rel=2e-3
    )
    assert [int(w["sequence"]) for w in outcome.windows] == list(range(len(outcome.windows)))


def test_9_bit_as_fast_as_the_bus(tmp_path: Path) -> None:
    script = lively(tmp_path).host(0.3, "start")
    outcome = run_bench(rp2040_sketch("-DINA219_BITS=9"), script, tmp_path, 2)
    assert not outcome.void
    assert not outcome.of("fault")
    check_windows(read_pairs(outcome), outcome.windows, INA219)
    assert (outcome.conversions["shunt_reads"] <= 1).all()


@needs_toolchain
@pytest.mark.parametrize(
    ("sensor", "shunt", "bus"), [("ina219", 1234, 1111), ("ina226", -20007, 3601)]
)
def test_same_lines_as_on_the_avr(tmp_path: Path, sensor: str, shunt: int, bus: int) -> None:
    """Same conversions, same commands: alike to the byte but for name, times, and what grows with time."""
    heard = []
    for name, image in (("avr", sketch()), ("rp2040", rp2040_sketch())):
        script = Script().at(0, f"sensor {sensor} 4A", f"sensor-force {shunt} {bus}")
        script.at(0, "switch-fitted").host(0.15, "load", "1", "1").host(0.3, "window", 50_000).host(
            0.4, "start"
        )
        script.host(0.6, "cutoff", "2.700000", "700").host(0.8, "dance").host(1.0, "load", "0")
        script.at(1.2, "send load,1*0000").host(1.4, "load", "1").host(1.6, "stop")
        script.host(1.8, "identify")
        outcome = run_bench(image, script, tmp_path / name, 2.2)
        assert not outcome.void
        heard.append([timeless(line.kind, line.fields) for line in outcome.lines])
    avr, rp2040 = ([line for line in lines if line[0] != "w"] for lines in heard)
    assert rp2040 == avr
    avr, rp2040 = ([line for line in lines if line[0] == "w"] for lines in heard)
    assert len(rp2040) == len(avr) > 20
    # a window may end one conversion earlier or later
    for ours, theirs in zip(rp2040, avr, strict=True):
        assert ours[:2] + ours[3:] == theirs[:2] + theirs[3:]
        assert abs(int(ours[2]) - int(theirs[2])) <= 1


def timeless(kind: str, fields: tuple[str, ...]) -> tuple[str, ...]:
    """A line without the board's name, its times and its counters of charge and energy."""
    if kind == "w":
        return (kind, fields[0], *fields[2:9])
    if kind in ("load", "fault"):
        return (kind, *fields[1:])
    return (kind, *(field for field in fields if not field.startswith(("board=", "time_us="))))


# ---- what goes wrong ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "end"),
    [("bus sda-low 9", ""), ("bus sda-low", "bus free"), ("bus scl-low", "bus free")],
)
def test_hung_bus(tmp_path: Path, fault: str, end: str) -> None:
    script = Script().host(0.3, "start").at(1, fault)
    if end:
        script.at(2.2, end)
    outcome = run(script, tmp_path, 5)
    assert outcome.faults("bus")
    assert len(outcome.hellos) == 1, "the board must not restart over it"
    times_us = [int(window["time_us"]) for window in outcome.windows]
    assert max(b - a for a, b in itertools.pairwise(times_us)) < (3.5e6 if end else 0.5e6)
    assert times_us[-1] > 4.8e6
    check_charge(outcome)


def test_absent_sensor_and_its_coming(tmp_path: Path) -> None:
    script = Script().at(0, "sensor-absent").host(0.5, "start").at(2, "sensor-present")
    outcome = run(script.host(4, "identify"), tmp_path, 4.5)
    assert outcome.hellos[0]["sensor"] == "none"
    assert outcome.faults("sensor")
    assert outcome.hellos[-1]["sensor"] == "INA219"
    check_charge(outcome)


def test_sensor_falls_off_and_comes_back(tmp_path: Path) -> None:
    script = Script().host(0.3, "start").at(1, "sensor-absent").at(2, "sensor-present")
    outcome = run(script, tmp_path, 4.5)
    assert outcome.faults("sensor")
    assert int(outcome.windows[-1]["time_us"]) > 4.3e6
    check_charge(outcome)


@pytest.mark.parametrize(
    ("command", "cause"),
    # the chip does not tell a brown-out from power-on
    [("reset external", "reset"), ("reset brownout", "power"), ("stall", "watchdog")],
)
def test_restart_is_told_and_loses_no_charge_before_it(
    tmp_path: Path, command: str, cause: str
) -> None:
    script = Script().host(0.3, "start").at(2.05, command).host(5.3, "start")
    outcome = run(script, tmp_path, 6.5)
    before, after = outcome.hellos[0], outcome.hellos[-1]
    assert len(outcome.hellos) == 2
    assert after["cause"] == cause
    assert after["board"] == before["board"]
    assert int(after["boot"]) == int(before["boot"]) + 1
    second = [int(window["sequence"]) for window in outcome.windows].index(0, 1)
    for windows in (outcome.windows[:second], outcome.windows[second:]):
        check_windows(converted_pairs(outcome), windows, INA219)
    assert int(outcome.windows[second - 1]["time_us"]) > 1.8e6
    assert bool(outcome.faults("watchdog")) == (cause == "watchdog")


def test_nobody_reads_the_port(tmp_path: Path) -> None:
    """Lines wait and newer ones are lost, which their numbers tell; charge is not, and the cutoff opens the switch."""
    script = Script().at(0, "switch-fitted").host(0.3, "load", "1", "1").host(0.5, "start")
    script.host(0.7, "cutoff", "4.000000", "500").at(1, "host-silent")
    script.at(4, "pack-v 3.9").at(6, "host-reads").host(6.3, "identify")
    outcome = run(script, tmp_path, 7)
    assert not outcome.void
    sequences = [int(window["sequence"]) for window in outcome.windows]
    assert max(b - a for a, b in itertools.pairwise(sequences)) > 30
    opened_us = outcome.event_times("switch open")[-1]
    assert opened_us == pytest.approx(4.5e6, abs=5000)
    assert outcome.hellos[-1]["load"] == "0"
    assert [line.fields[2] for line in outcome.of("load")][-1] == "cutoff"
    closed_us = outcome.event_times("switch closed")[-1]
    assert float(outcome.windows[-1]["charge_mah"]) == pytest.approx(
        100 * (opened_us - closed_us) / 3.6e9, rel=2e-3
    )


def test_switch_that_does_not_open(tmp_path: Path) -> None:
    script = Script().at(0, "switch-fitted", "switch welded").host(0.3, "load", "1", "1")
    outcome = run(script.host(1, "load", "0"), tmp_path, 3)
    told = outcome.faults("switch")
    assert told
    assert float(told[-1].fields[2]) == pytest.approx(100, abs=0.2)


def test_wires_swapped_and_put_right(tmp_path: Path) -> None:
    script = Script().at(0, "wiring swapped").host(0.3, "start").at(1.05, "wiring right")
    outcome = run(script, tmp_path, 2)
    found_ma = [float(window["current_ma"]) for window in outcome.windows]
    assert (found_ma[0], found_ma[-1]) == pytest.approx((-100, 100), abs=0.2)


def test_sensor_swapped_while_running(tmp_path: Path) -> None:
    script = Script().host(0.3, "start").at(1, "sensor-absent").at(2, "sensor ina226 41")
    outcome = run(script, tmp_path, 4.5)
    assert len(outcome.faults("swap")) == 1
    assert (outcome.hellos[-1]["sensor"], outcome.hellos[-1]["address"]) == ("INA226", "41")
    assert float(outcome.windows[-1]["current_ma"]) == pytest.approx(100, abs=0.1)


def test_commands_split_at_each_byte(tmp_path: Path) -> None:
    script = Script().at(0, "switch-fitted")
    at_s = 0.2
    for words in (("load", "1", "1"), ("cutoff", "2.700000", "1500"), ("load", "0")):
        for byte in command(*words):
            script.at(at_s, f"send-hex {byte:02x}")
            at_s += 0.02
    outcome = run(script.host(at_s, "identify"), tmp_path, at_s + 0.3)
    assert [line.fields for line in outcome.of("ok", "no")] == [("load",), ("cutoff",), ("load",)]
    assert outcome.hellos[-1]["hold_ms"] == "1500"
    assert outcome.truth["switch_closed"] == 0


# ---- memory ---------------------------------------------------------------------------------


def test_settings_are_kept_in_flash(tmp_path: Path) -> None:
    kept = ("--eeprom", str(tmp_path / "flash.bin"))
    script = Script().at(0, "switch-fitted").host(0.5, "cutoff", "2.700000", "1500")
    first = run(script.host(0.8, "load", "0"), tmp_path / "a", 1.2, *kept)
    assert [line.fields[0] for line in first.of("ok")] == ["cutoff", "load"]
    second = run(Script().at(0, "switch-fitted"), tmp_path / "b", 0.5, *kept)
    hello = second.hellos[0]
    assert (hello["boot"], hello["load"]) == ("2", "0")
    assert (hello["cutoff_v"], hello["hold_ms"]) == ("2.700000", "1500")
    assert second.truth["switch_closed"] == 0


@pytest.mark.parametrize("worn", ["", "flash-worn 16 2047 4096 4097"])
def test_many_starts_in_blank_and_in_worn_flash(tmp_path: Path, worn: str) -> None:
    """Past the end of both sectors; bits that do not take any more cost a record, not the count."""
    script = Script().at(0, *([worn] if worn else []))
    for at in range(149):
        script.at(0.1 * (at + 1), "reset external")
    outcome = run(script, tmp_path, 15.1)
    assert [int(hello["boot"]) for hello in outcome.hellos] == list(range(1, 151))
    assert bool(outcome.faults("memory")) == bool(worn)
    # 64 records a sector
    assert len(outcome.event_times("flash erase")) <= 4


def test_what_lay_in_the_flash_before_is_no_worn_cell(tmp_path: Path) -> None:
    (tmp_path / "flash.bin").write_bytes(b"some file system" * 512)
    outcome = run(Script(), tmp_path / "a", 1, "--eeprom", str(tmp_path / "flash.bin"))
    assert outcome.hellos[0]["boot"] == "1"
    assert not outcome.of("fault")


def test_power_cut_while_the_flash_is_written(tmp_path: Path) -> None:
    """In the middle of a record, again and again, and in the middle of a sector's erasing."""
    kept = ("--eeprom", str(tmp_path / "flash.bin"))
    script = Script().at(0, "switch-fitted").host(0.3, "cutoff", "2.700000", "1500")
    first = run(script, tmp_path / "a", 0.6, *kept)
    written_us = first.event_times("flash program")[0]
    flash = bytearray((tmp_path / "flash.bin").read_bytes())
    flash[4096:5120] = bytes(1024)  # the second sector is full
    (tmp_path / "flash.bin").write_bytes(flash)
    after_us = [
        *range(-50, 1000, 20),  # reading the records takes a little longer the more there are
        *[4000] * 60,  # whole ones, up to the next sector
        *range(6_000, 40_000, 1_500),
    ]
    script = Script().at(0, "switch-fitted")
    cut_s = 0.0
    for late_us in after_us:
        cut_s += (written_us + late_us) * 1e-6
        script.at(cut_s, "reset power")
    outcome = run(script, tmp_path / "b", cut_s + 0.3, *kept)
    texts = [text for _, text in outcome.events]
    assert texts.count("flash program cut short") > 20
    assert texts.count("flash erase cut short") > 3
    assert outcome.hellos[-1]["cutoff_v"] == "2.700000"
    # whole records count on; one that was cut short may or may not have been whole
    assert 60 < int(outcome.hellos[-1]["boot"]) <= len(after_us) + 2


def test_size() -> None:
    size = rp2040_size_of(rp2040_sketch())
    assert size.flash < 24 * 1024
    assert size.ram < 4 * 1024
