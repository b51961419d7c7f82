"""The simulated board speaks PROTOCOL.md and counts right, whatever is done to it."""

import re
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_probe.line_format import (
    DECIMALS,
    command,
)
from firmware_probe.twin.bench_circuit import Wiring
from firmware_probe.twin.eeprom import Eeprom, blank_eeprom, load_eeprom, save_eeprom
from firmware_probe.twin.faults import Fault, FaultPlayer, FaultRates, parse_script
from firmware_probe.twin.load import (
    ConstantCurrent,
    Converter,
    LoadProgramme,
    Mode,
    Pulsed,
    Resistor,
    Step,
    constant_load,
)
from firmware_probe.twin.pack import ALKALINE_AA, CellPack, IdealPack
from firmware_probe.twin.sensor import (
    INA219,
    INA226,
    INA228,
    CurrentSensor,
    PlantedErrors,
    SensorKind,
)
from firmware_probe.twin.simulated_board import SimulatedBoard
from firmware_probe.twin.vest import CUTOFF_HOLD_S, CUTOFF_V, vest_board
from firmware_probe.twin.window_sums import Counters, WindowSums
from logger.board.stream import Hello, LineDecoder
from tests.support.board_output import bodies, windows

SECOND_US = 1_000_000
HOUR_US = 3600 * SECOND_US
START = command("start")


def kinds(output: bytes, kind: str) -> list[list[str]]:
    return [body.split(",")[1:] for body in bodies(output) if body.split(",")[0] == kind]


def plain_board(
    current_a: float = 0.5,
    *,
    kind: SensorKind = INA219,
    emf_v: float = 5.002,
    noise: float = 0.0,
    window_us: int = SECOND_US,
    faults: Iterable[Fault] = (),
    started: bool = True,
    **options: Any,
) -> SimulatedBoard:
    """Constant current from an ideal pack: everything is known."""
    board = SimulatedBoard(
        IdealPack(emf_v),
        constant_load(ConstantCurrent(current_a)),
        CurrentSensor(kind, shunt_ohm=0.1, errors=PlantedErrors(noise=noise)),
        window_us=window_us,
        faults=FaultPlayer(tuple(faults)),
        **options,
    )
    if started:
        board.receive(START)
    return board


# ---- counting


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0.0, 1.0])
@pytest.mark.parametrize("kind", [INA219, INA226, INA228], ids=lambda kind: kind.name)
def test_constant_current_is_counted_within_a_hundredth_of_a_percent(
    kind: SensorKind, noise: float
) -> None:
    # Analytically known: 500 mA from 5.002 V for the time that the line says.
    rows = windows(plain_board(kind=kind, noise=noise).advance(2 * HOUR_US))
    hours = rows[-1]["time_us"] / HOUR_US
    assert hours > 1.99
    assert rows[-1]["charge_mah"] / 1e6 == pytest.approx(500.0 * hours, rel=1e-4)
    assert rows[-1]["energy_mwh"] / 1e6 == pytest.approx(2501.0 * hours, rel=1e-4)


@pytest.mark.slow
def test_pulsed_load_is_counted_right() -> None:
    board = SimulatedBoard(
        IdealPack(5.002),
        constant_load(Pulsed(ConstantCurrent(0.8), 430.0, 0.37)),
        CurrentSensor(INA219, errors=PlantedErrors()),
        window_us=SECOND_US,
    )
    board.receive(START)
    rows = windows(board.advance(HOUR_US))
    hours = rows[-1]["time_us"] / HOUR_US
    assert rows[-1]["charge_mah"] / 1e6 == pytest.approx(0.8 * 370.0 * hours, rel=5e-4)
    assert rows[0]["current_max_ma"] > 7_000_000 > rows[0]["current_ma"] > rows[0]["current_min_ma"]


@pytest.mark.slow
def test_counters_agree_with_the_pack_on_a_vest_hour() -> None:
    board = vest_board(3)
    board.circuit.sensor = CurrentSensor(INA219, errors=PlantedErrors())
    board.receive(START)
    rows = windows(board.advance(HOUR_US))
    board.settle()
    true_mah = board.pack.charge_out_mah * rows[-1]["time_us"] / HOUR_US
    assert rows[-1]["charge_mah"] / 1e6 == pytest.approx(true_mah, rel=1e-3)
    true_mwh = board.pack.energy_out_mwh * rows[-1]["time_us"] / HOUR_US
    assert rows[-1]["energy_mwh"] / 1e6 == pytest.approx(true_mwh, rel=1e-3)


