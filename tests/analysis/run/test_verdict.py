"""The verdict's sentences, by cases worked out by hand."""

from datetime import UTC, datetime

import pytest

from analysis.doubt.quantity import Quantity
from analysis.run.lifetime import End, Lifetime, Reading
from analysis.run.verdict import Ahead, Answer, verdict, verdict_ahead
from logger.base.wall_clock import WallClock

H, MIN = 3600.0, 60.0
CLOCK = WallClock(datetime(2026, 1, 10, 20, 30, tzinfo=UTC), UTC)


def lasted(value_s: float, half_s: float, end: End = End.CUTOFF) -> Lifetime:
    time = Quantity(value_s, "s", value_s - half_s, value_s + half_s, 0.95)
    return Lifetime(end, time, value_s + 60, "the voltage stayed at or below 2.7 V")


def running(seen_s: float) -> Lifetime:
    return Lifetime(End.RUNNING, Quantity(None, "s", lower=seen_s), seen_s, "it still drew")


@pytest.mark.parametrize(
    ("need_s", "answer", "words"),
    [
        (6 * H, Answer.YES, "Needed 6 h. It lasted 9 h 24 min (9 h 21 min to 9 h 27 min): yes, with 3 h 21 min to spare."),
        (10 * H, Answer.NO, "Needed 10 h. It lasted 9 h 24 min (9 h 21 min to 9 h 27 min): no, 36 min short."),
        (9 * H + 25 * MIN, Answer.CLOSE, "Needed 9 h 25 min. It lasted 9 h 24 min (9 h 21 min to 9 h 27 min): too close to call."),
    ],
)  # fmt: skip
def test_a_run_that_ended(need_s: float, answer: Answer, words: str) -> None:
    found = verdict(need_s, lasted(9 * H + 24 * MIN, 3 * MIN))
    assert (found.answer, found.words) == (answer, words)


def test_it_says_which_end_it_was_and_when_on_the_clock() -> None:
    found = verdict(6 * H, lasted(3 * H + 12 * MIN, 2 * MIN, End.DARK), CLOCK)
    assert found.answer is Answer.NO
    assert (
        "It went dark after 3 h 12 min (3 h 10 min to 3 h 14 min), at 23:42: no, 2 h 48 min short."
        in found.words
    )


def test_a_run_that_did_not_end_says_at_least() -> None:
    assert verdict(6 * H, running(10 * H)).answer is Answer.YES
    assert "at least 4 h to spare" in verdict(6 * H, running(10 * H)).words
    assert verdict(6 * H, running(4 * H)).answer is Answer.OPEN
    assert "2 h are missing" in verdict(6 * H, running(4 * H)).words


def test_where_it_cannot_be_told_both_times_are_given() -> None:
    def unsure(dark_s: float) -> Lifetime:
        readings = (Reading(End.DARK, dark_s), Reading(End.OFF, None))
        nothing = Quantity(None, "s", lower=dark_s)
        return Lifetime(End.UNSURE, nothing, 9 * H, "the draw fell to nothing", readings)

    assert verdict(6 * H, unsure(7 * H)).answer is Answer.YES
    open_one = verdict(6 * H, unsure(5 * H))
    assert open_one.answer is Answer.OPEN
    assert "went dark after 5 h, or it was switched off then" in open_one.words


def test_ahead_in_clock_times_past_midnight() -> None:
    time = Quantity(9 * H + 10 * MIN, "s", 8 * H + 25 * MIN, 9 * H + 50 * MIN, 0.9)
    found = verdict_ahead(6 * H, Ahead(3 * H, time), CLOCK)
    assert found.words == "Lasts until about 05:40 (04:55 to 06:20) — needed until 02:30: yes"
    assert verdict_ahead(10 * H, Ahead(3 * H, time), CLOCK).answer is Answer.NO
    close = verdict_ahead(9 * H, Ahead(3 * H, time, 0.6), CLOCK)
    assert close.words.endswith("too close to call (about 60 in 100)")
    assert (
        verdict_ahead(None, Ahead(3 * H, time), None).words
        == "Lasts about 9 h 10 min (8 h 25 min to 9 h 50 min)"
    )


@pytest.mark.parametrize(
    ("now_s", "time"),
    [
        (300.0, Quantity(2 * H, "s", 1 * H, 3 * H, 0.9)),
        (70 * MIN, Quantity(3 * H, "s", 80 * MIN, 9 * H, 0.9)),
        (70 * MIN, Quantity(None, "s", note="nothing is known")),
    ],
)
def test_before_it_knows_enough_no_number_frightens(now_s: float, time: Quantity) -> None:
    found = verdict_ahead(
        6 * H, Ahead(now_s, time), None, "An earlier run of this piece lasted 9 h"
    )
    assert found.answer is Answer.EARLY
    assert found.words.startswith("Too early to say; at least")
    assert found.words.endswith("An earlier run of this piece lasted 9 h")


def test_what_has_lasted_long_enough_is_a_yes_whatever_comes() -> None:
    found = verdict_ahead(6 * H, Ahead(7 * H, Quantity(None, "s")), CLOCK)
    assert found.words == "Still working after 7 h — needed until 02:30: yes"
