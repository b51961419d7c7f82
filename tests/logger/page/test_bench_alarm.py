"""A load switch that does not open is the first thing on the page, live or read from the record."""

import json
from pathlib import Path
from typing import Any

import pytest

from logger.base.fault_words import load_text
from logger.base.left import Left
from logger.page.bench import Bench, PageRun
from logger.recording.open_switch import OpenSwitch
from logger.run.description import Description, Event, Stop, to_document
from logger.run.feed import RunFeed
from logger.run.format import DESCRIPTION_NAME
from logger.run.switch_test import SwitchTest
from tests.support.page_bench import NAMES, make_run

STUCK = SwitchTest("7F3A91C2", "2026-11-29T12:00:00+00:00", 200.0, 199.0, 4.3)


def state_of(
    folder: Path, *, test: SwitchTest, load: str, live: dict[str, Any] | None = None
) -> dict[str, Any]:
    make_run(folder)
    events = (Event(4.0, "load", load_text(load, "host")),)
    description = Description(window_s=0.1, events=events, switch_test=test)
    document = json.dumps(to_document(description, NAMES))
    (folder / DESCRIPTION_NAME).write_text(document, encoding="utf-8")
    run = PageRun("r1", RunFeed(folder), live=live or {})
    run.poll(0.0)
    return Bench([run]).state(run)


def test_by_the_record(tmp_path: Path) -> None:
    state = state_of(tmp_path / "a", test=STUCK, load="0")
    assert state["trouble"].startswith("The load switch does NOT open: 200 mA still flow (200 mA before): take the cells out now")  # fmt: skip
    assert (state["tone"], state["phase"]) == ("bad", "the load switch does not open")


def test_no_alarm_while_it_is_closed_or_opens(tmp_path: Path) -> None:
    assert state_of(tmp_path / "b", test=STUCK, load="1")["trouble"] == ""
    opens = SwitchTest("7F3A91C2", "2026-11-29T12:00:00+00:00", 200.0, 0.2, 4.3)
    assert state_of(tmp_path / "c", test=opens, load="0")["trouble"] == ""


def test_by_the_loggers_word(tmp_path: Path) -> None:
    switch = OpenSwitch()
    switch.board_says("48.2130", None, "")
    live = {"alarm": switch.alarm, "load": "0", "phase": "recording", "goal": "until below 2.7 V"}
    opens = SwitchTest("7F3A91C2", "2026-11-29T12:00:00+00:00", 200.0, 0.2, 4.3)
    state = state_of(tmp_path / "d", test=opens, load="0", live=live)
    assert state["trouble"].startswith("THE LOAD SWITCH DOES NOT OPEN: 48 mA still flow")
    assert state["goal"] == "", "not: does not open, until below 2.7 V"
    assert state["tone"] == "bad"


@pytest.mark.parametrize(("load", "told"), [("0", False), ("1", True)])
def test_no_time_left_beside_an_alarm(tmp_path: Path, load: str, told: bool) -> None:
    make_run(tmp_path / "e")
    events = (Event(4.0, "load", load_text(load, "host")),)
    description = Description(window_s=0.1, events=events, switch_test=STUCK, stop=Stop(2.7))
    document = json.dumps(to_document(description, NAMES))
    (tmp_path / "e" / DESCRIPTION_NAME).write_text(document, encoding="utf-8")
    ahead = Left("5 h left", "4 to 6 h", 0.4, 18_000.0, fan={"time_s": []})
    run = PageRun("r1", RunFeed(tmp_path / "e"), forecaster=lambda _: ahead)
    bench = Bench([run])
    run.poll(0.0)
    state, (line,) = bench.state(run), bench.summaries()
    assert (state["left"] is not None, state["fan"] is not None) == (told, told)
    assert line["left"] == ("5 h left" if told else "")