def test_integer_counters_against_exact_fractions() -> None:
    rng = np.random.default_rng(8)
    counters = Counters(INA226, 1000)
    charge_as, energy_ws = Fraction(0), Fraction(0)
    for _ in range(50):
        n = int(rng.integers(1, 40))
        shunt = rng.integers(-3000, 32767, n)
        bus = rng.integers(0, 32767, n)
        pack = bus * INA226.pack_ratio + shunt
        sums = WindowSums()
        sums.add(shunt, bus, pack)
        span_us = int(rng.integers(10_000, 60_000_000))
        counters.add(sums, span_us)
        step_v, step_a = Fraction(25, 10**7), Fraction(25, 10**6)
        seconds = Fraction(span_us, 10**6 * n)
        charge_as += int(shunt.sum()) * step_a * seconds
        energy_ws += int(np.dot(pack, shunt)) * step_v * step_a * seconds
    assert abs(counters.charge_nah - charge_as / 3600 * 10**9) <= 1
    assert abs(counters.energy_nwh - energy_ws / 3600 * 10**9) <= 1


def test_windows_leave_no_time_and_no_conversion_out() -> None:
    board = plain_board(window_us=100_000)
    rows = windows(board.advance(60 * SECOND_US))
    assert [row["sequence"] for row in rows] == list(range(len(rows)))
    spans_us = np.diff([row["time_us"] for row in rows])
    pair_us = board.sensor.pair_time_ns / 1000
    # A window ends with the first conversion at or after its nominal end.
    assert spans_us.min() > 100_000 - pair_us
    assert spans_us.max() < 100_000 + pair_us
    assert rows[-1]["time_us"] == pytest.approx(100_000 * len(rows), abs=pair_us)
    # Issue 4 of the project and TI SBOS448G (532 us): about 94 pairs in 100 ms, each once.
    assert {row["conversions"] for row in rows} <= {93, 94, 95}
    total = sum(row["conversions"] for row in rows)
    assert total == pytest.approx(rows[-1]["time_us"] / pair_us, abs=1.01)


def test_pack_voltage_is_bus_plus_shunt_drop() -> None:
    row = windows(plain_board(0.5).advance(3 * SECOND_US))[0]
    assert row["pack_v"] == 5_002_000
    assert row["bus_v"] == 4_952_000
    assert row["current_ma"] == 5_000_000


def test_a_hundred_windows_a_second() -> None:
    rows = windows(plain_board(window_us=10_000).advance(10 * SECOND_US))
    assert len(rows) in (998, 999, 1000)
    assert {row["conversions"] for row in rows} <= {9, 10}


@pytest.mark.slow
def test_lost_lines_lose_no_charge() -> None:
    faults = FaultPlayer(rates=FaultRates(drop=0.05), seed=4)
    whole, holed = vest_board(1), vest_board(1, faults=faults)
    for board in (whole, holed):
        board.receive(START)
    all_rows, left_rows = windows(whole.advance(HOUR_US)), windows(holed.advance(HOUR_US))
    lost = len(all_rows) - len(left_rows)
    assert 100 < lost <= faults.counts["drop"] < 260
    assert all(row in all_rows for row in left_rows[::50])
    by_sequence = {row["sequence"]: row for row in all_rows}
    assert left_rows[-1] == by_sequence[left_rows[-1]["sequence"]]


@pytest.mark.slow
def test_clock_error_of_the_crystal_scales_time_and_charge() -> None:
    # 2000 ppm: a ceramic resonator's order, common practice.
    rows = windows(plain_board(clock_ppm=2000.0).advance(1000 * SECOND_US))
    assert rows[-1]["time_us"] == pytest.approx(1002 * SECOND_US, abs=2 * SECOND_US)
    board = plain_board(clock_ppm=2000.0)
    counted = windows(board.advance(HOUR_US))[-1]["charge_mah"] / 1e6
    assert counted / board.pack.charge_out_mah == pytest.approx(1.002, abs=3e-4)


