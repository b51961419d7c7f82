"""Flex rig: cycles counted exactly by servo and by switch, opens found in the right cycle."""

from pathlib import Path

import pytest

from firmware_probe.line_format import FLEX_FIELDS
from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]

CYCLES = 1000
SAMPLE_US = 4 * 104  # 13 ADC clocks of 8 us (ATmega328P data sheet), four joints in turn


def run(script: Script, folder: Path, seconds: float) -> Outcome:
    return run_bench(sketch(), script, folder, seconds)


def rows(outcome: Outcome, joint: int = 1) -> list[dict[str, str]]:
    """Flex lines of one joint, fields by name."""
    found = [dict(zip(FLEX_FIELDS, line.fields, strict=True)) for line in outcome.of("flex")]
    return [row for row in found if row["joint"] == str(joint)]


def ends(outcome: Outcome) -> list[tuple[str, str]]:
    return [(line.fields[0], line.fields[2]) for line in outcome.of("flex-end")]


@pytest.mark.slow
def test_thousand_cycles_by_servo(tmp_path: Path) -> None:
    """Opens of 2 ms, 20 ms and one for good, on three of four joints; the rig goes on to the end."""
    script = Script().at(0, "joint-open 1 300 5000 2000", "joint-open 2 500 5000 20000")
    script.at(0, "joint-open 3 800 5000 0", *(f"joint-ohm {joint} 2" for joint in range(1, 5)))
    script.host(0.5, "flex-start", "servo", CYCLES, 100, 40, 30, 150, 4, 0)
    outcome = run(script, tmp_path, 0.5 + CYCLES * 0.1 + 1)
    assert ends(outcome) == [(str(CYCLES), "done")]
    assert outcome.truth["servo_cycles"] == CYCLES
    assert not outcome.void
    for joint in range(1, 5):
        assert [int(row["cycle"]) for row in rows(outcome, joint)] == list(range(1, CYCLES + 1))
    opened = {
        joint: {
            int(row["cycle"]): int(row["longest_open_us"])
            for row in rows(outcome, joint)
            if int(row["longest_open_us"])
        }
        for joint in range(1, 5)
    }
    assert opened[1] == {300: pytest.approx(2000, abs=SAMPLE_US)}
    assert opened[2] == {500: pytest.approx(20_000, abs=SAMPLE_US)}
    assert list(opened[3]) == list(range(800, CYCLES + 1))
    assert opened[4] == {}
    counted = {
        int(row["cycle"]): int(row["opens"]) for row in rows(outcome, 3) if int(row["opens"])
    }
    assert counted == {800: 1}, "an open that lasts is counted once"
    # open for whole cycles: no resistance, no current
    assert rows(outcome, 3)[900]["resistance_max_ohm"] == ""
    assert float(rows(outcome, 3)[900]["current_max_ma"]) < 0.1


@pytest.mark.parametrize("bounce_us", [0, 3000])
def test_thousand_cycles_by_switch(tmp_path: Path, bounce_us: int) -> None:
    script = Script().at(0, "joint-open 1 7 15000 2000", "joint-open 1 999 10000 20000")
    script.host(0.5, "flex-start", "switch", CYCLES, 1000, 0, 0, 0, 1, 0)
    script.at(0.6, f"cam 40000 {CYCLES} {bounce_us}")
    outcome = run(script, tmp_path, 0.6 + CYCLES * 0.04 + 1)
    assert ends(outcome) == [(str(CYCLES), "done")]
    assert outcome.truth["switch_cycles"] == CYCLES
    assert [int(row["cycle"]) for row in rows(outcome)] == list(range(1, CYCLES + 1))
    opened = {
        int(row["cycle"]): int(row["longest_open_us"]) for row in rows(outcome) if int(row["opens"])
    }
    assert opened == {7: pytest.approx(2000, abs=150), 999: pytest.approx(20_000, abs=150)}


def test_five_closures_are_five_cycles(tmp_path: Path) -> None:
    script = (
        Script()
        .host(0.5, "flex-start", "switch", 10, 1000, 0, 0, 0, 1, 0)
        .at(0.6, "cam 200000 5 4000")
    )
    outcome = run(script.host(2, "flex-stop"), tmp_path, 2.5)
    assert [int(row["cycle"]) for row in rows(outcome)][:5] == [1, 2, 3, 4, 5]
    assert ends(outcome) == [("5", "host")]


