"""After the load switch was opened the logger looks whether the current has gone."""

from pathlib import Path
from typing import Any

import pytest

from firmware_probe.line_format import frame
from logger.recording.machine import Recording
from logger.recording.terms import LoadAtEnd, Phase, Wishes
from logger.run.description import Stop
from tests.support.line_feeder import FeederBoard
from tests.support.recording_bench import Bench

LOUD = "THE LOAD SWITCH DOES NOT OPEN"


def at_the_end(board: FeederBoard, seconds: float = 2.0, **options: Any) -> Bench:
    """A run that ends by its time and then opens the load."""
    wishes = Wishes(load_at_end=LoadAtEnd.AT_END)
    bench = Bench(board, wishes=wishes, stop=Stop(duration_s=seconds), **options)
    bench.plug()
    bench.run(seconds + 30.0)
    assert bench.recording.phase is Phase.ENDED
    return bench


def seen(recording: Recording, bench: Bench) -> Any:
    return recording.description(bench.now).switch_test


def test_the_current_is_seen_to_go_before_the_board_is_stopped() -> None:
    board = FeederBoard(load="1")
    bench = at_the_end(board)
    assert [c for c in board.commands if c != "identify"] == ["start", "load,0", "stop"]
    assert bench.recording.switch.alarm == ""
    assert bench.recording.ended_as is not None
    assert bench.recording.ended_as[0] == "duration"
    assert "nobody saw" not in bench.recording.ended_as[1]
    test = seen(bench.recording, bench)
    assert test.opened
    assert (test.before_ma, test.after_ma) == (50.0, 0.0)
    assert any("the load switch opens: 50 mA before" in e.text for e in bench.events("load"))
    assert bench.table[-1]["time_s"] == pytest.approx(2.0), "rows end where the run ends"


def test_a_switch_that_does_not_open_is_shouted() -> None:
    bench = at_the_end(FeederBoard(load="1", welded=True))
    recording = bench.recording
    assert recording.switch.alarm.startswith(f"{LOUD}: 50 mA still flow. Take the cells out now")
    assert recording.ended_as is not None
    assert LOUD in recording.ended_as[1]
    assert recording.status().alarm
    assert any("NOT open" in event.text for event in bench.events("fault"))
    assert seen(recording, bench).stuck


@pytest.mark.parametrize("window_us", [10_000, 1_000_000, 10_000_000])
def test_with_windows_of_any_length(window_us: int) -> None:
    good = at_the_end(FeederBoard(load="1", window_us=window_us), 20.0)
    assert seen(good.recording, good).opened
    bad = at_the_end(FeederBoard(load="1", window_us=window_us, welded=True), 20.0)
    assert LOUD in bad.recording.switch.alarm


def test_the_boards_own_word_is_enough() -> None:
    bench = Bench(FeederBoard(load="0"))
    bench.plug()
    bench.run(1.0)
    bench.say(frame(f"fault,{bench.board.time_us},switch,48.2130"))
    assert "48 mA still flow" in bench.recording.switch.alarm
    (event,) = bench.events("fault")
    assert event.text == "the load switch is open, but current still flows: 48 mA"


def test_the_boards_own_word_is_in_the_record_too() -> None:
    bench = Bench(FeederBoard(load="0", opened="cutoff"))
    bench.plug()
    bench.run(1.0)
    bench.say(frame(f"fault,{bench.board.time_us},switch,48.2130"))
    alarm = bench.recording.description(bench.now).switch_alarm
    assert alarm.startswith("The load switch does NOT open: 48 mA still flow: take the cells out now"), "what flowed before is not known"  # fmt: skip
    assert seen(bench.recording, bench).limit_ma == pytest.approx(4.0), "PROTOCOL.md: 400 uV"


def test_a_piece_that_draws_next_to_nothing_proves_nothing() -> None:
    bench = at_the_end(FeederBoard(load="1", current_ma=1.5))
    test = seen(bench.recording, bench)
    assert not test.opened
    assert not test.stuck
    assert any("cannot be told" in event.text for event in bench.events("load"))


def test_opened_in_the_middle_of_a_run_rows_go_on() -> None:
    bench = Bench(FeederBoard(load="1", welded=True))
    bench.plug()
    bench.run(2.0)
    bench.recording.open_load(bench.now)
    bench.run(3.0)
    assert LOUD in bench.recording.switch.alarm
    assert bench.recording.phase is Phase.RUNNING
    assert bench.table[-1]["time_s"] > 4.5


def test_the_boards_own_cutoff_is_looked_at_too() -> None:
    board = FeederBoard(load="1", start_v=2.6, welded=True)
    bench = Bench(board, wishes=Wishes(guard_v=2.7, guard_hold_s=1.0))
    bench.plug()
    bench.run(20.0)
    assert bench.recording.phase is Phase.ENDED
    assert LOUD in bench.recording.switch.alarm


def test_a_link_that_goes_meanwhile_is_said() -> None:
    bench = Bench(FeederBoard(load="1"), wishes=Wishes(load_at_end=LoadAtEnd.AT_END), stop=Stop(duration_s=2.0))  # fmt: skip
    bench.plug()
    bench.run(2.2)
    bench.unplug()
    assert bench.recording.ended_as is not None
    assert "nobody saw the current go" in bench.recording.ended_as[1]


def test_a_second_ctrl_c_does_not_wait_for_it() -> None:
    bench = Bench(FeederBoard(load="1", window_us=10_000_000), wishes=Wishes(load_at_end=LoadAtEnd.AT_END), stop=Stop(duration_s=20.0))  # fmt: skip
    bench.plug()
    bench.run(35.0)
    phases = [bench.recording.phase]
    bench.recording.finish("user", "again", bench.now)
    bench.run(0.5)
    assert [*phases, bench.recording.phase] == [Phase.CLOSING, Phase.ENDED]


@pytest.mark.parametrize("asked", [True, False])
def test_an_opening_whose_line_was_lost_is_in_the_record_and_looked_at(asked: bool) -> None:
    board = FeederBoard(load="1", welded=True)
    bench = Bench(board)
    bench.plug()
    bench.run(2.0)
    if asked:
        bench.spoil = lambda data: data.replace(b"load,", b"l~ad,")
        bench.recording.open_load(bench.now)
    board.load = "0"
    bench.unplug()
    bench.spoil = lambda data: data
    bench.plug()
    bench.run(3.0)
    assert any(event.text == "load switch found open" for event in bench.events("load"))
    assert LOUD in bench.recording.switch.alarm
    assert "does NOT open: 50 mA still flow" in bench.recording.description(bench.now).switch_alarm


@pytest.mark.parametrize("wanted", [True, False])
def test_after_a_cutoff_only_a_person_closes_it(wanted: bool) -> None:
    board = FeederBoard(load="0", opened="cutoff")
    bench = Bench(board, wishes=Wishes(close_load=wanted))
    bench.plug()
    bench.run(2.0)
    assert board.load == ("1" if wanted else "0")
    assert ("load,1,1" in board.commands) == wanted
    refused = [event.text for event in bench.events("link") if "tripped" in event.text]
    assert bool(refused) != wanted
    assert bench.recording.phase is Phase.RUNNING


def test_a_blank_board_is_closed_for_the_run(tmp_path: Path) -> None:
    board = FeederBoard(load="0", opened="new")
    bench = Bench(board)
    bench.plug()
    bench.run(2.0)
    assert board.load == "1"