@pytest.mark.slow
def test_eight_days_without_drift() -> None:
    # 68 ms averaged in the chip, TI SBOS448G: fewer conversions to simulate. The microsecond
    # counter of a 32-bit clock would wrap 160 times.
    board = SimulatedBoard(
        IdealPack(5.002),
        constant_load(ConstantCurrent(0.5)),
        CurrentSensor(INA219, configuration_value=0x3FFF),
        window_us=60 * SECOND_US,
    )
    board.receive(START)
    board.advance(7 * 24 * HOUR_US)
    row = windows(board.advance(24 * HOUR_US))[-1]
    hours = row["time_us"] / HOUR_US
    assert hours > 191.9
    assert row["charge_mah"] / 1e6 == pytest.approx(500.0 * hours, rel=1e-10)
    assert row["energy_mwh"] / 1e6 == pytest.approx(2501.0 * hours, rel=1e-10)


# ---- determinism


@pytest.mark.slow
def test_same_seed_same_bytes() -> None:
    def run(seed: int) -> bytes:
        board = vest_board(seed, faults=FaultPlayer(rates=FaultRates(garble=0.1), seed=seed))
        board.receive(START)
        return board.advance(0) + board.advance(600 * SECOND_US)

    assert run(7) == run(7)
    assert run(7) != run(8)


@pytest.mark.slow
@given(cuts=st.lists(st.integers(0, 40_000_000), max_size=12))
@settings(max_examples=15, deadline=None)
def test_how_time_is_cut_does_not_change_the_bytes(cuts: list[int]) -> None:
    script = parse_script("20:stall=2, 50:hang=3, 70:reset=watchdog, 90:contact=0.3")
    total_us = 120 * SECOND_US

    def run(steps: list[int]) -> bytes:
        board = vest_board(2, faults=FaultPlayer(script))
        board.receive(START)
        return b"".join(board.advance(step) for step in steps)

    steps: list[int] = []
    for cut in cuts:
        if sum(steps) + cut <= total_us:
            steps.append(cut)
    assert run([*steps, total_us - sum(steps)]) == run([total_us])


# ---- commands


def test_hello_has_every_key_of_the_protocol() -> None:
    board = plain_board(started=False)
    board.time_factor = 60.0
    board.advance(0)
    board.receive(b"identify\r\n")
    (fields,) = kinds(board.advance(0), "hello")
    hello = dict(field.split("=") for field in fields)
    assert set(hello) == {
        *("protocol", "firmware", "board", "boot", "cause", "sensor", "address", "shunt_ohm"),
        *("range_ma", "bus_range_v", "window_us", "load", "opened", "cutoff_v", "hold_ms"),
        *("running", "burst_us", "time_us", "time_factor"),
    }
    for key, decimals in DECIMALS.items():
        if key in hello:
            assert re.fullmatch(rf"\d+\.\d{{{decimals}}}", hello[key])
    assert re.fullmatch("[0-9A-F]{8}", hello["board"])
    assert hello["firmware"].startswith("simulated-")
    assert (hello["range_ma"], hello["shunt_ohm"]) == ("3200.0000", "0.1000")
    assert (hello["running"], hello["load"], hello["time_factor"]) == ("0", "1", "60")


@pytest.mark.parametrize(
    ("sent", "answer"),
    [
        (command("window", "20000"), "ok,window"),
        (command("window", "9999"), "no,window,range"),
        (command("window", "60000001"), "no,window,range"),
        (command("window", "1e5"), "no,window,field"),
        (command("window"), "no,window,field"),
        (command("stop"), "ok,stop"),
        (command("cutoff", "2.700000", "10000"), "ok,cutoff"),
        (command("cutoff", "2.7", "10000"), "no,cutoff,field"),
        (command("cutoff", "99.000000", "0"), "no,cutoff,range"),
        (command("load", "2"), "no,load,range"),
        (command("dance"), "no,dance,unknown"),
        (command("flex-start", "servo", "10", "1000", "0", "0", "180", "1", "0"), "no,flex-start,fitted"),
        (command("flex-start", "rope", "10", "1000", "0", "0", "180", "1", "0"), "no,flex-start,field"),
        (command("flex-start", "servo", "10", "1000", "600", "0", "180", "1", "0"), "no,flex-start,range"),
        (command("flex-start", "servo", "10", "1000", "0", "0", "181", "1", "0"), "no,flex-start,range"),
        (command("flex-stop"), "ok,flex-stop"),
        (b"start\n", "no,?,crc"),
        (b"start*0000\n", "no,?,crc"),
        (START, "ok,start"),
        (START.replace(b"\n", b",\n"), "no,?,crc"),
        (b"\xff\xfe\n", "no,?,crc"),
        (b"x" * 200 + b"\n", "no,?,crc"),
    ],
)  # fmt: skip
def test_answers(sent: bytes, answer: str) -> None:
    board = plain_board(started=False)
    board.advance(0)
    board.receive(sent)
    assert [body for body in bodies(board.advance(0)) if not body.startswith("fault")] == [answer]


