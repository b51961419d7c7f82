"""The four words: what each takes, and that no one is bolder than what was shown."""

import math

import pytest

from analysis.flex.asked import on_bench, stated_acceleration
from analysis.flex.claim import Claim, count_shown
from analysis.flex.judge import flex_life
from analysis.flex.looks import Look, Looks
from analysis.flex.verdict import MEANING, Word
from analysis.flex.ways import taken_out_worn
from analysis.life.data import Specimen, lives_of
from analysis.life.interval import Asked, bound_reaches
from analysis.life.staged import staged_plan

CLAIM = Claim(4800.0, "4,800 bends")


def joints(
    cycles: list[float], failed: bool = True, how: str = "", group: str = "", strip: str = ""
) -> list[Specimen]:
    return [
        Specimen(
            f"{group}{how}{strip}{failed}{i}", group, c, c if failed else math.inf, how, None, strip
        )
        for i, c in enumerate(cycles)
    ]


def word(specimens: list[Specimen], claim: Claim = CLAIM, looks: Looks | None = None) -> Word:
    (group,) = flex_life(specimens, claim, looks=looks).groups
    assert group.verdict is not None
    return group.verdict.word


# Quantiles of a Weibull of shape 4 at (i - 0.3) / (n + 0.4): as straight as can be.
def straight(count: int, scale: float, shape: float = 4.0) -> list[float]:
    return [
        scale * (-math.log(1 - (i - 0.3) / (count + 0.4))) ** (1 / shape) + i / 1000
        for i in range(1, count + 1)
    ]


def test_counting_alone_shows() -> None:
    """22 clean ones show 90 % at 90 % (success run), 21 do not."""
    assert word(joints([5000.0] * 22, failed=False)) == "shown"
    assert word(joints([5000.0] * 21, failed=False)) == "not shown"


@pytest.mark.slow
def test_a_model_does_not_stand_for_joints_never_bent() -> None:
    """Eight that outlast the target far: a Weibull says more than 99 %, eight joints cannot show 90."""
    (group,) = flex_life(joints(straight(8, 30_000)), CLAIM).groups
    assert group.verdict is not None
    assert group.weibull is not None
    assert group.weibull.reliability_lower is not None
    assert (group.weibull.reliability_lower.lower or 0) > 0.9
    assert (group.verdict.word, group.verdict.by) == ("indicated", "weibull")
    assert "counting asks for 22" in group.verdict.why


def test_a_model_may_forgive_a_failure() -> None:
    """23 that lie on a line and one just before the target: counting alone would ask for 38."""
    lives = straight(24, 11_500)
    assert sum(life < 4800 for life in lives) == 1
    (group,) = flex_life(joints(lives), CLAIM).groups
    assert group.verdict is not None
    assert group.count is not None
    assert (group.count.reliability_lower.lower or 1) < 0.9
    assert (group.verdict.word, group.verdict.by) == ("shown", "weibull")


def test_early_failures_off_the_line_are_named_and_not_forgiven() -> None:
    early = [Specimen("bad", "", 300, 300, row=7), Specimen("worse", "", 90, 90, row=3)]
    result = flex_life([*joints(straight(22, 20_000)), *early], CLAIM)
    (group,) = result.groups
    assert group.verdict is not None
    assert group.verdict.word == "not shown"
    assert group.suspects == ("worse (row 3)", "bad (row 7)")
    assert any("inspect sharper" in warning for warning in group.warnings)


def test_refuted_only_by_its_upper_bound() -> None:
    """Two of five: upper bound by Clopper & Pearson 1 - 0.1124 = 0.8878 < 0.9; one of five: 0.979."""
    assert word(joints([500.0, 600.5]) + joints([5000.0] * 3, False)) == "shown not to hold"
    assert word(joints([500.0]) + joints([5000.0] * 4, False)) == "not shown"


def test_strips_are_counted_as_one_each() -> None:
    specimens = [item for s in "abcdef" for item in joints([5000.0] * 4, False, strip=s)]
    count = count_shown(lives_of(specimens), CLAIM, [item.strip for item in specimens])
    assert (count.specimens, count.strips, count.more) == (24, 6, 16)
    assert word(specimens) == "indicated"
    (group,) = flex_life(specimens, CLAIM).groups
    assert "6 strips are as few as 6 joints" in (group.verdict.why if group.verdict else "")
    few = flex_life(
        joints(straight(4, 900), strip="a") + joints(straight(4, 950), strip="b"), CLAIM
    )
    assert few.groups[0].median is None
    assert "too few to know" in few.groups[0].no_median


@pytest.mark.slow
def test_lives_on_multiples_are_looks() -> None:
    result = flex_life(joints([600.0, 800.0, 1000.0, 1000.0, 1200.0]), CLAIM)
    (group,) = result.groups
    assert group.lives.inspected
    assert group.lives.lower.tolist() == [400, 600, 800, 800, 1000]
    assert any("multiple of 200" in warning for warning in result.warnings)
    exact = flex_life(joints([600.0, 800.0, 1000.0, 1000.0, 1200.0]), CLAIM, looked_every=1)
    assert not exact.groups[0].lives.inspected
    stated = flex_life(joints([611.0, 803.0]), CLAIM, looked_every=100).groups[0]
    assert stated.lives.lower.tolist() == [600, 800]


def test_taken_out_worn_counts_as_failed() -> None:
    clean = joints([5000.0] * 21, False)
    result = flex_life([*clean, Specimen("F", "", 4000, math.inf, "taken out, frayed")], CLAIM)
    assert result.described.worn == ("F",)
    assert result.groups[0].count is not None
    assert result.groups[0].count.failures == 1
    plain = flex_life([*clean, Specimen("F", "", 4000, math.inf, "clamp slipped")], CLAIM)
    assert plain.groups[0].count is not None
    assert plain.groups[0].count.failures == 0


