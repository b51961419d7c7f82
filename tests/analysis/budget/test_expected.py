"""What a budget says before the run does: charge over current, and the modes' draws."""

import pytest

from analysis.budget.estimate import estimate_mode
from analysis.budget.expected import modes_of, usual_by
from analysis.budget.file import parse_budget, read_budget
from analysis.budget.story import typical_v
from tests.support.places import VEST_BUDGET


def test_the_time_is_about_capacity_over_draw() -> None:
    """Against the plain quotient of a label's charge and the mean draw, which such a pack nearly gives."""
    budget = read_budget(VEST_BUDGET)
    usual = usual_by(budget)
    assert usual is not None
    assert usual.by == "by the budget"
    assert usual.words.startswith("By the budget about ")
    evening = [estimate_mode(budget, mode, typical_v(budget.pack)) for mode in budget.modes]
    hours = sum(item.hours for item in evening)
    mean_ma = sum((item.current.value or 0.0) * item.hours for item in evening) / hours
    # Alkaline AA cells give about 2000 mAh at such a draw (makers' sheets, from memory), a booster needs part of it.
    assert usual.time_s / 3600 == pytest.approx(2000 / mean_ma, rel=0.35)


def test_every_mode_has_its_draw() -> None:
    budget = read_budget(VEST_BUDGET)
    found = modes_of(budget)
    assert len(found) == len(budget.modes)
    assert all(ma > 0 for ma in found)


def test_a_pack_that_cannot_serve_gives_no_time() -> None:
    text = VEST_BUDGET.read_text(encoding="utf-8")
    weak = parse_budget(text.replace('"3x AA alkaline"', '"1x AA alkaline"'))
    assert weak.pack.cells == 1
    assert usual_by(weak) is None