@given(data=st.lists(st.binary(max_size=120), max_size=8))
@settings(max_examples=60, deadline=None)
def test_no_bytes_upset_the_board(data: list[bytes]) -> None:
    board = plain_board(started=False)
    for chunk in data:
        board.receive(chunk)
        bodies(board.advance(1000))
    board.receive(b"\n" + command("identify"))
    assert kinds(board.advance(0), "hello")


def test_window_length_takes_effect_with_the_next_window() -> None:
    board = plain_board()
    board.advance(1_500_000)
    board.receive(command("window", "100000"))
    spans_us = np.diff([row["time_us"] for row in windows(board.advance(2 * SECOND_US))])
    assert spans_us == pytest.approx(100_000, abs=1100)


def test_start_waits_for_a_full_window_and_stop_goes_on_counting() -> None:
    board = plain_board(started=False)
    board.advance(1_400_000)
    board.receive(START)
    rows = windows(board.advance(2 * SECOND_US))
    assert [round(row["time_us"] / SECOND_US) for row in rows] == [3]
    assert rows[0]["charge_mah"] / 1e6 == pytest.approx(500.0 * 3 / 3600, rel=1e-3)
    board.receive(command("stop"))
    assert windows(board.advance(5 * SECOND_US)) == []
    board.receive(START)
    rows = windows(board.advance(3 * SECOND_US))
    assert rows[0]["sequence"] == 1
    assert rows[0]["charge_mah"] / 1e6 == pytest.approx(500.0 * 10 / 3600, rel=1e-3)


def test_load_switch_stops_the_current_and_says_so() -> None:
    board = plain_board()
    board.advance(2 * SECOND_US)
    board.receive(command("load", "0"))
    output = board.advance(3 * SECOND_US)
    assert bodies(output)[0] == "ok,load"
    assert kinds(output, "load")[0][1:] == ["0", "host"]
    assert windows(output)[-1]["current_ma"] == 0
    assert board.pack.charge_out_mah == pytest.approx(0.5 * 2 / 3.6)
    board.receive(command("load", "1"))
    assert windows(board.advance(3 * SECOND_US))[-1]["current_ma"] == 5_000_000


def test_without_a_switch() -> None:
    board = plain_board(switch_fitted=False, started=False)
    assert ",load=-," in bodies(board.advance(0))[1]
    for sent, answer in (
        (command("load", "0"), "no,load,fitted"),
        (command("cutoff", "2.700000", "0"), "no,cutoff,fitted"),
        (command("cutoff", "0.000000", "0"), "ok,cutoff"),
    ):
        board.receive(sent)
        assert bodies(board.advance(0)) == [answer]


# ---- cutoff


@pytest.mark.slow
def test_board_opens_the_switch_by_itself_after_the_hold_time() -> None:
    board = SimulatedBoard(
        CellPack(ALKALINE_AA, 3),
        constant_load(Resistor(4.0)),
        CurrentSensor(INA219, errors=PlantedErrors(noise=0.3)),
        window_us=10 * SECOND_US,
    )
    board.receive(command("cutoff", "3.000000", "30000") + START)
    output = board.advance(6 * HOUR_US)
    (opened,) = [fields for fields in kinds(output, "load") if fields[2] == "cutoff"]
    rows = windows(output)
    below = [row["time_us"] for row in rows if row["pack_v"] < 3_000_000]
    # The hold time is inside a window or two of the first mean below.
    assert int(opened[0]) == pytest.approx(below[0] + 30 * SECOND_US, abs=30 * SECOND_US)
    assert abs(rows[-1]["current_ma"]) < 1000
    assert not board.load_closed


def test_a_dip_shorter_than_the_hold_time_does_not_trip() -> None:
    programme = LoadProgramme(
        (Step(Mode("low", (Resistor(10.0),)), 9.0), Step(Mode("dip", (Resistor(1.0),)), 1.0))
    )

    def run(hold_ms: int) -> int:
        board = SimulatedBoard(IdealPack(4.0, 1.0), programme, CurrentSensor(INA219))
        board.receive(command("cutoff", "3.000000", str(hold_ms)))
        return len([1 for f in kinds(board.advance(60 * SECOND_US), "load") if f[2] == "cutoff"])

    assert run(1500) == 0
    assert run(900) == 1
    assert run(0) == 1


