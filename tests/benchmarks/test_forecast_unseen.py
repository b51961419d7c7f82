"""Does the forecast keep its word on cells that nobody has seen? Table by group; the judge stands apart.

Run with ``python -m pytest tests/benchmarks/test_forecast_unseen.py -s``; EACH in the environment sets how many
rundowns of every invented group (default 6; 20 for figures with small errors).

Whole chemistries and whole makes are left out in turn (left_out.py). Beside each figure stands the state before
the issue (unseen_table.py).

Judged: the second of two measured 18650 cells (the first one tuned), and curves of no chemistry's family,
each of a make of its own. What the forecast uses for them comes from elsewhere: curves from typical
cells' sheets and from makes simulated in physics, widths from those and from the first cell.
The generator is not wholly blind: its seeds 5 to 8, 12 and 90211 were looked at while the forecast was built and changed the design (6 and 7
set the scores' constants), this table was seen once after the opinions and their scores were settled. In the issue's
third part constants came from seeds 6 and 7 again; 2911 and 1604 were looked at once each after that, and the second
sealed set (61510), whose failures were known, while they were being set: no constant was taken from it. The
third table gives each pack two own rundowns of before. What a group misses of the goals is printed.
"""

import os
from functools import cache, partial

import numpy as np
import pytest

from tests.benchmarks.forecast_judge import curves, measured
from tests.benchmarks.forecast_judge.score import (
    AT_LEAST_HOLDS,
    HOLDS,
    REFUSED_LATE,
    Figure,
    GroupScore,
    Judged,
    judge,
    scores,
    short_of,
    table,
)
from tests.benchmarks.left_out import blind_forecaster, chemistry_rundowns, make_rundowns
from tests.benchmarks.unseen_table import before, beside
from tests.support.unseen import forecaster

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]
EACH = int(os.environ.get("EACH", "6"))
SEED = 1604  # not the seed of any look at the generator while the forecast was built
# Asserted: no goal is missed by more than two standard errors (the larger of the binomial and the clustered one).
ERRORS_ALLOWED = 2.0


def may_reach(figure: Figure, goal: float) -> bool:
    errors = [se for se in (figure.se, figure.se_clustered) if np.isfinite(se)]
    return bool(figure.value + ERRORS_ALLOWED * max(errors) >= goal)


def _tell(rows: list[GroupScore]) -> None:
    print()
    print(table(rows))
    print()
    print(beside(rows, before()))
    for row in rows:
        for missed in short_of(row):
            print(f"- {row.group}: {missed}")


@cache
def invented() -> list[GroupScore]:
    rows = scores(judge(curves.draw(np.random.default_rng(SEED), EACH), forecaster))
    _tell(rows)
    return rows


@cache
def second_cell() -> list[GroupScore]:
    every = list(measured.rundowns(2))
    some = [run for number, run in enumerate(every) if number % max(60 // EACH, 1) == 0]
    rows = scores(judge(some, forecaster))
    _tell(rows)
    return rows


@cache
def left_out_rows() -> tuple[list[GroupScore], list[GroupScore]]:
    """Chemistries and makes, with what is known of them and without."""
    runs = [*chemistry_rundowns(EACH), *make_rundowns(max(EACH // 2, 2))]
    blind: list[Judged] = []
    known: list[Judged] = []
    for run in runs:
        blind += judge([run], partial(blind_forecaster, run.group))
        known += judge([run], forecaster)
    print("\nWith what is known of the chemistry:")
    _tell(scores(known))
    print("\nLeft out:")
    _tell(scores(blind))
    return scores(known), scores(blind)


def test_whole_chemistries_and_makes_left_out() -> None:
    for rows in left_out_rows():
        for row in rows:
            assert may_reach(row.holds, HOLDS[0]), row.group
            assert may_reach(row.at_least_holds, AT_LEAST_HOLDS), row.group
            assert row.refused_late.value < REFUSED_LATE, row.group


@pytest.mark.parametrize("group", curves.GROUPS)
def test_invented_curves(group: str) -> None:
    row = next(row for row in invented() if row.group == group)
    if not row.regulated:
        assert may_reach(row.holds, HOLDS[0])
        assert row.refused_late.value < REFUSED_LATE
    assert may_reach(row.at_least_holds, AT_LEAST_HOLDS)


def test_the_second_measured_cell() -> None:
    for row in second_cell():
        assert may_reach(row.holds, HOLDS[0])
        assert may_reach(row.at_least_holds, AT_LEAST_HOLDS)


def test_own_earlier_runs_make_it_sharper() -> None:
    rng = np.random.default_rng(SEED + 1)
    groups = [group for group in curves.GROUPS if group not in ("contact faults", "regulated")]
    families = [curves.family(rng, group, 0) for group in groups]
    now = [run for run, _ in families]
    past = {run.name: earlier for run, earlier in families}
    without = scores(judge(now, forecaster, (0.3, 0.5, 0.7)))
    helped = scores(judge(now, forecaster, (0.3, 0.5, 0.7), past))
    _tell(without)
    _tell(helped)
    errors = [np.median([row.error[0.5].value for row in rows]) for rows in (without, helped)]
    assert errors[1] < 0.7 * errors[0]
