"""The load switch opens by itself at the cutoff and stays open, whatever becomes of the host."""

from pathlib import Path

import pytest

from firmware_probe.line_format import command
from tests.support.firmware_sim.bench import Outcome, Script, run_bench
from tests.support.firmware_sim.toolchain import needs_toolchain, sketch

pytestmark = [pytest.mark.firmware, needs_toolchain]


def run(script: Script, folder: Path, seconds: float, *options: str, told: bool = True) -> Outcome:
    """``told``: the host closes the switch of this new board as soon as it listens."""
    script.at(0, "switch-fitted", "pack-v 4.5", "load-ma 100")
    if told:
        script.host(0.25, "load", "1")
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


@pytest.mark.parametrize("restart", ["reset external", "reset brownout", "reset power", "stall"])
def test_cutoff_and_open_switch_outlive_a_restart(tmp_path: Path, restart: str) -> None:
    script = Script().host(0.4, "cutoff", "3.000000", 200).at(1, "pack-v 2.9").at(1.5, "pack-v 4.5")
    outcome = run(script.at(2, restart).host(5.5, "identify"), tmp_path, 6)
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


def test_a_cutoff_taken_off_is_gone_after_a_restart(tmp_path: Path) -> None:
    """What ``log`` sends before a run without a cutoff: the earlier run's is in no memory then."""
    script = Script().host(0.4, "cutoff", "3.000000", 200).host(0.6, "cutoff", "0.000000", 0)
    script.at(1, "reset power").at(2, "pack-v 2.9").host(2.5, "identify")
    outcome = run(script, tmp_path, 3)
    hello = outcome.hellos[-1]
    assert (hello["load"], hello["cutoff_v"], hello["hold_ms"]) == ("1", "0.000000", "0")


def test_gate_is_low_while_the_board_restarts(tmp_path: Path) -> None:
    outcome = run(Script().at(1, "reset external"), tmp_path, 2)
    assert [text for _, text in switch_events(outcome)] == ["switch open", "switch closed"]


def test_only_a_person_closes_it_after_a_cutoff(tmp_path: Path) -> None:
    script = Script().host(0.4, "cutoff", "3.000000", 200).at(1, "pack-v 2.9").at(1.5, "pack-v 4.5")
    script.host(2, "load", "1").host(2.2, "load", "0").host(2.4, "load", "1").at(
        2.6, "reset brownout"
    )
    script.host(3.4, "load", "1").host(3.8, "load", "1", "1").host(4.2, "identify")
    outcome = run(script, tmp_path, 4.5)
    assert [line.fields for line in outcome.of("no")] == [("load", "tripped")] * 3
    assert [text for _, text in switch_events(outcome)] == ["switch open", "switch closed"]
    assert load_lines(outcome)[-1] == ("1", "host")
    assert [hello["opened"] for hello in outcome.hellos] == ["new", "cutoff", "-"]


@pytest.mark.parametrize("restart", ["reset external", "reset brownout", "reset power", "stall"])
def test_a_new_board_starts_open_until_it_is_told(tmp_path: Path, restart: str) -> None:
    script = Script().host(0.4, "start").at(1, restart).host(4.5, "load", "1").host(5, "identify")
    outcome = run(script, tmp_path, 5.5, told=False)
    assert [(h["load"], h["opened"]) for h in outcome.hellos] == [
        ("0", "new"),
        ("0", "new"),
        ("1", "-"),
    ]
    assert all(float(window["current_max_ma"]) < 1 for window in outcome.windows)
    again = run(Script().at(1, restart), tmp_path, 5, told=True)
    assert [(h["load"], h["opened"]) for h in again.hellos] == [("0", "new"), ("1", "-")]


def test_half_a_line_does_not_glue_to_the_next_hello(tmp_path: Path) -> None:
    script = Script().host(0.4, "window", 10_000).host(0.5, "start")
    for number in range(8):  # somewhere in the middle of a line
        script.at(1 + number + number / 997, "reset external")
        script.host(1.6 + number, "window", 10_000).host(1.7 + number, "start")
    outcome = run(script, tmp_path, 9)
    assert len(outcome.hellos) == 9
    assert outcome.void, "a reset did cut lines in half"


@pytest.mark.parametrize("kind", ["ina219", "ina226"])
@pytest.mark.parametrize("way", ["welded", "bridged"])
def test_a_switch_that_does_not_open_is_told_within_a_second(
    tmp_path: Path, way: str, kind: str
) -> None:
    script = Script().at(0, f"sensor {kind} 40", f"switch {way}").host(1, "load", "0")
    outcome = run(script.at(4.2, "switch right"), tmp_path, 7)
    told = outcome.faults("switch")
    opened_us = outcome.event_times("switch open")[-1]
    # Before it was told to close it was open as well, for a quarter of a second: too short to tell.
    assert 0.7e6 < told[0].sent_us - opened_us < 1e6
    assert float(told[0].fields[2]) == pytest.approx(100.0, abs=0.5)
    assert len(told) == 4, "once a second for as long as it lasts"
    assert told[-1].sent_us < 4.2e6 + 1.02e6, "what was seen before its turn came"