def test_cutoff_holds_over_a_reset_until_a_person_closes_the_switch() -> None:
    board = plain_board(emf_v=2.5)
    board.receive(command("cutoff", "2.700000", "1000"))
    assert kinds(board.advance(5 * SECOND_US), "load")[-1][1:] == ["0", "cutoff"]
    board.reset()
    output = board.advance(5 * SECOND_US)
    assert kinds(output, "load") == [["0", "0", "boot"]]
    assert "cutoff_v=2.700000,hold_ms=1000" in bodies(output)[1]
    assert "load=0,opened=cutoff" in bodies(output)[1]
    board.receive(command("load", "1") + command("load", "0") + command("load", "1"))
    output = board.advance(5 * SECOND_US)
    assert kinds(output, "no") == [["load", "tripped"]] * 2, "not even after load,0"
    board.receive(command("load", "1", "1"))
    assert [f[2] for f in kinds(board.advance(5 * SECOND_US), "load")] == ["host", "cutoff"]


def test_a_blank_board_starts_open_until_it_is_told(tmp_path: Path) -> None:
    board = plain_board(eeprom=load_eeprom(tmp_path / "none.json"))
    output = board.advance(10 * SECOND_US)
    assert "load=0,opened=new" in bodies(output)[1]
    assert {row["current_ma"] for row in windows(output)} == {0}
    for cause in ("power", "brownout", "watchdog", "reset"):
        board.reset(cause)
        assert "load=0,opened=new" in bodies(board.advance(5 * SECOND_US))[1], cause
    board.receive(command("load", "1"))
    assert kinds(board.advance(SECOND_US), "load")[0][1:] == ["1", "host"]
    board.reset("brownout")
    assert "load=1,opened=-" in bodies(board.advance(5 * SECOND_US))[1]


def test_half_a_line_does_not_glue_to_the_next_hello() -> None:
    board = plain_board(window_us=100_000, faults=parse_script("5:half=1"))
    before = board.advance(5 * SECOND_US + 50_000)
    board.reset("brownout")
    after = board.advance(5 * SECOND_US)
    assert after.startswith(b"\nsensor,")
    items = LineDecoder().feed(before + after)
    assert [type(item) for item in items].count(Hello) == 2
    board.receive(command("identify"))
    assert board.advance(0).startswith(b"\nsensor,")


@pytest.mark.parametrize("kind", [INA219, INA226], ids=lambda kind: kind.name)
@pytest.mark.parametrize("way", ["weld", "bridge"])
def test_a_switch_that_does_not_open_is_told_within_a_second(way: str, kind: SensorKind) -> None:
    board = plain_board(kind=kind, faults=parse_script(f"5:{way}=60"))
    board.advance(10 * SECOND_US)
    board.receive(command("load", "0"))
    output = board.advance(10 * SECOND_US)
    opened_us = int(kinds(output, "load")[0][0])
    told = kinds(output, "fault")
    assert 8 <= len(told) <= 10, "once a second for as long as it lasts"
    assert 500_000 < int(told[0][0]) - opened_us < SECOND_US
    assert told[0][1] == "switch"
    assert float(told[0][2]) == pytest.approx(500.0, rel=0.01)
    assert kinds(board.advance(60 * SECOND_US), "fault")
    assert kinds(board.advance(20 * SECOND_US), "fault") == [], "the way around is gone"


@pytest.mark.parametrize("current_a", [0.0005, 0.0038, 0.0045, 0.5])
def test_what_may_flow_through_an_open_switch(current_a: float) -> None:
    # 400 uV over 0.1 ohm are 4 mA.
    board = plain_board(current_a, faults=parse_script("0:weld=60"), eeprom=blank_eeprom())
    assert bool(kinds(board.advance(5 * SECOND_US), "fault")) == (current_a > 0.004)


def test_an_open_switch_that_opens_says_nothing() -> None:
    board = plain_board(noise=1.0)
    board.receive(command("load", "0"))
    assert kinds(board.advance(60 * SECOND_US), "fault") == []


def test_a_memory_that_takes_nothing_is_told_and_costs_only_itself() -> None:
    board = plain_board(faults=parse_script("5:worn"))
    board.advance(10 * SECOND_US)
    board.receive(command("load", "0"))
    output = board.advance(2 * SECOND_US)
    assert kinds(output, "load")[0][1] == "0", "it opens all the same"
    assert [fault[1] for fault in kinds(output, "fault")] == ["memory"]
    assert len(windows(output)) == 2
    board.reset()
    output = board.advance(2 * SECOND_US)
    assert "load=1" in bodies(output)[1], "what was kept is what is known"
    assert [fault[1] for fault in kinds(output, "fault")] == ["memory"]


