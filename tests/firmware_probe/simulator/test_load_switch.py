"""The load switch opens by itself at the cutoff and stays open, whatever becomes of the host."""

from pathlib import Path

import pytest

from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]


def run(script: Script, folder: Path, seconds: float, *options: str) -> Outcome:
    script.at(0, "switch-fitted", "pack-v 4.5", "load-ma 100")
    return run_bench(sketch(), script, folder, seconds, *options)


def load_lines(outcome: Outcome) -> list[tuple[str, str]]:
    return [(line.fields[1], line.fields[2]) for line in outcome.of("load")]


def switch_events(outcome: Outcome) -> list[tuple[float, str]]:
    """Changes of the gate after the boot's own, seconds."""
    return [(at / 1e6, text) for at, text in outcome.events if text.startswith("switch")][2:]


def test_opens_when_held_below_and_not_at_a_dip(tmp_path: Path) -> None:
    script = Script().host(0.4, "cutoff", "3.000000", 500)
    # 0.4 s below is a dip; a pulse above starts the hold time anew
    script.at(1, "pack-v 2.9").at(1.4, "pack-v 3.2").at(2, "pack-v 2.9").at(2.3, "pack-v 3.2")
    script.at(2.303, "pack-v 2.9").host(4, "identify")
    outcome = run(script, tmp_path, 4.5)
    ((opened_s, text),) = switch_events(outcome)
    assert text == "switch open"
    assert opened_s == pytest.approx(2.803, abs=4e-3)
    assert load_lines(outcome)[-1] == ("0", "cutoff")
    hello = outcome.hellos[-1]
    assert (hello["load"], hello["cutoff_v"], hello["hold_ms"]) == ("0", "3.000000", "500")


def test_cutoff_counts_the_pack_and_not_the_load_side(tmp_path: Path) -> None:
    """At 2 A the shunt drops 200 mV: the load side is below the cutoff, the pack is not."""
    script = Script().at(0, "pack-ohm 0").host(0.4, "cutoff", "4.400000", 200).at(1, "load-ma 2000")
    assert not switch_events(run(script, tmp_path, 3))


def test_stays_open_when_the_pack_recovers(tmp_path: Path) -> None:
    script = Script().host(0.4, "cutoff", "3.000000", 200).at(1, "pack-v 2.9").at(1.5, "pack-v 4.5")
    outcome = run(script, tmp_path, 4)
    assert [text for _, text in switch_events(outcome)] == ["switch open"]


@pytest.mark.parametrize("command", ["reset external", "reset brownout", "reset power", "stall"])
def test_cutoff_and_open_switch_outlive_a_restart(tmp_path: Path, command: str) -> None:
    script = Script().host(0.4, "cutoff", "3.000000", 200).at(1, "pack-v 2.9").at(1.5, "pack-v 4.5")
    outcome = run(script.at(2, command).host(5.5, "identify"), tmp_path, 6)
    assert [text for _, text in switch_events(outcome)] == ["switch open"]
    hello = outcome.hellos[-1]
    assert (hello["load"], hello["cutoff_v"], hello["hold_ms"]) == ("0", "3.000000", "200")
    assert load_lines(outcome)[-1] == ("0", "boot")


def test_cutoff_is_watched_after_a_restart_without_a_host(tmp_path: Path) -> None:
    script = Script().host(0.4, "cutoff", "3.000000", 200).at(1, "reset power").at(2, "pack-v 2.9")
    outcome = run(script, tmp_path, 3)
    ((opened_s, text),) = [item for item in switch_events(outcome) if item[0] > 1.5]
    assert text == "switch open"
    assert opened_s == pytest.approx(2.2, abs=4e-3)


def test_gate_is_low_while_the_board_restarts(tmp_path: Path) -> None:
    outcome = run(Script().at(1, "reset external"), tmp_path, 2)
    assert [text for _, text in switch_events(outcome)] == ["switch open", "switch closed"]


def test_closes_again_on_command_only(tmp_path: Path) -> None:
    script = Script().host(0.4, "cutoff", "3.000000", 200).at(1, "pack-v 2.9").at(1.5, "pack-v 4.5")
    outcome = run(script.host(2, "load", "1"), tmp_path, 4)
    assert [text for _, text in switch_events(outcome)] == ["switch open", "switch closed"]
    assert load_lines(outcome)[-2:] == [("0", "cutoff"), ("1", "host")]


def test_no_switch_fitted(tmp_path: Path) -> None:
    script = Script().at(0, "pack-v 4.5", "load-ma 100").host(0.4, "load", "0")
    script.host(0.5, "cutoff", "3.000000", 200)
    outcome = run_bench(sketch(), script, tmp_path, 1)
    assert outcome.hellos[0]["load"] == "-"
    assert [line.fields for line in outcome.of("no")] == [("load", "fitted"), ("cutoff", "fitted")]


def test_unwatched_cells_are_cut_off(tmp_path: Path) -> None:
    """The sensor is gone and a cutoff is set: nobody watches the cells, so the switch opens."""
    script = Script().host(0.4, "cutoff", "3.000000", 200).at(1, "sensor-absent")
    outcome = run(script, tmp_path, 33)
    ((opened_s, text),) = switch_events(outcome)
    assert text == "switch open"
    assert 25 < opened_s < 33
    assert load_lines(outcome)[-1] == ("0", "sensor")


def test_short_pulses_of_a_load_do_not_cut_off(tmp_path: Path) -> None:
    """An alkaline pack sags under every pulse; between two it is above the cutoff."""
    table = tmp_path / "pulses.csv"
    table.write_text("0,50\n30000,900\n60000,50\n", "ascii")
    script = Script().at(0, "pack-ohm 1", f"load-table 100000 {table}")
    script.at(0.1, "pack-v 3.4")
    outcome = run(script.host(0.4, "cutoff", "3.000000", 200).host(0.5, "start"), tmp_path, 3)
    assert not switch_events(outcome)
    assert min(float(window["pack_min_v"]) for window in outcome.windows) < 2.7
