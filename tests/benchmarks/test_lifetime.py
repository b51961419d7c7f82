"""When did it end? The table of kinds x packs, by a judge that shares nothing with the detector.

Run with ``python -m pytest tests/benchmarks/test_lifetime.py -s``; about five minutes. Pieces, packs, truth
and goals: tests/benchmarks/lifetime_judge. Its sealed kinds (``held_out.py``) were run once and are open now.

While its settings were found the table of the open kinds was looked at nine times (seeds 11 to 13, three or four
runs a cell), and once with the seed that stood here before (3 of 145 ends missed); the seed here is another one. The reasons for each threshold stand beside it in
analysis/run/ending.
"""

import numpy as np
import pytest

from tests.benchmarks.lifetime_detector import live_in, recorded_in, said_of
from tests.benchmarks.lifetime_judge import held_out
from tests.benchmarks.lifetime_judge.pieces import draw_runs
from tests.benchmarks.lifetime_judge.score import Table, markdown, table_of, unmet

pytestmark = pytest.mark.slow

SEED = 20262
RUNS_A_CELL = 6


def test_the_end_is_said_as_it_was() -> None:
    table = table_of(draw_runs(np.random.default_rng(SEED), RUNS_A_CELL), said_of)
    print()
    print(markdown(table))
    assert unmet(table) == []


def test_the_kinds_that_were_sealed_once() -> None:
    """Thermal shutdown, fuse, buffered piece and others: seen since, so these are no proof, only a guard."""
    table = table_of(held_out.draw_runs(np.random.default_rng(SEED + 1), 2), said_of)
    print()
    print(markdown(table))
    # A buffered piece whose supply starts and gives up again is off no longer and hardly darker than in its own
    # pauses: of those one in three or four is missed, which no threshold here mends.
    others = Table(tuple(v for v in table.verdicts if v.piece != "buffered"))
    assert unmet(others) == []
    assert not {"false alarms", "false cutoffs", "unsure"} & set(unmet(table))
    assert table.misses.share <= 0.1


def test_live_says_what_the_recorded_run_says_and_no_end_before_it() -> None:
    """Row by row: the last word is the recorded answer, and no end is told that is none."""
    differ: list[tuple[object, ...]] = []
    false, delays = [], []
    runs = 0
    for run in draw_runs(np.random.default_rng(SEED + 2), 1):
        runs += 1
        live, whole = live_in(run), recorded_in(run)
        same = (live.last.end, live.last.reboots) == (whole.end, whole.reboots)
        times = (live.last.time.value, whole.time.value)
        if not same or (None in times) != (times == (None, None)):
            differ.append((run.name, live.last.end, whole.end))
        elif times[0] is not None and abs(times[0] - (times[1] or 0.0)) > 2 * run.row_s:
            differ.append((run.name, *times))
        if not np.isnan(live.false_s) and not run.truth.contestable:
            false.append((run.name, live.false_s))
        delays.append(live.delay_s)
    known = np.array(delays)[np.isfinite(delays)]
    print(
        f"\n{runs} runs live: {len(false)} told an end that was none {false}; the true one was told after "
        f"{np.median(known):.0f} s (nine in ten within {np.quantile(known, 0.9):.0f} s)"
    )
    assert differ == []
    assert len(false) <= 0.01 * runs + 1