def test_three_hundred_resets_lose_nothing_that_was_kept() -> None:
    rng = np.random.default_rng(19)
    board = plain_board(emf_v=2.5)
    board.receive(command("cutoff", "2.700000", "1000"))
    board.advance(5 * SECOND_US)
    for boot in range(2, 302):
        board.reset(str(rng.choice(["power", "reset", "watchdog", "brownout"])))
        (hello,) = kinds(board.advance(SECOND_US), "hello")
        assert {f"boot={boot}", "load=0", "opened=cutoff", "cutoff_v=2.700000"} <= set(hello)


@pytest.mark.parametrize(
    ("name", "fields", "answer"),
    [("load", ("0",), "ok,load"), ("cutoff", ("2.700000", "1000"), "ok,cutoff")],
)
def test_a_command_in_two_pieces_is_one_command(
    name: str, fields: tuple[str, ...], answer: str
) -> None:
    line = command(name, *fields)
    for cut in range(1, len(line)):
        board = plain_board(started=False)
        board.advance(SECOND_US)
        board.receive(line[:cut])
        between = board.advance(3 * SECOND_US)
        assert kinds(between, "ok") + kinds(between, "no") == [], cut
        board.receive(line[cut:])
        assert answer in bodies(board.advance(SECOND_US)), cut


@pytest.mark.slow
def test_a_silent_host_changes_nothing_for_a_night() -> None:
    board = plain_board(0.05)
    board.receive(command("cutoff", "1.000000", "1000"))
    output = board.advance(8 * HOUR_US)
    rows = windows(output)
    assert [row["sequence"] for row in rows] == list(range(len(rows)))
    assert len(rows) >= 8 * 3600 - 1
    assert kinds(output, "fault") == []
    assert rows[-1]["charge_mah"] / 1e6 == pytest.approx(
        50 * rows[-1]["time_us"] / HOUR_US, rel=1e-3
    )


def test_unwatched_cells_are_taken_off() -> None:
    # As the sketch: 30 s without a conversion while a cutoff is set.
    board = plain_board(faults=parse_script("10:sensor=100"))
    board.receive(command("cutoff", "1.000000", "0"))
    (opened,) = [f for f in kinds(board.advance(120 * SECOND_US), "load") if f[2] == "sensor"]
    assert int(opened[0]) == pytest.approx(40 * SECOND_US, abs=2000)


# ---- boots and faults


@pytest.mark.parametrize("cause", ["power", "reset", "watchdog", "brownout"])
def test_reset_starts_everything_again_but_the_memory(cause: str) -> None:
    board = plain_board(faults=[Fault(10 * SECOND_US, "reset", cause=cause)])
    board.advance(9_500_000)
    output = board.advance(5 * SECOND_US)
    (fields,) = kinds(output, "hello")
    assert {"boot=2", f"cause={cause}", "running=0"} <= set(fields)
    assert (fields[-2], fields[-1]) == ("time_us=0", "time_factor=1")
    assert windows(output) == []
    assert bool(kinds(output, "fault")) == (cause in ("watchdog", "brownout"))
    board.receive(START)
    row = windows(board.advance(4 * SECOND_US))[0]
    assert row["sequence"] == 0
    assert row["time_us"] < 8 * SECOND_US
    assert row["charge_mah"] / 1e6 == pytest.approx(500 * row["time_us"] / HOUR_US, rel=1e-3)


def test_without_power_the_switch_is_open_and_without_a_switch_the_load_goes_on() -> None:
    drawn_mah = []
    for fitted in (True, False):
        board = plain_board(faults=parse_script("100:off=200"), switch_fitted=fitted)
        board.advance(400 * SECOND_US)
        board.settle()
        drawn_mah.append(board.pack.charge_out_mah)
    assert drawn_mah[0] == pytest.approx(0.5 * 200 / 3.6, rel=0.01)
    assert drawn_mah[1] == pytest.approx(0.5 * 400 / 3.6)