@pytest.mark.parametrize("load_ma", [3.5, 4.6])
@pytest.mark.parametrize("kind", ["ina219", "ina226"])
def test_what_may_flow_through_an_open_switch(tmp_path: Path, kind: str, load_ma: float) -> None:
    script = Script().at(0, f"sensor {kind} 40", "switch welded").at(0.1, f"load-ma {load_ma}")
    outcome = run(script, tmp_path, 2, told=False)
    assert bool(outcome.faults("switch")) == (load_ma > 4)


def test_worn_memory_is_told_and_the_next_cell_is_taken(tmp_path: Path) -> None:
    # Slots of 16 bytes from 16 on: the second and the third have a dead cell.
    script = Script().at(0, "eeprom-worn 35 1").at(0.1, "eeprom-worn 35 20")
    outcome = run(script.at(1.5, "reset power"), tmp_path, 3)
    assert outcome.faults("memory")
    assert [(h["boot"], h["opened"]) for h in outcome.hellos] == [("1", "new"), ("2", "-")]


def test_memory_that_takes_nothing_costs_only_itself(tmp_path: Path) -> None:
    script = Script().host(0.2, "start").at(5, "eeprom-worn 0 1024").host(5.2, "load", "0")
    outcome = run(script.at(12, "reset power"), tmp_path, 15)
    assert load_lines(outcome)[-2] == ("0", "host"), "it opens all the same"
    assert [line.fields for line in outcome.of("no")] == []
    assert outcome.faults("memory")
    assert outcome.hellos[-1]["load"] == "1", "what was kept is what is known"
    sequences = [int(window["sequence"]) for window in outcome.windows]
    assert sequences == list(range(len(sequences)))
    assert len(sequences) > 110
    assert not outcome.faults("missed")


def test_three_hundred_resets_lose_nothing_that_was_kept(tmp_path: Path) -> None:
    script = Script().host(0.4, "cutoff", "3.000000", 200).at(1, "pack-v 2.9").at(1.5, "pack-v 4.5")
    kinds = ("external", "brownout", "power")
    for number in range(300):
        script.at(2 + 0.12 * number, f"reset {kinds[number % 3]}")
    outcome = run(script, tmp_path, 2 + 0.12 * 301)
    found = [(h["boot"], h["load"], h["opened"], h["cutoff_v"]) for h in outcome.hellos[1:]]
    assert found == [(str(boot), "0", "cutoff", "3.000000") for boot in range(2, 302)]


def test_commands_cut_at_every_byte(tmp_path: Path) -> None:
    script = Script()
    lines = [command("load", "0"), command("load", "1"), command("cutoff", "3.000000", "200")]
    at_s, sent = 0.5, 0
    for line in lines:
        for cut in range(1, len(line)):
            script.at(at_s, f"send-hex {line[:cut].hex()}").at(
                at_s + 0.1, f"send-hex {line[cut:].hex()}"
            )
            at_s, sent = at_s + 0.3, sent + 1
    outcome = run(script, tmp_path, at_s + 0.3)
    assert len(outcome.of("ok")) == sent + 1
    assert outcome.of("no") == []


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


def test_a_silent_host_changes_nothing(tmp_path: Path) -> None:
    """A minute on the chip; a night of it is the simulated board's test."""
    script = Script().host(0.4, "cutoff", "3.000000", 200).host(0.5, "start")
    outcome = run(script.host(61, "identify"), tmp_path, 62)
    assert [line.fields[1] for line in outcome.of("fault")] == []
    sequences = [int(window["sequence"]) for window in outcome.windows]
    assert sequences == list(range(sequences[0], sequences[0] + len(sequences)))
    assert len(sequences) > 600
    assert outcome.hellos[-1]["running"] == "1"
    assert not switch_events(outcome)


def test_a_board_whose_memory_never_took_anything_still_starts(tmp_path: Path) -> None:
    """The simulated chip writes a cell at once; that the watchdog is fed over the real one's seconds is not seen here."""
    outcome = run(Script().at(0, "eeprom-worn 0 1024").host(7, "start"), tmp_path, 9, told=False)
    ((cause, boot, load, opened),) = {
        (hello["cause"], hello["boot"], hello["load"], hello["opened"]) for hello in outcome.hellos
    }
    assert (cause, boot, load, opened) == ("power", "1", "0", "new")
    assert outcome.faults("memory")
    assert len(outcome.windows) > 15
