"""Is the judge of import itself right: does it catch a wrong reading, and pass the true one?"""

from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from tests.benchmarks.import_judge import clock, open_kinds, sealed_kinds, second_kinds
from tests.benchmarks.import_judge.case import Case, Expect, Reading, Verdict, judge
from tests.benchmarks.import_judge.draft import cases_of
from tests.benchmarks.import_judge.sheet import DIALECTS

KINDS = (*open_kinds.KINDS, *sealed_kinds.KINDS, *second_kinds.KINDS)
CASES = cases_of(KINDS)


def true_reading(case: Case) -> Reading:
    return Reading(0, "", True, case.truth.rows)


def test_the_same_seed_makes_the_same_file() -> None:
    assert cases_of(KINDS) == CASES


def test_every_kind_differs_from_seed_to_seed() -> None:
    files: dict[str, set[bytes]] = defaultdict(set)
    for case in CASES:
        files[case.kind].add(case.data)
    assert all(len(files[kind.name]) == kind.files for kind in KINDS)


def test_there_are_as_many_files_as_asked_for() -> None:
    assert len({case.data for case in CASES}) >= 240
    assert len({kind.name for kind in KINDS}) == len(KINDS)


def test_all_dialects_are_there() -> None:
    first = {kind.name: kind for kind in KINDS}["every-dialect"]
    assert first.files > len(DIALECTS)


@pytest.mark.parametrize("case", CASES[::7], ids=lambda case: case.name)
def test_the_truth_is_right_and_what_differs_is_not(case: Case) -> None:
    reading, settled = true_reading(case), case.expect is Expect.ASK
    assert judge(case, reading, settled=settled)[0] is Verdict.RIGHT
    at = next(i for i, row in enumerate(case.truth.rows) if not row.optional and i > 2)
    row = case.truth.rows[at]
    for spoiled in (
        replace(row, time_s=row.time_s * (1 + 1e-8) + 3 * case.truth.time_tolerance_s),
        replace(row, current_ma=(row.current_ma or 0.0) + 0.05),
        replace(row, current_ma=None),
    ):
        rows = (*case.truth.rows[:at], spoiled, *case.truth.rows[at + 1 :])
        assert judge(case, replace(reading, rows=rows), settled=settled)[0] is Verdict.WRONG
    shorter = (*case.truth.rows[:at], *case.truth.rows[at + 1 :])
    assert judge(case, replace(reading, rows=shorter), settled=settled)[0] is Verdict.WRONG
    longer = (*case.truth.rows, case.truth.rows[-1])
    assert judge(case, replace(reading, rows=longer), settled=settled)[0] is Verdict.WRONG


def test_a_guesser_fails_every_ambiguous_file() -> None:
    pairs: dict[str, list[Case]] = defaultdict(list)
    for case in CASES:
        if case.expect is Expect.ASK:
            pairs[case.pair].append(case)
    assert len(pairs) > 30
    for one, other in pairs.values():
        assert one.data == other.data
        for guess in (true_reading(one), true_reading(other)):
            told = {judge(case, guess)[0] for case in (one, other)}
            assert told == {Verdict.GUESSED}
            settled = [judge(case, guess, settled=True)[0] for case in (one, other)]
            assert sorted(verdict.value for verdict in settled) == ["right", "wrong"]


def test_a_pause_of_unknown_length_has_to_be_marked() -> None:
    case = next(case for case in CASES if case.kind == "time-begins-again")
    later = [replace(row, time_s=row.time_s + 500.0 * row.part) for row in case.truth.rows]
    assert judge(case, replace(true_reading(case), rows=tuple(later)))[0] is Verdict.RIGHT
    as_one = tuple(replace(row, part=0) for row in case.truth.rows)
    assert judge(case, replace(true_reading(case), rows=as_one))[0] is Verdict.WRONG


def test_rows_left_out_have_to_be_said() -> None:
    case = next(case for case in CASES if case.kind == "over-range")
    rows = tuple(row for row in case.truth.rows if not row.optional)
    said = replace(true_reading(case), rows=rows, dropped=2)
    assert judge(case, said)[0] is Verdict.RIGHT
    assert judge(case, replace(said, dropped=1))[0] is Verdict.WRONG


def test_a_refusal_may_leave_nothing_behind() -> None:
    case = CASES[0]
    assert judge(case, Reading(2, "say it with --decimal", False))[0] is Verdict.ASKED
    assert judge(case, Reading(2, "no", False))[0] is Verdict.REFUSED
    assert judge(case, Reading(2, "no", True))[0] is Verdict.WRONG
    assert judge(case, Reading(1, "", False))[0] is Verdict.CRASH


def test_a_start_that_the_text_leaves_open_may_not_be_stated() -> None:
    case = next(case for case in CASES if case.kind == "day-number")
    reading = true_reading(case)
    assert judge(case, replace(reading, starts=(clock.EVENING,)))[0] is Verdict.RIGHT
    four_years = clock.EVENING + timedelta(days=1462)
    assert judge(case, replace(reading, starts=(four_years,)))[0] is Verdict.WRONG
    still_open = replace(case, truth=replace(case.truth, start_open=True))
    assert judge(still_open, replace(reading, starts=(clock.EVENING,)))[0] is Verdict.WRONG


@pytest.mark.parametrize(("changes", "step_h"), [(clock.AUTUMN, -1), (clock.SPRING, 1)])
def test_summer_time_changes_where_the_files_say(
    changes: tuple[tuple[str, datetime], ...], step_h: int
) -> None:
    for zone, moment in changes:
        before, after = (
            (moment.replace(tzinfo=UTC) + timedelta(seconds=seconds)).astimezone(ZoneInfo(zone))
            for seconds in (-1, 0)
        )
        assert after.utcoffset() == (before.utcoffset() or timedelta()) + timedelta(hours=step_h)


def test_day_numbers_are_those_of_the_standard() -> None:
    """ECMA-376 part 1, 18.17.4.1 (from memory): 1 January 1900 is 1, 1 March 1900 is 61; 1 January 1904 is 1462 or 0."""
    assert (datetime(1900, 3, 1) - clock.ZERO_1900).days == 61
    assert (datetime(1904, 1, 1) - clock.ZERO_1900).days == 1462
    assert (datetime(1904, 1, 1) - clock.ZERO_1904).days == 0