def test_stall_misses_conversions_but_no_charge() -> None:
    board = plain_board(faults=parse_script("10.3:stall=2.5"))
    output = board.advance(10_500_000)
    board.receive(command("window", "500000") * 5)
    output += board.advance(20 * SECOND_US)
    codes = {fields[1]: fields[2] for fields in kinds(output, "fault")}
    assert int(codes["missed"]) == pytest.approx(2.5e6 / 1064, abs=2)
    # Two of the five commands and a part fit in 64 bytes.
    assert int(codes["rx"]) == 5 * len(command("window", "500000")) - 64
    rows = windows(output)
    last = rows[-1]
    assert last["charge_mah"] / 1e6 == pytest.approx(500 * last["time_us"] / HOUR_US, rel=1e-4)
    assert [row["sequence"] for row in rows] == list(range(len(rows)))
    assert bodies(output).count("ok,window") == 3


@pytest.mark.parametrize(("kind", "code"), [("hang", "bus"), ("sensor", "sensor")])
def test_silent_sensor_gives_faults_and_its_time_to_the_next_window(kind: str, code: str) -> None:
    output = plain_board(faults=parse_script(f"10.3:{kind}=4.4")).advance(20 * SECOND_US)
    found = kinds(output, "fault")
    assert {fields[1] for fields in found} == {code}
    assert 4 <= len(found) <= 5
    times_us = [int(fields[0]) for fields in found]
    assert min(np.diff(times_us)) >= SECOND_US
    rows = windows(output)
    gaps_us = np.diff([row["time_us"] for row in rows])
    assert max(gaps_us) == pytest.approx(4 * SECOND_US, abs=2000)
    last = rows[-1]
    assert last["charge_mah"] / 1e6 == pytest.approx(500 * last["time_us"] / HOUR_US, rel=1e-4)


def test_no_overflow_falls_into_the_pause_between_two_faults() -> None:
    """Windows of 0.2 s, a fault line a second: the counts told are the conversions that were lost."""
    board = SimulatedBoard(
        IdealPack(5.0),
        constant_load(ConstantCurrent(4.0)),
        CurrentSensor(INA219, 0.1),
        seed=1,
        window_us=200_000,
    )
    board.advance(0)
    board.receive(command("start"))
    told = [body.split(",") for body in bodies(board.advance(20_000_000))]
    overflows = [int(parts[3]) for parts in told if parts[0] == "fault" and parts[2] == "overflow"]
    assert 19 <= len(overflows) <= 21
    assert sum(overflows) == pytest.approx(20_000_000 / 1064, rel=0.06)


def test_overflow_is_a_fault_and_never_a_number() -> None:
    narrow = CurrentSensor(INA219, shunt_ohm=0.1).with_gain(0)
    board = SimulatedBoard(
        IdealPack(5.0), constant_load(ConstantCurrent(0.6)), narrow, window_us=SECOND_US
    )
    board.receive(START)
    output = board.advance(5 * SECOND_US)
    faults = kinds(output, "fault")
    assert [fields[1] for fields in faults] == ["overflow", "range"]
    assert int(faults[0][2]) == pytest.approx(940, abs=2)
    assert faults[1][2] == "3200.0000"
    # The first window held nothing but overflows: not sent, its time belongs to the next.
    rows = windows(output)
    assert rows[0]["time_us"] == pytest.approx(2 * SECOND_US, abs=2000)
    assert {row["current_ma"] for row in rows} == {6_000_000}