def test_stops_on_failure(tmp_path: Path) -> None:
    """A 2 ms open is below the limit; a joint that stays open ends the run with the cycle it broke in."""
    script = Script().at(0, "joint-open 2 4 5000 2000", "joint-open 2 9 5000 0")
    script.host(0.5, "flex-start", "servo", 50, 200, 60, 0, 180, 2, 15_000)
    outcome = run(script, tmp_path, 5)
    ((cycle, reason),) = ends(outcome)
    assert (cycle, reason) == ("9", "open")
    last = rows(outcome, 2)[-1]
    assert (last["cycle"], last["opens"]) == ("9", "1")
    assert int(last["longest_open_us"]) > 100_000
    after = [at for at in outcome.event_times("servo") if at > int(last["time_us"]) + 100_000]
    assert not after, "the servo rests"


def test_every_open_of_one_millisecond_is_seen(tmp_path: Path) -> None:
    """At least 1 kHz on each of four joints: whatever its phase, an open of 1 ms is met by a sample."""
    script = Script()
    for cycle in range(1, 31):
        script.at(0, f"joint-open {1 + cycle % 4} {cycle} {5000 + 137 * cycle} 1000")
    script.host(0.5, "flex-start", "servo", 31, 200, 60, 40, 140, 4, 0)
    outcome = run(script, tmp_path, 8)
    for joint in range(1, 5):
        seen = [int(row["cycle"]) for row in rows(outcome, joint) if row["opens"] == "1"]
        assert seen == [cycle for cycle in range(1, 31) if 1 + cycle % 4 == joint]


@pytest.mark.parametrize("reference_mv", [1000, 1100, 1200])
def test_resistance_and_current_of_a_joint(tmp_path: Path, reference_mv: int) -> None:
    """Divider 5 V, 220 Ohm, joint: right within a step of the converter and of its comparison with the supply.

    The ATmega328P's data sheet gives 1.0 to 1.2 V for the reference; one step at 1.2 V is 0.05 Ohm.
    """
    script = Script().at(0, f"adc-reference-mv {reference_mv}", "joint-ohm 1 2", "joint-ohm 2 0.5")
    script.host(0.5, "flex-start", "servo", 5, 200, 60, 40, 140, 2, 0).at(0.95, "joint-ohm 1 5")
    outcome = run(script, tmp_path, 2)
    first, last = rows(outcome)[0], rows(outcome)[-1]
    step_ohm = 220 * reference_mv / 5000 / 1024
    share = 5000 / reference_mv / 1024  # a step of the comparison, as a share of the result
    assert float(first["resistance_min_ohm"]) == pytest.approx(2, abs=step_ohm + 2 * share)
    assert float(last["resistance_max_ohm"]) == pytest.approx(5, abs=step_ohm + 5 * share)
    assert float(first["current_max_ma"]) == pytest.approx(5000 / 222, rel=2e-3)
    assert float(rows(outcome, 2)[0]["resistance_max_ohm"]) == pytest.approx(
        0.5, abs=step_ohm + 0.5 * share
    )


def test_servo_pulses(tmp_path: Path) -> None:
    """544 us at 0 degrees, 2400 us at 180, 50 a second (common practice, no source)."""
    script = Script().host(0.5, "flex-start", "servo", 3, 1000, 200, 0, 180, 1, 0)
    outcome = run(script, tmp_path, 4.5)
    widths = [float(text.split()[1]) for _, text in outcome.events if text.startswith("servo")]
    assert widths[0] == pytest.approx(544, abs=1)
    assert max(widths) == pytest.approx(2400, abs=1)
    assert min(widths) == pytest.approx(544, abs=1)
    assert len(widths) > 60, "it sweeps, it does not jump"


def test_measuring_goes_on_beside_flexing(tmp_path: Path) -> None:
    script = (
        Script().host(0.3, "start").host(0.5, "flex-start", "servo", 20, 150, 50, 40, 140, 4, 0)
    )
    outcome = run(script, tmp_path, 5)
    assert ends(outcome) == [("20", "done")]
    # taking the order may cost one conversion, which is told
    assert sum(int(line.fields[2]) for line in outcome.faults("missed")) <= 1
    sequences = [int(window["sequence"]) for window in outcome.windows]
    assert sequences == list(range(len(sequences)))


def test_second_start_is_busy(tmp_path: Path) -> None:
    order = ("servo", 5, 200, 50, 40, 140, 1, 0)
    script = Script().host(0.5, "flex-start", *order).host(0.8, "flex-start", *order)
    outcome = run(script, tmp_path, 2.5)
    assert [line.fields for line in outcome.of("no")] == [("flex-start", "busy")]
    assert ends(outcome) == [("5", "done")]
