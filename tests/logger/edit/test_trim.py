"""Which rows a typed trim keeps: whole windows within it, in time of the run or of the day."""

from dataclasses import replace

import numpy as np
import pytest

from logger.base.errors import BenchError
from logger.edit.trim import both_ends, trim_of
from logger.run.description import Board, Description
from logger.run.edited.statements import Trim

MINUTES = np.arange(1, 601, dtype=float) * 60
RECORDED = Description(
    source="board", window_s=60.0, started_utc="2026-11-29T18:00:00+00:00", board=Board("A", 1, "1.0.0"),
    clock=((60.0, 60.5, "2026-11-29T18:01:00+00:00"), (36000.0, 36000.0, "2026-11-30T04:00:00+00:00")),
)  # fmt: skip
COLUMNS = {"time_s": MINUTES}


@pytest.mark.parametrize(
    ("begin", "end", "wanted"),
    [
        ("12min", "6h40min", (720, 24000)),
        ("0:12", "6:40", (720, 24000)),
        ("0:12:00", "", (720, 36000)),
        ("", "6h", (0, 21600)),
        ("start", "6h", (0, 21600)),
        ("12min", "end", (720, 36000)),
        ("90s", "310s", (120, 300)),  # whole windows only
        ("2026-11-29T18:12:00+00:00", "2026-11-30T00:40:00+00:00", (720, 24000)),
        ("12min", "99h", (720, 36000)),
    ],
)
def test_times(begin: str, end: str, wanted: tuple[float, float]) -> None:
    found = trim_of(begin, end, COLUMNS, RECORDED)
    assert found == Trim(*wanted, 36000.0)


def test_behind_a_gap_or_a_new_start_a_row_begins_one_window_before_its_time() -> None:
    time_s = np.array(
        [60.0, 120.0, 180.2, 240.2, 480.2, 540.2]
    )  # new start at 120 s, four rows lost at 240 s
    columns = {"time_s": time_s, "boot": np.array([1.0, 1.0, 2.0, 2.0, 2.0, 2.0])}
    for typed, begin_s in (("120s", 120.2), ("121s", 180.2), ("250s", 420.2)):
        assert trim_of(typed, "", columns, RECORDED) == Trim(begin_s, 540.2, 540.2)


@pytest.mark.parametrize(("begin", "end"), [("", ""), ("0", "end"), ("0", "10h"), (None, None)])
def test_all_of_it_is_no_trim(begin: str | None, end: str | None) -> None:
    assert trim_of(begin, end, COLUMNS, RECORDED) is None


def test_a_time_of_day_is_the_first_one_after_the_begin(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    monkeypatch.setenv("TZ", "Europe/Vienna")  # an hour before UTC in November
    time.tzset()
    try:
        assert trim_of("at 19:12", "at 1:40", COLUMNS, RECORDED) == Trim(720, 24000, 36000)
        assert trim_of("2026-11-29 19:12", "", COLUMNS, RECORDED) == Trim(720, 36000, 36000)
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.mark.parametrize("text", ["at 18:12", "2026-11-29 18:12"])
def test_a_run_without_the_days_clock_says_so(text: str) -> None:
    simulated = replace(RECORDED, board=Board("A", 1, "simulated 1"))
    for description in (Description(), simulated):
        with pytest.raises(BenchError, match="does not know the day's clock"):
            trim_of(text, "", COLUMNS, description)


@pytest.mark.parametrize(
    "text", ["noon", "12", "1:99", "at 25:00", "2026-13-01", "2019-01-01", "-5min"]
)
def test_what_is_no_time_in_the_run_is_refused(text: str) -> None:
    with pytest.raises(BenchError):
        trim_of(text, "", COLUMNS, RECORDED)


def test_samples_count_by_their_moment() -> None:
    imported = Description(source="import")
    time_s = np.arange(0, 100, 10.0)
    assert trim_of("15s", "55s", {"time_s": time_s}, imported) == Trim(20, 50, 90)


def test_from_and_to() -> None:
    assert both_ends("0:12 .. 6:40") == ("0:12", "6:40")
    assert both_ends("..6h") == ("", "6h")
    with pytest.raises(BenchError, match="not understood"):
        both_ends("12min")
    assert both_ends("1:00…3:00") == ("1:00", "3:00")


@pytest.mark.parametrize("text", ["1h...2h", "1h....2h", "1h..2h..3h", "1h….5h", "1h…..2h"])
def test_no_dot_more_makes_two_hours_a_fifth(text: str) -> None:
    with pytest.raises(BenchError, match="not understood"):
        both_ends(text)
