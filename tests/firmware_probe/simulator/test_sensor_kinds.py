"""The compiled sketch and its sensor: clones, what the host tells of it, another in its place, an INA228's own counting."""

from pathlib import Path

import numpy as np
import pytest

from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.exact import INA219, INA228, check_windows, converted_pairs
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]


def run(script: Script, folder: Path, seconds: float, *options: str) -> Outcome:
    return run_bench(sketch(), script, folder, seconds, *options)


def known(outcome: Outcome, at: int = -1) -> tuple[str, ...]:
    """Kind and address of a hello, how it is known and what it calls itself."""
    hello, how = outcome.hellos[at], outcome.of("sensor")[at].fields
    return (hello["sensor"], hello["address"], *how)


@pytest.mark.parametrize(
    ("sensor", "ids", "said"),
    [
        ("ina219 40", "", ("INA219", "40", "behaviour", "0000.0000")),
        ("ina226 41", "", ("INA226", "41", "number", "5449.2260")),
        ("ina228 4f", "", ("INA228", "4F", "number", "5449.2281")),
        ("ina226 40", "0 0", ("INA226", "40", "behaviour", "0000.0000")),
        ("ina226 40", "ffff ffff", ("INA226", "40", "behaviour", "FFFF.FFFF")),
        ("ina226 40", "5032 2260", ("INA226", "40", "behaviour", "5032.2260")),
        # Another chip of the same maker is known to be another; an INA228 without numbers behaves like none.
        ("ina226 44", "5449 2270", ("none", "44", "-", "5449.2270")),
        ("ina228 45", "0 0", ("none", "45", "-", "0000.0000")),
    ],
)
def test_sensor_is_recognised_or_named(
    tmp_path: Path, sensor: str, ids: str, said: tuple[str, ...]
) -> None:
    script = Script().at(0, f"sensor {sensor}", *([f"sensor-ids {ids}"] if ids else []))
    outcome = run(script, tmp_path, 0.5)
    assert known(outcome) == said
    assert not outcome.void


def test_clone_of_an_ina226_is_counted_like_one(tmp_path: Path) -> None:
    script = Script().at(0, "sensor ina226 40", "sensor-ids 0 0", "load-ma 80").host(0.3, "start")
    outcome = run(script, tmp_path, 2)
    assert not outcome.of("fault")
    assert float(outcome.windows[-1]["current_ma"]) == pytest.approx(80, abs=0.03)


def test_told_kind_and_address_are_kept_over_a_power_cut(tmp_path: Path) -> None:
    eeprom = tmp_path / "eeprom"
    before = ("sensor ina228 47", "sensor-ids 0 0", "load-ma 80")
    script = Script().at(0, *before).host(0.3, "sensor", "INA228").host(0.6, "address", 47)
    first = run(script, tmp_path / "first", 1, "--eeprom", str(eeprom))
    assert [line.fields for line in first.of("ok")] == [("sensor",), ("address",)]
    assert known(first) == ("INA228", "47", "told", "0000.0000")
    again = Script().at(0, *before).host(0.3, "start")
    second = run(again, tmp_path / "second", 2, "--eeprom", str(eeprom))
    assert known(second, 0) == ("INA228", "47", "told", "0000.0000")
    check_windows(converted_pairs(second), second.windows, INA228)
    last = Script().at(0, *before).host(0.3, "sensor", "auto").host(0.6, "address", "auto")
    third = run(last, tmp_path / "third", 1, "--eeprom", str(eeprom))
    assert known(third)[0] == "none"


def test_what_cannot_be_told_is_refused(tmp_path: Path) -> None:
    orders = [
        ("sensor", "INA999", "field"), ("sensor", "INA22", "field"), ("sensor", "", "field"),
        ("sensor", "auto INA219", "field"), ("address", "4a", "field"), ("address", "400", "field"),
        ("address", "50", "range"), ("address", "3F", "range"),
    ]  # fmt: skip
    script = Script()
    for number, (name, word, _) in enumerate(orders):
        script.host(0.3 + 0.1 * number, name, word)
    script.host(1.3, "start").host(1.5, "sensor", "auto").host(1.6, "address", 41)
    script.at(1.8, "send sensor*CA26")
    outcome = run(script, tmp_path, 2.2)
    expected = [(name, reason) for name, _, reason in orders]
    expected += [("sensor", "busy"), ("address", "busy")]
    assert [line.fields for line in outcome.of("no")][: len(expected)] == expected
    assert known(outcome)[:2] == ("INA219", "40")


