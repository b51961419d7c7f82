"""The description's own part: what is new is optional, what is old loads."""

import json

import pytest

from logger.base.fault_words import load_text
from logger.base.pack import Pack
from logger.run.description import Description, Event, from_document, to_document
from logger.run.format import RUN_KEY
from logger.run.switch_test import SwitchTest

COLUMNS = ["time_s", "pack_v", "current_ma"]


def read_again(document: dict[str, object]) -> tuple[Description, list[str]]:
    return from_document(json.loads(json.dumps(document)))


def test_how_long_it_must_last_is_kept() -> None:
    described, problems = read_again(to_document(Description(need_s=21600.0), COLUMNS))
    assert described.need_s == 21600.0
    assert not problems


def test_a_description_written_before_there_was_a_need() -> None:
    document = to_document(Description(title="old"), COLUMNS)
    del document[RUN_KEY]["need_s"]
    described, problems = read_again(document)
    assert (described.title, described.need_s) == ("old", None)
    assert not problems


@pytest.mark.parametrize("need", ["6h", True, None, [6]])
def test_a_need_that_is_no_number_is_none(need: object) -> None:
    document = to_document(Description(), COLUMNS)
    document[RUN_KEY]["need_s"] = need
    assert read_again(document)[0].need_s is None


def test_quiet_modes_are_kept_and_what_is_no_number_is_left_out() -> None:
    document = to_document(Description(modes_ma=(41.0, 0.2)), COLUMNS)
    assert read_again(document)[0].modes_ma == (41.0, 0.2)
    document[RUN_KEY]["modes_ma"] = [41, "6 mA", None, True, float("inf")]
    assert from_document(document)[0].modes_ma == (41.0,)
    del document[RUN_KEY]["modes_ma"]
    assert read_again(document)[0].modes_ma == ()


def test_no_title_begins_a_line_of_its_own() -> None:
    """A stranger's second line would stand on the screen like a sentence of ours."""
    written = Description(title="vest\nIt lasts 99 h.", end_text="over\r\nyes", notes="one\ntwo")
    read, problems = from_document(to_document(written, ["time_s"]))
    assert (read.title, read.end_text, read.notes) == (
        "vest It lasts 99 h.",
        "over yes",
        "one\ntwo",
    )
    assert not problems


def test_a_pack_of_more_cells_than_anybody_has_is_not_usable() -> None:
    document = to_document(Description(pack=Pack("alkaline", 10**60)), ["time_s"])
    read, problems = from_document(document)
    assert read.pack is None
    assert "pack" in problems[0]


FOUND = (Event(0.0, "load", load_text("1", "status")),)
ABSENT = (Event(0.0, "load", load_text("-", "status")),)


def _tested(when_utc: str) -> SwitchTest:
    return SwitchTest("7F3A91C2", when_utc, 200.0, 0.2, 4.3)


@pytest.mark.parametrize(
    ("events", "test", "has"),
    [
        (FOUND, None, True),
        ((), None, False),
        (ABSENT, None, False),
        ((), _tested("2026-11-25T12:01:00+00:00"), True),
        # The board had one an hour before; whether it has one in this run, nobody said.
        ((), _tested("2026-11-25T10:01:00+00:00"), False),
        ((), _tested("yesterday"), False),
    ],
)
def test_whether_there_was_a_load_switch(
    events: tuple[Event, ...], test: SwitchTest | None, has: bool
) -> None:
    begun_utc = "2026-11-25T11:01:00+00:00"
    described = Description(started_utc=begun_utc, events=events, switch_test=test)
    assert described.has_load_switch is has