@pytest.mark.parametrize(
    ("how", "worn"),
    [
        ("taken out, frayed", True),
        ("removed: two strands showing", True),
        ("Litze angerissen", True),
        ("not broken yet, nearly through", True),
        ("taken out, resistance had risen", True),
        ("taken out: resistance 20 % higher", True),
        ("stopped, LED flickered", True),
        ("Widerstand gestiegen", True),
        ("stopped, resistance no higher than at first", False),
        ("stopped, resistance measured", False),
        ("stopped whole, no visible cracks", False),
        ("clamp came loose", False),
        ("taken out to be worn on the vest", False),
        ("stopped, undamaged", False),
        ("needed elsewhere", False),
    ],
)
def test_which_words_say_that_it_looked_worn(how: str, worn: bool) -> None:
    assert taken_out_worn(Specimen("S", "", 900.0, math.inf, how)) is worn


@pytest.mark.slow
def test_two_radii_are_two_groups() -> None:
    specimens = [Specimen(f"R{i}", "solid", c, c, "", r) for i, (c, r) in enumerate(
        [(400, 5.0), (450.5, 5.0), (900, 10.0), (950.5, 10.0)]
    )]  # fmt: skip
    result = flex_life(specimens, CLAIM)
    assert [group.name for group in result.groups] == ["solid, 5 mm radius", "solid, 10 mm radius"]
    assert any("judged apart" in warning for warning in result.warnings)


def test_ways_to_fail_stand_apart() -> None:
    at_joint = joints([500.0, 700.5, 900.0, 1100.0], how="broke at the solder joint")
    at_wire = joints([800.0, 1000.5, 1300.0], how="wire broke beside the joint")
    (group,) = flex_life(at_joint + at_wire, CLAIM).groups
    assert [(way.ending, way.lives.failures) for way in group.ways] == [("joint", 4), ("wire", 3)]
    assert all(way.lives.count == 7 for way in group.ways)


def look(count: int, failures: int) -> Look:
    return Look("", 4800.0, 0.9, 0.9, count, failures)


def test_looking_again_without_a_plan_is_only_indicated() -> None:
    """The first 22 spent the error at that look; another clean one cannot buy it again after a failure."""
    clean = joints([5000.0] * 22, False)
    assert (
        word(clean, looks=Looks((look(12, 0), look(18, 0)))) == "shown"
    )  # those looks could not show it
    later = joints([5000.0] * 37, False) + joints([500.0])
    assert word(later) == "shown"
    assert word(later, looks=Looks((look(22, 1),))) == "indicated"
    told = flex_life(later, CLAIM, looks=Looks((look(22, 1),))).warnings
    assert any("no plan was made" in warning for warning in told)


@pytest.mark.slow
def test_a_plan_keeps_its_promise() -> None:
    plan = staged_plan(0.9, 0.9, 3, 2)
    looks = Looks((look(36, 1),), plan, 4800.0)
    last = joints([5000.0] * (plan.joints[-1] - 2), False) + joints([500.0, 600.5])
    assert word(last, looks=looks) == "shown"
    early = joints([5000.0] * 22, False)
    assert word(early, looks=Looks((), plan, 4800.0)) == "indicated"


@pytest.mark.parametrize("wanted", MEANING)
def test_every_word_is_explained(wanted: Word) -> None:
    assert len(MEANING[wanted]) > 40


def test_the_bound_of_the_verdict_is_the_bound_that_is_printed() -> None:
    """One look at the root says the same as the search for the bound, on both sides of it."""
    (group,) = flex_life(joints(straight(12, 9_000, 2.5)), CLAIM).groups
    assert group.weibull is not None
    assert group.weibull.reliability_lower is not None
    low = group.weibull.reliability_lower.lower
    assert low is not None
    for step, reaches in ((-1e-5, True), (1e-5, False)):
        asked = Asked("reliability", 4800.0)
        assert bound_reaches(group.weibull.fit, asked, low + step, 0.9, "calibrated") is reaches


def test_a_factor_in_doubt_refutes_by_its_other_end_only() -> None:
    """Three at 4 and 8 mm leave the exponent open: the cautious target is far off, and refutes nothing."""
    lives = [(6518.0, 4.0), (39690.0, 8.0), (4504.0, 4.0)]
    specimens = [Specimen(f"S{i}", "", c, c, "", r) for i, (c, r) in enumerate(lives)]
    speed = stated_acceleration(specimens, "0.127", None, 12.0, None, 0.9)
    assert speed is not None
    claim = Claim(*on_bench((48_000.0, ""), speed), acceleration=speed)
    (group,) = flex_life(specimens, claim).groups
    assert group.verdict is not None
    assert group.count is not None
    assert group.count.upper < 0.9
    assert group.verdict.word == "not shown"


def test_b10_is_withheld_where_it_would_not_hold() -> None:
    """Law or no law: from 22 joints on, seen as they failed, at a first look."""
    lives = straight(24, 9_000)
    (group,) = flex_life(joints(lives), CLAIM).groups
    assert group.b10 is not None
    assert group.b10.lower == min(lives)
    (few,) = flex_life(joints(lives[:21]), CLAIM).groups
    assert "fewer than 22" in few.no_b10
    (again,) = flex_life(joints(lives), CLAIM, looks=Looks((look(12, 0),))).groups
    assert "looked before" in again.no_b10
    (coarse,) = flex_life(joints(lives), CLAIM, looked_every=1000).groups
    assert "next look" in coarse.no_b10
    (fine,) = flex_life(joints(lives), CLAIM, looked_every=50).groups
    assert fine.b10 is not None
