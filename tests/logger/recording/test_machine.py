"""The recording as a state machine: a night with everything that can go wrong, in milliseconds."""

import random
from pathlib import Path
from typing import Any

import psutil
import pytest

from firmware_probe.line_format import frame
from logger.base.clock import ANCHORS_MAX, Moment
from logger.board.dialogue import TRIES_LOAD
from logger.recording.event_log import EVENTS_PER_KIND_MAX
from logger.recording.machine import CLOSING_S
from logger.recording.terms import LoadAtEnd, Phase, Wishes
from logger.run.description import Event, Stop
from tests.support.line_feeder import FeederBoard
from tests.support.recording_bench import Bench

FIFTY_MA = 50.0
BOUND_SLACK_MAH = 2e-6  # the wire's last digit, twice


def recorded(bench: Bench) -> float:
    return bench.recording.status().charge_mah


def started(board: FeederBoard | None = None, **options: Any) -> Bench:
    """A recording that has been running for a second."""
    bench = Bench(board or FeederBoard(), **options)
    bench.plug()
    bench.run(1.0)
    return bench


def bounds(events: list[Event]) -> tuple[float, float]:
    return (
        sum(event.lost["charge_lower_mah"] for event in events),
        sum(event.lost["charge_upper_mah"] for event in events),
    )


@pytest.mark.slow
def test_known_charge_and_energy() -> None:
    # 50 mA for an hour are 50 mAh, at 4.5 V 225 mWh.
    bench = started(stop=Stop(duration_s=3600.0))
    bench.run(3700.0, step_s=1.0)
    status = bench.recording.status()
    assert status.phase is Phase.ENDED
    assert status.end_reason == "duration"
    assert status.time_s == pytest.approx(3600.0)
    assert status.charge_mah == pytest.approx(50.0, abs=2e-6)
    assert status.energy_mwh == pytest.approx(225.0, abs=1e-5)
    first = bench.table[0]
    assert first["time_s"] == pytest.approx(0.1)
    assert first["charge_mah"] == pytest.approx(FIFTY_MA * 0.1 / 3600, abs=1e-6)
    assert len(bench.table) == 36000


def test_what_is_said_to_the_board_and_in_which_order() -> None:
    board = FeederBoard(load="0", window_us=50_000)
    board.running = True
    wishes = Wishes(window_us=200_000, guard_v=2.7, guard_hold_s=15.0)
    bench = Bench(board, wishes=wishes)
    bench.plug()
    bench.run(2.0)
    assert board.commands == [
        "identify",
        "stop",
        "window,200000",
        "cutoff,2.700000,15000",
        "load,1",
        "start",
    ]
    assert bench.recording.phase is Phase.RUNNING
    assert bench.table[0]["time_s"] == pytest.approx(0.2)


def test_a_cutoff_needs_its_hold_without_a_break() -> None:
    bench = started(stop=Stop(cutoff_v=2.7, hold_s=5.0), wishes=Wishes())
    bench.board.start_v = 2.6
    bench.run(4.8)
    assert bench.recording.ended_as is None
    bench.board.start_v = 2.8
    bench.run(0.1)
    bench.board.start_v = 2.6
    bench.run(4.9)
    assert bench.recording.ended_as is None
    bench.run(0.3)
    status = bench.recording.status()
    assert (status.end_reason, status.phase) == ("cutoff", Phase.ENDED)
    assert status.end_text == "pack voltage below 2.7 V, held for 5 s"
    # Below since the end of the first such window, over at the first one 5 s later.
    below = [row["time_s"] for row in bench.table if row["pack_v"] < 2.7]
    assert below[-1] - below[-51] == pytest.approx(5.0)
    assert bench.table[-1]["time_s"] == below[-1]


def test_a_pack_that_was_never_above_the_cutoff_is_asked_about() -> None:
    bench = started(stop=Stop(cutoff_v=5.5, hold_s=2.0))
    bench.run(3.0)
    assert bench.recording.status().end_reason == "cutoff"
    assert "from the first row on; check the pack" in bench.recording.status().end_text


