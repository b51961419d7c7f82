"""What goes wrong on a bench: the sketch says so in a fault line, and goes on."""

import itertools
from pathlib import Path

import pytest

from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.exact import INA219, check_windows, converted_pairs
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]


def run(script: Script, folder: Path, seconds: float) -> Outcome:
    return run_bench(sketch(), script.at(0, "pack-v 4.5", "load-ma 100"), folder, seconds)


def last_window(outcome: Outcome) -> dict[str, str]:
    return outcome.windows[-1]


def test_absent_sensor_and_its_coming(tmp_path: Path) -> None:
    script = Script().at(0, "sensor-absent").host(0.5, "start").at(3, "sensor-present")
    outcome = run(script.host(6, "identify"), tmp_path, 6.5)
    assert outcome.hellos[0]["sensor"] == "none"
    assert outcome.faults("sensor")
    assert outcome.hellos[-1]["sensor"] == "INA219"
    first = outcome.windows[0]
    assert 3e6 < int(first["time_us"]) < 5.5e6
    # time without a sensor belongs to the first window that has conversions
    assert float(last_window(outcome)["charge_mah"]) == pytest.approx(
        100 * int(last_window(outcome)["time_us"]) / 3.6e9, rel=1e-3
    )


def test_sensor_falls_off_and_comes_back(tmp_path: Path) -> None:
    script = Script().host(0.3, "start").at(2, "sensor-absent").at(4, "sensor-present")
    outcome = run(script, tmp_path, 7)
    assert outcome.faults("sensor")
    times_us = [int(window["time_us"]) for window in outcome.windows]
    gap_us = max(b - a for a, b in itertools.pairwise(times_us))
    assert 2e6 < gap_us < 3.5e6
    assert times_us[-1] > 6.8e6
    last = last_window(outcome)
    assert float(last["charge_mah"]) == pytest.approx(100 * int(last["time_us"]) / 3.6e9, rel=1e-3)


@pytest.mark.parametrize(
    ("fault", "end"),
    [("bus sda-low 9", ""), ("bus sda-low", "bus free"), ("bus scl-low", "bus free")],
)
def test_hung_bus(tmp_path: Path, fault: str, end: str) -> None:
    """Data held low: nine clocks free it, or a restart of the sensor; clock held low: only the sensor."""
    script = Script().host(0.3, "start").at(2, fault)
    if end:
        script.at(3.2, end)
    outcome = run(script, tmp_path, 6)
    assert outcome.faults("bus")
    assert len(outcome.hellos) == 1, "the board must not restart over it"
    times_us = [int(window["time_us"]) for window in outcome.windows]
    gap_us = max(b - a for a, b in itertools.pairwise(times_us))
    assert gap_us < (3.5e6 if end else 0.5e6)
    last = last_window(outcome)
    assert int(last["time_us"]) > 5.8e6
    assert float(last["charge_mah"]) == pytest.approx(100 * int(last["time_us"]) / 3.6e9, rel=1e-3)


@pytest.mark.parametrize(
    ("command", "cause"),
    [
        ("reset external", "reset"),
        ("reset brownout", "brownout"),
        ("reset power", "power"),
        ("stall", "watchdog"),
    ],
)
def test_restart_is_told_and_loses_no_charge_before_it(
    tmp_path: Path, command: str, cause: str
) -> None:
    script = Script().host(0.3, "start").at(2.05, command).host(5.3, "start")
    outcome = run(script, tmp_path, 7)
    before, after = outcome.hellos[0], outcome.hellos[-1]
    assert after["cause"] == cause
    assert after["board"] == before["board"]
    assert int(after["boot"]) == int(before["boot"]) + 1
    assert after["running"] == "0"
    sequences = [int(window["sequence"]) for window in outcome.windows]
    second = sequences.index(0, 1)
    # up to the last line before it, all charge is there; after it everything starts from nothing
    for windows in (outcome.windows[:second], outcome.windows[second:]):
        check_windows(converted_pairs(outcome), windows, INA219)
        last = windows[-1]
        assert float(last["charge_mah"]) == pytest.approx(
            100 * int(last["time_us"]) / 3.6e9, rel=2e-3
        )
    assert int(outcome.windows[second - 1]["time_us"]) > 1.8e6
    if cause in ("brownout", "watchdog"):
        assert outcome.faults(cause)


