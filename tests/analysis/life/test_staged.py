"""Staged counting against the judge's own recursion (written by someone else, scipy.stats) and by hand."""

import pytest

from analysis.life.staged import chance_of_passing, planned, staged_plan, unplanned
from logger.base.errors import BenchError
from tests.benchmarks.joints_judge import rivals


@pytest.mark.parametrize(("looks", "failures"), [(2, 1), (3, 2), (4, 1)])
@pytest.mark.parametrize("reliability", [0.8, 0.9, 0.95])
def test_limits_and_chances(looks: int, failures: int, reliability: float) -> None:
    plan = staged_plan(reliability, 0.9, looks, failures)
    assert plan.allowed == rivals.staged_limits(plan.joints, reliability, 0.9)
    good = 1 - (1 - reliability) / 3
    assert chance_of_passing(plan.joints, plan.allowed, good) == pytest.approx(
        rivals.chance_by_look(plan.joints, plan.allowed, good)
    )
    # Joints that just fall short pass at most as often as the confidence leaves.
    assert chance_of_passing(plan.joints, plan.allowed, reliability)[-1] <= 0.1 + 1e-12


def test_one_look_is_the_success_run() -> None:
    """97 % good passes 22 clean ones in 0.97^22 = 0.512 of tests."""
    assert planned([22], 22, 0.9, 0.9) == (0,)
    assert chance_of_passing([22], [0], 0.97)[0] == pytest.approx(0.97**22)


def test_without_a_plan_the_error_is_spent_once() -> None:
    limits = unplanned(range(3, 60), 0.9, 0.9)
    assert limits[19] == 0  # 22 joints
    assert chance_of_passing(list(range(3, 60)), limits, 0.9)[-1] <= 0.1 + 1e-12


def test_impossible_plans() -> None:
    with pytest.raises(BenchError, match="looks"):
        staged_plan(0.9, 0.9, 1, 0)