def test_what_the_board_says_before_the_first_row_stands_at_its_time() -> None:
    """The board has run for long before; its own time is not the run's."""
    board = FeederBoard(load="0")
    board.time_us += 367_000_000
    bench = started(board)
    bench.run(1.0)
    found, closed = bench.events("load")
    assert found.text == "load switch found open"
    assert "closed" in closed.text
    assert found.time_s == 0.0
    assert closed.time_s < 1.0


def test_the_load_is_opened_at_the_cutoff_and_it_is_confirmed() -> None:
    bench = started(FeederBoard(load="1"), stop=Stop(cutoff_v=2.7))
    bench.board.start_v = 2.6
    bench.run(1.0)
    assert bench.board.load == "0"
    assert not bench.recording.load_unconfirmed
    assert [event.text for event in bench.events("load")] == [
        "load switch found closed",
        "load switch opened (told by this computer)",
        "the load switch opens: 50 mA before, under 4.4 mA after",
    ]


@pytest.mark.parametrize(
    ("load_at_end", "stop", "opened"),
    [
        (LoadAtEnd.NEVER, Stop(cutoff_v=2.7), False),
        (LoadAtEnd.AT_CUTOFF, Stop(duration_s=3.0), False),
        (LoadAtEnd.AT_END, Stop(duration_s=3.0), True),
        (LoadAtEnd.AT_END, Stop(charge_mah=0.03), True),
    ],
)
def test_the_load_otherwise(load_at_end: LoadAtEnd, stop: Stop, opened: bool) -> None:
    bench = started(FeederBoard(load="1"), stop=stop, wishes=Wishes(load_at_end=load_at_end))
    bench.board.start_v = 2.6
    bench.run(5.0)
    assert bench.recording.phase is Phase.ENDED
    assert bench.board.load == ("0" if opened else "1")


def test_a_load_switch_that_does_not_answer_is_told_loudly() -> None:
    bench = started(FeederBoard(load="1"), stop=Stop(cutoff_v=2.7))
    bench.board.receive = lambda line: b""  # type: ignore[method-assign]
    bench.board.start_v = 2.6
    bench.run(CLOSING_S + 2.0)
    assert bench.recording.phase is Phase.ENDED
    assert bench.recording.load_unconfirmed
    assert sum(command.startswith(b"load,0*") for command in bench.commands) == TRIES_LOAD
    assert "MAY STILL" in bench.recording.status().end_text.upper()


def test_a_load_command_lost_twice_is_said_again() -> None:
    board = FeederBoard(load="1")
    bench = started(board, stop=Stop(cutoff_v=2.7))
    deaf = iter((True, True, False))
    hear = board.receive
    board.receive = lambda line: b"" if next(deaf, False) else hear(line)  # type: ignore[method-assign]
    board.start_v = 2.6
    bench.run(5.0)
    assert bench.recording.phase is Phase.ENDED
    assert not bench.recording.load_unconfirmed
    assert board.load == "0"


def test_a_board_back_without_its_greeting_is_still_told_to_open_the_load() -> None:
    board = FeederBoard(load="1")
    bench = started(board, stop=Stop(duration_s=8.0), wishes=Wishes(load_at_end=LoadAtEnd.AT_END))
    bench.unplug()
    bench.run(3.0)
    hear = board.receive
    board.receive = lambda line: b"" if line.startswith(b"identify") else hear(line)  # type: ignore[method-assign]
    bench.plug()
    bench.run(10.0)
    assert bench.recording.phase is Phase.ENDED
    assert not bench.recording.load_unconfirmed
    assert board.load == "0"


def test_the_boards_own_cutoff_ends_the_run() -> None:
    bench = started(FeederBoard(load="1"), wishes=Wishes(guard_v=2.7, guard_hold_s=2.0))
    bench.board.start_v = 2.6
    bench.run(4.0)
    assert bench.recording.status().end_reason == "cutoff"
    assert "own cutoff of 2.7 V" in bench.recording.status().end_text