def test_sensor_swapped_while_running_is_named_and_nothing_is_mixed(tmp_path: Path) -> None:
    script = Script().at(0, "sensor ina219 40", "load-ma 80").host(0.3, "start")
    script.at(2.0, "sensor-absent").at(2.3, "sensor ina228 41")
    outcome = run(script, tmp_path, 7)
    assert outcome.faults("sensor")
    assert len(outcome.faults("swap")) == 1
    assert known(outcome)[:3] == ("INA228", "41", "number")
    found_us = outcome.faults("swap")[0].sent_us
    before = [w for w in outcome.windows if int(w["time_us"]) < 2e6]
    after = [w for w in outcome.windows if int(w["time_us"]) > found_us + 3e5]
    pairs = converted_pairs(outcome)
    check_windows(pairs, before, INA219)
    check_windows(pairs, after, INA228)
    # Every line is one sensor's: no current and no voltage that is neither's.
    for window in outcome.windows:
        assert float(window["current_ma"]) == pytest.approx(80, abs=0.2)
        assert 4 < float(window["bus_v"]) < 5
    # What nobody measured goes on at the mean of the window that it ends in.
    hours = int(after[-1]["time_us"]) / 3.6e9
    assert float(after[-1]["charge_mah"]) == pytest.approx(80 * hours, rel=5e-3)


def test_same_sensor_back_is_no_swap(tmp_path: Path) -> None:
    script = Script().at(0, "sensor ina226 40").host(0.3, "start")
    script.at(1.0, "sensor-absent").at(1.5, "sensor-present")
    outcome = run(script, tmp_path, 4)
    assert outcome.faults("sensor")
    assert not outcome.faults("swap")


def test_ina228_counts_itself_and_agrees(tmp_path: Path) -> None:
    table = tmp_path / "load.csv"
    table.write_text("0,48\n3000,310.5\n7000,12.25\n13000,-7\n15500,96\n", "ascii")
    script = Script().at(0, "sensor ina228 40", f"load-table 19777 {table}", "pack-v 4.5")
    script.host(0.3, "start")
    outcome = run(script, tmp_path, 25)
    lines = [tuple(map(int, line.fields)) for line in outcome.of("own")]
    assert len(lines) == 3
    assert {line[1] for line in lines} == {1}
    at = {int(w["sequence"]): w for w in outcome.windows}
    first, last = lines[0], lines[-1]
    charge_mah = (last[2] - first[2]) * 312.5e-9 / 0.1 / 3.6
    ours_mah = float(at[last[0]]["charge_mah"]) - float(at[first[0]]["charge_mah"])
    # Read within 30 ms of the windows' ends, at currents up to 310 mA; and bus conversions leave gaps in both.
    assert charge_mah == pytest.approx(ours_mah, abs=2 * 0.03 * 310 / 3600)
    assert charge_mah == pytest.approx(ours_mah, rel=5e-3)
    assert {line[4] for line in lines} == {3200}
    energy_mwh = (last[3] - first[3]) * 51.2 * 312.5e-9 / 0.1 / 3.6
    ours_mwh = float(at[last[0]]["energy_mwh"]) - float(at[first[0]]["energy_mwh"])
    # The shunt's own part, and magnitudes of the current that flows back, lie between: some percent.
    assert energy_mwh == pytest.approx(ours_mwh, rel=0.04)


def test_ina228_bursts_and_its_own_count_do_not_disturb_each_other(tmp_path: Path) -> None:
    script = Script().at(0, "sensor ina228 40", "load-ma 80")
    script.host(0.2, "burst", 100_000).host(0.3, "start")
    outcome = run(script, tmp_path, 12)
    assert len(outcome.of("burst")) >= 3
    for line in outcome.of("burst"):
        assert int(line.fields[2]) == int(line.fields[3]) == 0  # a steady load, no noise
    first, last = (tuple(map(int, line.fields)) for line in outcome.of("own")[:2])
    at = {int(w["sequence"]): int(w["time_us"]) for w in outcome.windows}
    span_s = (at[last[0]] - at[first[0]]) * 1e-6
    assert (last[2] - first[2]) == pytest.approx(25_600 * span_s, rel=0.01)
    assert np.mean([int(w["conversions"]) for w in outcome.windows]) > 80