@pytest.mark.slow
@given(
    script=st.lists(
        st.builds(
            Fault,
            st.integers(0, 100_000_000),
            st.sampled_from(["stall", "hang", "sensor", "reset", "off", "unplug"]),
            st.floats(0.0, 8.0),
        ),
        max_size=6,
    )
)
@settings(max_examples=40, deadline=None)
def test_whatever_happens_charge_is_that_of_the_time_since_boot(script: list[Fault]) -> None:
    board = plain_board(faults=script, switch_fitted=False, window_us=200_000)
    output = board.advance(SECOND_US // 2)
    for _ in range(60):
        board.receive(START)
        output += board.advance(2 * SECOND_US)
    boots = re.split(rb"(?=hello,)", output)
    assert len(boots) - 1 == board.eeprom.boot
    for boot in boots:
        rows = windows(boot)
        assert [row["sequence"] for row in rows] == list(range(len(rows)))
        assert all(np.diff([row["time_us"] for row in rows]) > 0)
        if rows:
            # 0.5 A is exactly 5000 counts.
            true_mah = 500.0 * rows[-1]["time_us"] / HOUR_US
            assert rows[-1]["charge_mah"] / 1e6 == pytest.approx(true_mah, rel=1e-4)


def test_gain_range_starts_again_with_the_board() -> None:
    narrow = CurrentSensor(INA219, shunt_ohm=0.1).with_gain(0)
    board = SimulatedBoard(IdealPack(5.0), constant_load(ConstantCurrent(0.6)), narrow)
    board.advance(SECOND_US)
    assert board.sensor.range_ma == 3200.0
    board.receive(command("load", "0"))
    board.reset()
    assert "range_ma=400.0000" in bodies(board.advance(SECOND_US))[1]


def test_bad_contact_dips_and_heals() -> None:
    faults = parse_script("5.22:contact=0.2, 8.42:contact=0.05")
    board = SimulatedBoard(
        IdealPack(4.5, 0.3),
        constant_load(Resistor(20.0)),
        CurrentSensor(INA219),
        window_us=100_000,
        faults=FaultPlayer(faults),
    )
    board.receive(START)
    rows = windows(board.advance(12 * SECOND_US))
    low = [row["time_us"] for row in rows if row["current_min_ma"] < 0.7 * rows[0]["current_ma"]]
    assert [round(time_us / SECOND_US, 1) for time_us in low] == [5.3, 5.4, 5.5, 8.5]


def test_wiring_faults_show_as_they_would() -> None:
    def row(wiring: Wiring) -> dict[str, int]:
        return windows(plain_board(wiring=wiring).advance(3 * SECOND_US))[0]

    swapped = row(Wiring(swapped=True))
    assert swapped["current_ma"] == -5_000_000
    assert swapped["bus_v"] == pytest.approx(5_002_000, abs=2000)
    assert row(Wiring(load_connected=False))["current_ma"] == 0
    assert row(Wiring(bus_connected=False))["bus_v"] == 0
    leads = row(Wiring(wire_ohm=0.5))
    assert leads["bus_v"] == 4_952_000


def test_negative_charge_is_signed() -> None:
    rows = windows(plain_board(wiring=Wiring(swapped=True)).advance(HOUR_US // 10))
    assert rows[-1]["charge_mah"] < 0
    assert rows[-1]["energy_mwh"] < 0


def test_brown_out_of_the_circuit_shows_in_the_lines() -> None:
    load = LoadProgramme(
        (Step(Mode("on", (ConstantCurrent(0.15),)), 1.0),), converter=Converter(restart_v=10.0)
    )
    board = SimulatedBoard(IdealPack(2.75, 0.5), load, CurrentSensor(INA219), window_us=SECOND_US)
    board.receive(START)
    assert windows(board.advance(5 * SECOND_US))[-1]["current_ma"] == 0
    assert board.circuit.load.brown_outs == 1


def test_unplugging_is_told_and_the_board_lives_on() -> None:
    board = plain_board(faults=parse_script("5:unplug=10, 30:cut=10"))
    board.advance(6 * SECOND_US)
    assert board.link_down_left_us == 9 * SECOND_US
    board.advance(10 * SECOND_US)
    assert board.link_down_left_us == 0
    assert board.eeprom.boot == 1
    output = board.advance(30 * SECOND_US)
    assert kinds(output, "hello")
    assert board.eeprom.boot == 2


# ---- memory of the board, the vest


def test_eeprom_file_counts_boots(tmp_path: Path) -> None:
    path = tmp_path / "memory.json"
    first = load_eeprom(path)
    plain_board(eeprom=first)
    save_eeprom(path, first)
    again = load_eeprom(path)
    plain_board(eeprom=again)
    assert (again.board, again.boot) == (first.board, 2)
    path.write_text("[]")
    with pytest.raises(ValueError, match="does not hold"):
        load_eeprom(path)
    assert Eeprom().board != Eeprom().board


def test_boot_number_wraps() -> None:
    memory = Eeprom(boot=65535)
    plain_board(eeprom=memory)
    assert memory.boot == 0


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 5])
def test_vest_lasts_a_night(seed: int) -> None:
    board = vest_board(seed, window_us=60 * SECOND_US)
    board.receive(command("cutoff", f"{CUTOFF_V:.6f}", str(int(CUTOFF_HOLD_S * 1000))))
    for _ in range(14 * 60):
        board.advance(60 * SECOND_US)
        if not board.load_closed:
            break
    hours = board.time_us / HOUR_US
    assert 8.0 < hours < 14.0
    assert not board.load_closed
    # Three alkaline AA at this rate: 1.5 to 2.2 Ah is common practice.
    assert 1500.0 < board.pack.charge_out_mah < 2200.0