def test_a_load_found_open_after_a_silence_ends_the_run() -> None:
    bench = started(FeederBoard(load="1"))
    bench.unplug()
    bench.board.load = "0"
    bench.run(20.0)
    bench.plug()
    bench.run(1.0)
    assert bench.recording.status().end_reason == "cutoff"
    assert "load" not in " ".join(bench.board.commands[-3:])


@pytest.mark.slow
def test_fifty_unpluggings_cost_no_charge() -> None:
    rng = random.Random(1)
    bench = started()
    for _ in range(50):
        bench.run(rng.uniform(1, 20))
        bench.unplug()
        bench.run(rng.uniform(0.2, 60))
        bench.plug()
    bench.run(2.0)
    board = bench.board
    assert recorded(bench) == pytest.approx(board.true_mah, abs=2e-6)
    assert bench.recording.status().time_s == pytest.approx(board.time_us / 1e6)
    gaps = bench.events("gap")
    assert len(gaps) == 50
    assert all(gap.lost["charge_mah"] == 0.0 for gap in gaps)
    assert sum(gap.lost["rows"] for gap in gaps) == bench.recording.status().rows_missing
    assert len(bench.table) + bench.recording.status().rows_missing == board.sequence


@pytest.mark.slow
def test_fifty_resets_are_bounded_and_flagged() -> None:
    rng = random.Random(2)
    bench = started()
    for _ in range(50):
        bench.run(rng.uniform(0.5, 30))
        bench.reset(rng.uniform(0.02, 5.0))
        bench.run(0.5)
    boots = bench.events("boot")
    assert len(boots) == 50
    lower, upper = bounds(boots)
    true_mah = bench.board.true_mah
    assert recorded(bench) + lower <= true_mah + BOUND_SLACK_MAH
    assert true_mah <= recorded(bench) + upper + BOUND_SLACK_MAH
    times = [row["time_s"] for row in bench.table]
    assert times == sorted(times)
    # Every bound by itself, not just their sum: what was missed is 50 mA for each dead time.
    for event in boots:
        assert event.lost["charge_upper_mah"] >= FIFTY_MA * event.lost["span_s"] / 3600
    world_s = bench.board.world_us / 1e6
    assert times[-1] == pytest.approx(world_s, abs=0.1 * 51)


def test_a_reset_while_the_cable_is_out_or_the_computer_asleep() -> None:
    bench = started()
    bench.run(10.0)
    bench.unplug()
    bench.run(100.0)
    bench.reset(dead_s=40.0)
    bench.run(60.0)
    bench.plug()
    bench.run(5.0)
    boot = bench.events("boot")[0]
    missing = bench.board.true_mah - recorded(bench)
    assert 0.0 <= missing <= boot.lost["charge_upper_mah"]
    # 140 s were not measured: 100 s that the first boot took with it, and 40 s dead.
    assert "if the piece drew no more than the 50 mA it drew at most before" in boot.text
    assert boot.lost["span_s"] == pytest.approx(140.0, abs=1.0)
    assert missing == pytest.approx(FIFTY_MA * 140 / 3600, rel=0.01)
    assert bench.recording.status().time_s == pytest.approx(bench.board.world_us / 1e6, abs=0.5)


@pytest.mark.slow
def test_a_stopped_program_then_a_reset_does_not_shrink_the_bound() -> None:
    """Lines that waited in a buffer for an hour arrive late; they must not pull the clock tie along."""
    bench = started()
    bench.run(10.0)
    waited = b"".join(bench.board.window() for _ in range(5))
    bench.board_alone(3600.0 - 0.5)
    bench.pass_time(3600.0)
    bench.say(waited)
    bench.reset(dead_s=1.0)
    bench.run(2.0)
    boot = bench.events("boot")[0]
    missing = bench.board.true_mah - recorded(bench)
    assert missing == pytest.approx(FIFTY_MA, rel=0.01)
    assert missing <= boot.lost["charge_upper_mah"] <= missing * 1.02
    assert bench.events("clock")[0].lost["stall_s"] == pytest.approx(3600.0, abs=1.0)