def test_hung_program_restarts_within_seconds(tmp_path: Path) -> None:
    outcome = run(Script().at(2, "stall"), tmp_path, 6)
    hang_us = outcome.event_times("stall")[0]
    boot_us = outcome.event_times("boot")[1]
    # ATmega328P data sheet: nominally 2 s; the sketch may feed it at most once more
    assert 1.0e6 < boot_us - hang_us < 2.3e6


def test_overflow_is_a_fault_and_not_a_number(tmp_path: Path) -> None:
    """3.5 A through 0.1 Ohm is beyond 320 mV; the conversions stay out of the means."""
    script = (
        Script().at(0, "pack-ohm 0").host(0.3, "start").at(2, "load-ma 3500").at(2.7, "load-ma 100")
    )
    outcome = run(script, tmp_path, 4)
    faults = outcome.faults("overflow")
    assert sum(int(line.fields[2]) for line in faults) == pytest.approx(700 / 1.064, abs=3)
    assert max(float(window["current_max_ma"]) for window in outcome.windows) < 3200


def test_range_widens_by_itself_and_says_so(tmp_path: Path) -> None:
    script = Script().at(0, "pack-ohm 0", "pack-v 4.5", "load-ma 100")
    script.host(0.3, "start").at(2, "load-ma 900").host(3.5, "identify")
    outcome = run_bench(sketch("-DINA219_GAIN=1"), script, tmp_path, 4)
    assert outcome.hellos[0]["range_ma"] == "400.0000"
    assert outcome.hellos[-1]["range_ma"] == "3200.0000"
    assert [line.fields[2] for line in outcome.faults("range")] == ["3200.0000"]
    assert float(last_window(outcome)["current_ma"]) == pytest.approx(900, abs=0.1)


def test_commands_that_were_damaged_do_nothing(tmp_path: Path) -> None:
    script = Script().at(0, "switch-fitted")
    script.at(0.3, "send load,0*0000").at(0.4, "send load,0").at(0.5, "send-hex fffe000a")
    script.at(0.6, "send " + "x" * 300).host(0.8, "window", "5").host(0.9, "dance")
    script.host(1.0, "load", "0").host(1.1, "load", "1")
    outcome = run(script, tmp_path, 1.5)
    answers = [line.kind + "," + ",".join(line.fields) for line in outcome.of("ok", "no")]
    assert answers[:3] == ["no,?,crc"] * 3
    assert set(answers[3:-4]) == {"no,?,crc"}
    assert answers[-4:] == ["no,window,range", "no,dance,unknown", "ok,load", "ok,load"]
    # open at boot (new board), closed by the last of the two good commands alone
    switched = [text for _, text in outcome.events if text.startswith("switch")]
    assert switched == ["switch open", "switch closed"]


def test_bare_identify_from_a_serial_monitor(tmp_path: Path) -> None:
    outcome = run(
        Script().at(0.5, "send identify").at(0.7, "send-hex 6964656e746966790d0a"), tmp_path, 1
    )
    assert len(outcome.hellos) == 3


@pytest.mark.parametrize("host_baud", [9600, 57_600, 500_000])
def test_host_at_the_wrong_rate_is_not_obeyed(tmp_path: Path, host_baud: int) -> None:
    script = Script().at(0, "switch-fitted", f"host-baud {host_baud}")
    for i in range(5):
        script.host(0.5 + i * 0.2, "load", "1")
    # an empty line first: half a line of garbage may stand in the board's buffer
    script.at(1.9, "host-baud 115200", "send ").host(2, "identify")
    outcome = run(script, tmp_path, 2.5)
    assert outcome.event_times("switch closed") == []
    assert not outcome.of("ok")
    assert outcome.hellos[-1]["load"] == "0"
    assert int(outcome.hellos[-1]["time_us"]) > 1.9e6


def test_bytes_lost_by_a_flood_are_told(tmp_path: Path) -> None:
    """A host that floods the board: what does not fit is lost, and the board says so."""
    script = Script().host(0.3, "start")
    for _ in range(60):
        script.host(1, "window", "100000")
    outcome = run(script, tmp_path, 3)
    answers = outcome.of("ok", "no")
    assert len(answers) < 61
    assert outcome.faults("rx") or outcome.truth["rx_overruns"] == 0
    assert len(outcome.windows) > 24
    check_windows(converted_pairs(outcome), outcome.windows, INA219)