@pytest.mark.slow
def test_an_hour_asleep_loses_no_charge() -> None:
    bench = started()
    bench.run(10.0)
    bench.board_alone(3600.0)
    bench.pass_time(3600.0, slept_s=3600.0)
    bench.run(10.0)
    assert bench.recording.status().charge_mah == pytest.approx(bench.board.true_mah, abs=2e-6)
    assert bench.events("clock")[0].lost["sleep_s"] == pytest.approx(3600.0, abs=1.0)
    gap = bench.events("gap")[0]
    assert gap.lost["rows"] == 36000
    assert gap.lost["span_s"] == pytest.approx(3600.1)


def test_a_set_clock_is_noted_and_changes_nothing() -> None:
    bench = started()
    for step_s in (3600.0, -3600.0, 0.2, -86400.0):
        bench.run(5.0)
        bench.pass_time(0.1, stepped_s=step_s)
        bench.recording.tick(bench.now)
    bench.run(5.0)
    assert [event.lost["step_s"] for event in bench.events("clock")] == pytest.approx(
        [3600.0, -3600.0, -86400.0], abs=0.01
    )
    assert bench.recording.status().time_s == pytest.approx(bench.board.time_us / 1e6)
    assert recorded(bench) == pytest.approx(bench.board.true_mah, abs=2e-6)
    anchors = bench.recording.description(bench.now).clock
    assert len(anchors) >= 4
    hosts = [host_s for _, host_s, _ in anchors]
    assert hosts == sorted(hosts)


@pytest.mark.slow
def test_five_percent_of_the_lines_lost_or_damaged() -> None:
    rng = random.Random(3)

    def spoil(data: bytes) -> bytes:
        out = b""
        for line in data.splitlines(keepends=True):
            if rng.random() < 0.05:
                line = rng.choice([b"", line[:20], line.replace(b",", b";", 1), b"\xff" * 9 + line])
            out += line
        return out

    bench = started(spoil=spoil)
    bench.run(3600.0, step_s=0.5)
    bench.spoil = lambda data: data
    bench.run(1.0)
    assert recorded(bench) == pytest.approx(bench.board.true_mah, abs=2e-6)
    assert bench.recording.status().rows_missing > 1000
    assert len(bench.table) + bench.recording.status().rows_missing == bench.board.sequence
    sequence = [row["sequence"] for row in bench.table]
    assert len(set(sequence)) == len(sequence)


def test_a_line_that_passes_the_crc_by_chance_does_not_throw_the_time_forward() -> None:
    bench = started()
    wild = frame(
        "w,900000,99000000000,94,4.500000,4.500000,4.500000,50.0000,50.0000,50.0000,77.000000,9.000000"
    )
    bench.say(wild)
    bench.run(2.0)
    assert bench.recording.status().time_s == pytest.approx(bench.board.time_us / 1e6)
    assert recorded(bench) == pytest.approx(bench.board.true_mah, abs=2e-6)
    assert bench.events("noise")[0].lost["lines"] == 1


def test_a_loss_just_before_silence_is_still_written() -> None:
    bench = started()
    bench.board.window()
    bench.say(bench.board.window())
    rows = len(bench.table)
    bench.pass_time(1.0)
    bench.recording.tick(bench.now)
    bench.run(0.1)
    assert len(bench.table) >= rows + 1


def test_another_board_on_the_port_is_not_recorded() -> None:
    bench = started()
    ours = bench.board
    bench.unplug()
    bench.board = FeederBoard("0BADCAFE")
    bench.plug()
    assert bench.recording.wants_reopen
    bench.run(3.0)
    assert bench.board.commands == ["identify"] * len(bench.board.commands)
    assert bench.recording.status().board == ours.board
    assert "0BADCAFE" in bench.events("link")[1].text


def test_a_silent_board_is_asked_and_then_the_port_is_opened_again() -> None:
    bench = started()
    asked = bench.board.commands.count("identify")
    bench.board.receive = lambda line: b""  # type: ignore[method-assign]
    bench.spoil = lambda data: b""
    bench.run(5.0)
    assert bench.commands[-1].startswith(b"identify")
    assert asked < len(bench.commands)
    assert not bench.recording.wants_reopen
    bench.run(6.0)
    assert bench.recording.wants_reopen


def test_a_board_whose_eeprom_does_not_count_its_boots() -> None:
    bench = started()
    bench.run(5.0)
    bench.board.boot -= 1  # reset() will count it up to what it was
    bench.reset(dead_s=1.0)
    bench.run(5.0)
    assert len(bench.events("boot")) == 1
    times = [row["time_s"] for row in bench.table]
    assert times == sorted(times)
    missing = bench.board.true_mah - recorded(bench)
    assert 0.0 < missing <= bench.events("boot")[0].lost["charge_upper_mah"]


def test_a_simulated_board_in_fast_time_is_taken_up_again_after_a_reset() -> None:
    """Host seconds count ``time_factor`` board seconds, also over the pause of a resumed run."""
    bench = started(FeederBoard(time_factor=100.0, window_us=10_000_000))
    for _ in range(20):
        bench.pass_time(-9.9)  # the bench plays board time; the host's runs 100 times slower
        bench.run(10.0, step_s=10.0)
    bench = bench.after_a_crash()
    bench.pass_time(36.0)
    bench.board.reset("power", 3_600_000_000)
    bench.plug()
    bench.say(bench.board.hello())
    (boot,) = bench.events("boot")
    assert boot.lost["span_s"] == pytest.approx(3600.0, rel=0.1)


def test_a_reset_of_a_board_whose_time_cannot_be_told_claims_no_length() -> None:
    """A simulated board flat out: neither a length nor a bound may be made up."""
    bench = started(FeederBoard(time_factor=0.0))
    bench.run(5.0)
    bench.reset(dead_s=1.0)
    bench.run(5.0)
    (boot,) = bench.events("boot")
    assert boot.lost == {"charge_lower_mah": 0.0}
    assert "at most" not in boot.text
    assert "cannot be bounded" in boot.text
    assert recorded(bench) < bench.board.true_mah


def test_newer_protocol_ends_with_words() -> None:
    bench = Bench(FeederBoard())
    bench.plugged = True
    bench.recording.connected(bench.now, "desk")
    bench.recording.feed(
        b"\n" + frame("hello,protocol=2,board=7F3A91C2,boot=1,window_us=100000,time_us=5"),
        bench.now,
    )
    assert bench.recording.status().end_reason == "error"
    assert "protocol 2" in bench.recording.status().end_text


def test_giving_up_and_the_duration_pass_without_a_board() -> None:
    bench = started(wishes=Wishes(give_up_s=30.0))
    bench.unplug()
    bench.run(31.0)
    assert bench.recording.status().end_reason == "link-lost"
    bench = started(stop=Stop(duration_s=60.0))
    bench.unplug()
    bench.run(61.0)
    assert bench.recording.status().end_reason == "duration"
    assert "no link" in bench.recording.status().end_text


@pytest.mark.parametrize("dead_s", [0.0, 30.0])
def test_resuming_after_a_crash(dead_s: float) -> None:
    bench = started()
    bench.run(20.0)
    bench = bench.after_a_crash()
    bench.run(120.0)
    if dead_s:
        bench.reset(dead_s)
        bench.run(5.0)
    bench.plug()
    bench.run(10.0)
    boots = bench.events("boot")
    missing = bench.board.true_mah - recorded(bench)
    times = [row["time_s"] for row in bench.table]
    assert times == sorted(times)
    assert len(set(times)) == len(times)
    assert times[-1] == pytest.approx(bench.board.world_us / 1e6, abs=0.5)
    if not dead_s:
        assert boots == []
        assert missing == pytest.approx(0.0, abs=2e-6)
        assert len(bench.events("gap")) == 1
    else:
        assert len(boots) == 1
        assert 0.0 <= missing <= boots[0].lost["charge_upper_mah"]


@pytest.mark.parametrize(
    ("stepped_s", "boot", "told"),
    [
        (0.0, "another", "by the time of day"),
        (-3600.0, "another", "the computer's clock stands 3330 s before the last row"),
        (-3600.0, "same", "its steady clock tells the pause"),
        (3600.0, "same", "its steady clock tells the pause"),
        (-200.0, "another", "clock says has passed"),
    ],
)
def test_a_clock_that_was_set_while_nobody_recorded(stepped_s: float, boot: str, told: str) -> None:
    """The board started again as well: its charge is bounded only where the pause is known, and then rightly."""
    bench = started(boot="same")
    bench.run(20.0)
    bench.pass_time(270.0, stepped_s=stepped_s)
    bench.board.reset("power", 150_000_000)
    if boot == "another":  # its steady clock began anew, and says how long the computer has been on
        bench.now = Moment(250.0, 250.0, bench.now.wall_s)
    bench = bench.after_a_crash(boot=boot)
    bench.plug()
    bench.run(10.0)
    (event,) = bench.events("boot")
    assert told in next(each.text for each in bench.events("link") if "taken up" in each.text)
    missing = bench.board.true_mah - recorded(bench)
    if "stands" in told or "has passed" in told:
        assert "charge_upper_mah" not in event.lost
        assert "cannot be bounded" in event.text
        assert bench.recording.description(bench.now).unknown_pauses == (event,)
    else:
        assert 0.0 <= missing <= event.lost["charge_upper_mah"] < 3 * missing
    times = [row["time_s"] for row in bench.table]
    assert times == sorted(times)
    assert not [each for each in bench.recording.description(bench.now).clock if each[1] < 0]


def test_a_board_that_has_been_on_for_longer_than_the_pause() -> None:
    """A clock without a battery went on from where it stopped: the board knows better."""
    bench = started(boot="")
    bench.run(20.0)
    bench.pass_time(7200.0, stepped_s=-7100.0)
    bench.board.reset("power")
    bench.board_alone(3600.0)
    bench = bench.after_a_crash()
    bench.plug()
    bench.run(10.0)
    (event,) = bench.events("boot")
    assert "charge_upper_mah" not in event.lost


@pytest.mark.slow
def test_events_stay_bounded_on_the_worst_of_nights() -> None:
    bench = started()
    for _ in range(400):
        bench.reset(0.01)
        bench.run(0.4)
        bench.unplug()
        bench.run(0.2)
        bench.plug()
        bench.say(b"garbage\n" * 5 + frame("fault,5,overflow,3") + frame("fault,5,strange,x"))
        bench.run(70.0, step_s=10.0)
    events = bench.recording.events.all()
    assert len(events) < 10 * EVENTS_PER_KIND_MAX
    assert all(len(event.text) <= 300 for event in events)
    lower, upper = bounds(bench.events("boot"))
    missing = bench.board.true_mah - recorded(bench)
    assert lower <= missing <= upper
    assert sum(event.lost["lines"] for event in bench.events("noise")) >= 2000


@pytest.mark.slow
def test_forty_nine_days(tmp_path: Path) -> None:
    """Past 2^32 milliseconds: no drift of time or charge, memory flat, anchors bounded."""
    board = FeederBoard(window_us=10_000_000)
    bench = Bench(board, folder=tmp_path)
    bench.plug()
    bench.run(86_400.0, step_s=100.0)
    process = psutil.Process()
    before = process.memory_info().rss
    assert bench.writer is not None
    for _ in range(48):
        bench.run(86_400.0, step_s=100.0)
        bench.writer.sync()
    bench.run(86_400.0 / 2, step_s=100.0)
    assert process.memory_info().rss - before < 5_000_000
    status = bench.recording.status()
    assert board.time_us == 49.5 * 86_400 * 1_000_000
    assert status.time_s == board.time_us / 1e6
    assert status.charge_mah == pytest.approx(FIFTY_MA * 49.5 * 24, abs=2e-6)
    assert status.rows == board.sequence
    assert len(bench.recording.description(bench.now).clock) <= ANCHORS_MAX + 1
    last = (tmp_path / "samples.csv").read_bytes().splitlines()[-1]
    assert last.startswith(b"4276800.000000,")
