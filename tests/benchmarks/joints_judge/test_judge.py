"""The judge itself against closed forms: a judge that cannot fail is no judge.

Run with ``python -m pytest tests/benchmarks/joints_judge/test_judge.py``; some seconds.
"""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.joints_judge import generators as gen
from tests.benchmarks.joints_judge import rivals, score, tables
from tests.benchmarks.joints_judge.generators import Case, Claim, FlexTest, flex_test
from tests.benchmarks.joints_judge.laws import SharedLuck
from tests.benchmarks.joints_judge.score import Answer, GroupAnswer, Span, Verdict

MANY = 40_000
CLAIM = Claim(0.9, 0.9, gen.BENDS)


def binomial_error(share: float, count: int) -> float:
    return math.sqrt(share * (1 - share) / count)


# Generators: the draws go numpy's own way, the truth goes by formula.


@pytest.mark.parametrize("kind", list(gen.KINDS))
@pytest.mark.parametrize("place", gen.PLACES)
def test_draws_agree_with_the_stated_truth(kind: str, place: str) -> None:
    """Shares failed by the true B10, median and claim, each within four standard errors."""
    case = Case(kind, 8, replace(CLAIM, bends=gen.KINDS[kind].bends), place)
    law, truth = gen.law_of(case), gen.truths_of(case)[0]
    lives = law.draw(np.random.default_rng(17), MANY)
    claimed = gen.true_reliability(0.9, place)
    assert truth.reliability == pytest.approx(claimed, abs=1e-9)
    for bends, share in ((truth.b10, 0.1), (truth.median, 0.5), (case.claim.bends, 1 - claimed)):
        seen = float(np.mean(lives <= bends))
        assert abs(seen - share) < 4 * binomial_error(share, MANY)
        assert law.reliability(bends) == pytest.approx(1 - share, abs=1e-9)


def test_shared_luck_without_luck_is_weibull() -> None:
    alone = SharedLuck(4.0, 0.0)
    assert alone.reliability(0.7) == pytest.approx(math.exp(-(0.7**4)), rel=1e-12)


def test_quadrature_of_shared_luck_against_a_sum() -> None:
    """The same integral by a plain sum over luck from -8 to 8."""
    luck = np.linspace(-8, 8, 20_001)
    density = np.exp(-(luck**2) / 2) / math.sqrt(2 * math.pi)
    plain = np.sum(density * np.exp(-((0.6 * np.exp(-0.5 * luck)) ** 4.0))) * (luck[1] - luck[0])
    assert SharedLuck(4.0, 0.5).reliability(0.6) == pytest.approx(float(plain), abs=1e-6)


def test_strips_hang_together() -> None:
    """Within a strip log lives correlate by spread^2 / (spread^2 + pi^2 / (6 shape^2))."""
    lives = np.log(SharedLuck(4.0, 0.5).draw_strips(np.random.default_rng(5), MANY, 4))
    strips = lives.reshape(-1, 4)
    seen = float(np.corrcoef(strips[:, 0], strips[:, 1])[0, 1])
    expected = 0.25 / (0.25 + math.pi**2 / (6 * 16))
    assert seen == pytest.approx(expected, abs=0.02)


def entered(kind: str, size: int = 24, place: str = gen.JUST_BELOW, repeat: int = 0) -> FlexTest:
    case = Case(kind, size, replace(CLAIM, bends=gen.KINDS[kind].bends), place)
    return flex_test(case, gen.seed_of(case, repeat))


def test_entered_rows_are_what_a_person_would_enter() -> None:
    for step in (50, 200):
        looked = entered(f"inspection {step}")
        assert all(row.bends % step == 0 and row.last_whole is None for row in looked.rows)
    noted = entered("inspection 200, noted")
    assert all(row.last_whole == row.bends - 200 for row in noted.rows)
    assert [len({r.strip for r in entered("strips of four", n).rows}) for n in gen.SIZES] == [
        1,
        2,
        2,
        3,
        6,
    ]
    frayed = [row for row in entered("taken out when frayed").rows if row.how == gen.FRAYED]
    assert frayed
    assert not any(row.failed for row in frayed)
    assert len({row.bends for row in entered("ties").rows}) < 24
    assert {row.how for row in entered("joint against wire").rows} == {
        gen.AT_JOINT,
        gen.BESIDE_JOINT,
    }
    assert {row.radius_mm for row in entered("two radii").rows} == {4.0, 8.0}
    stopped = entered("weibull, stopped at the claim")
    assert {row.bends for row in stopped.rows if not row.failed} == {gen.BENDS}
    assert all(row.bends <= gen.BENDS for row in stopped.rows)
    removed = [row for row in entered("random censoring").rows if row.how == gen.REMOVED]
    assert 0 < len(removed) < 24
    stages = list(entered("staged looks", 5).stages())
    assert [(len(stage.rows), stage.looks) for stage in stages] == [
        (3, (3,)),
        (4, (3, 4)),
        (5, (3, 4, 5)),
    ]
    assert gen.as_csv(noted).splitlines()[1].split(",")[-2] == f"{noted.rows[0].last_whole:g}"


def test_frayed_joints_would_have_failed_soon() -> None:
    """Taken out at 0.7 to 0.95 of its life: a count of them as survivors flatters."""
    tests = [entered("taken out when frayed", repeat=i) for i in range(200)]
    rows = [row for test in tests for row in test.rows]
    taken = float(np.mean([row.how == gen.FRAYED for row in rows]))
    assert abs(taken - 0.5) < 4 * binomial_error(0.5, len(rows))


def test_competing_truths_multiply() -> None:
    test = entered("joint against wire")
    any_, joint, wire = (test.truth("A", m) for m in (gen.ANY, gen.JOINT, gen.WIRE))
    assert any_.reliability == pytest.approx(joint.reliability * wire.reliability, rel=1e-12)
    assert any_.median < min(joint.median, wire.median)


@pytest.mark.parametrize("factor", [3, 12, 150])
def test_bench_lives_are_shorter_by_the_factor(factor: int) -> None:
    """Median at the bench radius times the factor is the worn median; the radius says so too."""
    tests = [entered(f"acceleration {factor}", repeat=i) for i in range(200)]
    lives = np.array([row.bends for test in tests for row in test.rows])
    truth = tests[0].truth("A").median
    share = float(np.mean(lives * factor <= truth))
    assert abs(share - 0.5) < 4 * binomial_error(0.5, lives.size) + 0.01  # whole bends
    worn = tests[0].worn_radius_mm
    assert worn is not None
    ratio = (gen.strain(5.0) / gen.strain(worn)) ** 4
    assert ratio == pytest.approx(factor, rel=1e-9)
    due = {3: set(), 12: {gen.WARN_FACTOR_10}, 150: {gen.WARN_FACTOR_100}}
    assert tests[0].must_warn == due[factor]


def test_strain_against_the_handbook() -> None:
    """SOURCES.md D6: a 0.127 mm strand at 5 mm, 1.254 %."""
    assert gen.strain(5.0, 0.127) == pytest.approx(0.01254, abs=5e-6)


def test_streams_repeat_and_differ() -> None:
    assert entered("gamma").rows == entered("gamma").rows
    assert entered("gamma").rows != entered("gamma", repeat=1).rows


# Scores: verdict functions of known worth.

Judge = Callable[[FlexTest], Answer]


def says(verdict: Verdict, b10: Span | None = None, median: Span | None = None) -> Judge:
    def judge(test: FlexTest) -> Answer:
        return Answer({g: GroupAnswer(verdict, b10, median) for g in test.groups})

    return judge


def by_count(test: FlexTest) -> Answer:
    """Clopper-Pearson on those whose fate at the claim is known."""
    told = {}
    for group in test.groups:
        rows = [r for r in test.rows if r.group == group]
        survived = sum(r.bends >= test.claim.bends for r in rows)
        died = sum(r.failed and r.bends < test.claim.bends for r in rows)
        shown, refuted = (
            rivals.count_verdict(
                survived, survived + died, test.claim.reliability, test.claim.confidence
            )
            if survived + died
            else (False, False)
        )
        word: Verdict = "shown" if shown else "shown not to hold" if refuted else "not shown"
        told[group] = GroupAnswer(word)
    return Answer(told)


def run(case: Case, judge: Judge, repeats: int = 400) -> score.Tally:
    return score.play(case, judge, repeats)


def missed(found: score.Tally) -> set[str]:
    return {f.goal for f in score.findings(found) if f.met == "missed"}


BELOW = Case("weibull 2.5", 24, CLAIM, gen.JUST_BELOW)
ABOVE = Case("weibull 2.5", 24, CLAIM, gen.WELL_ABOVE)


def test_always_shown_fails() -> None:
    assert "shown wrongly" in missed(run(BELOW, says("shown")))


def test_always_refuted_fails() -> None:
    assert "refuted wrongly" in missed(run(ABOVE, says("shown not to hold")))


@pytest.mark.parametrize("word", ["not shown", "indicated", "withheld"])
def test_silence_fails_on_power(word: Verdict) -> None:
    silent = run(ABOVE, says(word))
    assert "shown wrongly" not in missed(run(BELOW, says(word)))
    loss = score.power_loss(silent, score.before("by count", run(ABOVE, by_count)))
    assert (loss.met, loss.measured) == ("missed", 1.0)


def test_power_is_judged_only_where_there_was_some() -> None:
    small = Case("weibull 2.5", 3, CLAIM, gen.WELL_ABOVE)
    counted = run(small, by_count)
    assert score.power_loss(counted, score.before("itself", counted)).met == "cannot be told"
    counted = run(ABOVE, by_count)
    assert score.power_loss(counted, score.before("itself", counted)).measured == 0


@pytest.mark.parametrize("size", gen.SIZES)
def test_counting_scores_as_its_closed_form(size: int) -> None:
    """The whole chain, generator to score, against the binomial formula."""
    claim = gen.claims_for(size)[0]
    assert rivals.success_run(claim.reliability, 0.9) <= size
    allowed = rivals.unplanned_limits([size], claim.reliability, 0.9)[0]
    for place in (gen.JUST_BELOW, gen.WELL_ABOVE):
        case = Case("weibull, stopped at the claim", size, claim, place)
        found = run(case, by_count, 800)
        expected = rivals.chance_of_passing(
            size, allowed, gen.true_reliability(claim.reliability, place)
        )
        seen = found.shown_wrongly if place == gen.JUST_BELOW else found.shown_where_true
        assert seen.value is not None
        assert abs(seen.value - expected) < 4 * binomial_error(expected, 800)
        assert "shown wrongly" not in missed(found)


def test_entered_as_exact_flatters_a_count() -> None:
    """Inspections every 200 bends, claim at 430: failures at the next look pass for survivors."""
    flattered = run(replace(BELOW, kind="inspection 200"), by_count)
    assert "shown wrongly" in missed(flattered)
    assert f"not warned: {gen.WARN_INSPECTION}" in missed(flattered)


def test_looking_again_scores_as_its_closed_form() -> None:
    """Stopping at the first "shown" by count, at every joint from the third on."""
    case = Case("staged looks", 24, Claim(0.6, 0.9, gen.BENDS), gen.JUST_BELOW)
    looks = list(range(3, 25))
    limits = rivals.unplanned_limits(looks, 0.6, 0.9)
    expected = rivals.chance_by_look(looks, limits, 0.598)[-1]
    found = run(case, by_count, 400)
    assert found.shown_wrongly.value is not None
    assert abs(found.shown_wrongly.value - expected) < 4 * binomial_error(expected, 400)
    assert expected > 0.2
    assert "shown wrongly" in missed(found)


def test_intervals_too_narrow_or_too_wide_fail_and_none_passes() -> None:
    truth = gen.truths_of(BELOW)[0]
    goal = {"B10 interval holds", "median interval holds"}
    wrong = says("not shown", Span(0, truth.b10 / 2), Span(2 * truth.median, math.inf))
    assert goal <= missed(run(BELOW, wrong))
    everything = Span(1e-9, math.inf)
    wide = run(BELOW, says("not shown", everything, everything))
    assert goal <= missed(wide)
    assert wide.b10.width == math.inf
    none = run(BELOW, says("not shown"))
    assert not goal & missed(none)
    assert none.b10.withheld.value == 1


def test_a_known_interval_holds_90_percent() -> None:
    """Order statistics of 24 lives hold the median by a binomial sum, whatever the law.

    From the 8th to the 17th: P(8 <= Bin(24, 1/2) <= 16) = 0.9361 (by hand: 1 - 2 * 0.0320).
    """
    exact = sum(math.comb(24, k) for k in range(8, 17)) / 2**24

    def judge(test: FlexTest) -> Answer:
        lives = sorted(row.bends for row in test.rows)
        return Answer({"A": GroupAnswer("not shown", None, Span(lives[7], lives[16]))})

    for kind in ("weibull 0.8", "gamma", "mixture 80/20", "threshold"):
        found = run(Case(kind, 24, CLAIM, gen.JUST_BELOW), judge, 600).median
        assert found.held.value is not None
        assert abs(found.held.value - exact) < 4 * binomial_error(exact, 600)
    strips = run(Case("strips of four", 24, CLAIM, gen.JUST_BELOW), judge, 600).median
    assert strips.held.value is not None
    assert strips.held.value < 0.88  # lives of a strip hang together: it holds less


def test_winners() -> None:
    equal = Case("five equal groups", 8, CLAIM, gen.JUST_BELOW)
    better = replace(equal, kind="one of five lives 4 times")

    def by_mean(test: FlexTest) -> Answer:
        means = {g: np.mean([r.bends for r in test.rows if r.group == g]) for g in test.groups}
        best = max(means, key=lambda g: means[g])
        told = {g: GroupAnswer("not shown") for g in test.groups}
        return Answer(told, frozenset((best, g) for g in test.groups if g != best))

    assert "false winner" in missed(run(equal, by_mean, 50))
    assert run(better, by_mean, 50).true_winner.value == 1
    silent = run(better, says("not shown"), 50)
    assert silent.true_winner.value == 0
    assert "false winner" not in missed(run(equal, says("not shown"), 50))


def test_warnings_and_no_verdict_far_from_the_bench() -> None:
    frayed = replace(BELOW, kind="taken out when frayed")
    assert f"not warned: {gen.WARN_INFORMATIVE}" in missed(run(frayed, by_count, 20))

    def warns(test: FlexTest) -> Answer:
        return replace(by_count(test), warnings=frozenset({gen.WARN_INFORMATIVE}))

    assert f"not warned: {gen.WARN_INFORMATIVE}" not in missed(run(frayed, warns, 20))
    cried = run(BELOW, warns, 20).warned_without_cause[gen.WARN_INFORMATIVE]
    assert cried.value == 1
    far = Case("acceleration 150", 24, replace(CLAIM, bends=gen.MANY), gen.WELL_ABOVE)
    assert "verdict at > 100 fold" in missed(run(far, says("shown"), 20))
    assert "verdict at > 100 fold" not in missed(run(far, says("indicated"), 20))


def test_vain_advice_fails() -> None:
    def vain(test: FlexTest) -> Answer:
        return Answer({"A": GroupAnswer("not shown", more_is_vain=True)})

    assert "more said to be vain" in missed(run(ABOVE, vain, 50))


def test_shares_and_text() -> None:
    assert str(score.Share(1, 4)) == "25.0 +- 21.7 %"
    assert str(score.Share(0, 0)) == "-"
    found = run(BELOW, says("shown"), 20)
    assert score.as_text([found]).count("\n") == 1
    assert "shown wrongly 100.0 %" in score.as_lines(score.findings(found))
    with pytest.raises(ValueError, match="one confidence"):
        score.tally("none", [])
    with pytest.raises(ValueError, match="no look"):
        score.by_looks([])


# Rivals: against printed values.


def test_sample_sizes_of_the_references() -> None:
    """SOURCES.md A14, A15."""
    for reliability, confidence, joints in (
        (0.90, 0.90, 22), (0.90, 0.95, 29), (0.95, 0.90, 45),
        (0.95, 0.95, 59), (0.99, 0.90, 230), (0.99, 0.95, 299),
    ):  # fmt: skip
        assert rivals.success_run(reliability, confidence) == joints
        assert rivals.joints_needed(reliability, confidence, 0) == joints
    assert [rivals.joints_needed(0.95, 0.95, f) for f in range(4)] == [59, 93, 124, 153]
    assert [rivals.joints_needed(0.90, 0.90, f) for f in range(4)] == [22, 38, 52, 65]
    assert rivals.lower_bound(59, 59, 0.95) == pytest.approx(0.950492, abs=5e-7)
    assert rivals.lower_bound(22, 22, 0.90) == pytest.approx(0.900628, abs=5e-7)


def test_the_issue_s_own_chance() -> None:
    """22 joints; a joint type 97 % good passes in 51 of 100: 0.97^22."""
    assert round(100 * rivals.chance_of_passing(22, 0, 0.97)) == 51
    assert rivals.chance_of_passing(22, 0, 0.97) == pytest.approx(0.97**22, rel=1e-12)


def test_count_verdicts_at_their_edges() -> None:
    assert rivals.count_verdict(22, 22, 0.9, 0.9) == (True, False)
    assert rivals.count_verdict(21, 21, 0.9, 0.9) == (False, False)
    assert rivals.count_verdict(1, 1, 0.1, 0.9) == (True, False)
    assert rivals.count_verdict(0, 3, 0.9, 0.9) == (False, True)
    low, high = rivals.two_sided(9, 10, 0.9)
    assert low == pytest.approx(rivals.lower_bound(9, 10, 0.95), abs=1e-9)
    assert high == pytest.approx(rivals.upper_bound(9, 10, 0.95), abs=1e-9)


def test_holm_by_hand() -> None:
    assert rivals.holm([0.01, 0.04, 0.03]) == pytest.approx((0.03, 0.06, 0.06))
    assert rivals.holm([0.5, 0.9]) == (1.0, 1.0)


def test_spending_boundaries() -> None:
    """Lan and DeMets, O'Brien-Fleming type, 5 % two-sided: as commonly printed (from memory)."""
    three = rivals.normal_boundaries(
        [1 / 3, 2 / 3, 1], 0.025, rivals.obrien_fleming_spending, both_sides=True
    )
    assert three == pytest.approx((3.710, 2.511, 1.993), abs=6e-4)
    one = rivals.normal_boundaries([1.0], 0.05, rivals.pocock_spending)
    assert one == pytest.approx((1.644854,), abs=1e-4)


@pytest.mark.parametrize("spending", [rivals.pocock_spending, rivals.obrien_fleming_spending])
def test_staged_plans_keep_their_error(spending: rivals.Spending) -> None:
    looks = [20, 40, 80]
    limits = rivals.staged_limits(looks, 0.9, 0.9, spending)
    spent = rivals.chance_by_look(looks, limits, 0.9)
    for joints, passed in zip(looks, spent, strict=True):
        assert passed <= spending(joints / 80, 0.1) + 1e-12
    looser = (*limits[:-1], limits[-1] + 1)
    assert rivals.chance_by_look(looks, looser, 0.9)[-1] > 0.1
    assert spending(1.0, 0.1) == pytest.approx(0.1)


def test_chance_by_look_against_simulation() -> None:
    looks, limits = [10, 20, 40], [0, 1, 3]
    failed = np.random.default_rng(2).random((MANY, 40)) < 0.08
    sums = np.cumsum(failed, axis=1)
    passed = np.zeros(MANY, dtype=bool)
    for joints, limit in zip(looks, limits, strict=True):
        passed |= sums[:, joints - 1] <= limit
    expected = rivals.chance_by_look(looks, limits, 0.92)[-1]
    assert abs(float(np.mean(passed)) - expected) < 4 * binomial_error(expected, MANY)
    assert rivals.chance_by_look([22], [0], 0.9) == pytest.approx((0.9**22,))
    with pytest.raises(ValueError, match="looks must rise"):
        rivals.chance_by_look([5, 5], [0, 0], 0.9)


NELSON = {
    0.87: (1.67, 2.2, 2.51, 3.0, 3.9, 4.7, 7.53, 14.7, 27.76, 37.4),
    0.99: (0.80, 1.0, 1.37, 2.25, 2.95, 3.7, 6.07, 6.65, 7.05, 7.37),
    1.09: (0.18, 0.2, 0.24, 0.26, 0.32, 0.32, 0.42, 0.44, 0.88),
    1.18: (0.073, 0.098, 0.117, 0.135, 0.175, 0.262, 0.270, 0.350, 0.386, 0.456),
}


def nelson() -> rivals.Lives:
    pairs = [(load, life) for load, lives in NELSON.items() for life in lives]
    return rivals.exact([p[0] for p in pairs], [p[1] for p in pairs], [True] * len(pairs))


def test_power_law_against_nelson() -> None:
    """SOURCES.md A19: Nelson 1990, p. 305: ln life = 0.8323 - 13.8529 ln load, sigma 0.8043."""
    found = rivals.power_law(nelson())
    assert found.level == pytest.approx(0.8323, abs=6e-5)
    assert found.exponent == pytest.approx(13.8529, abs=6e-5)
    assert found.sigma == pytest.approx(0.8043, abs=6e-5)


def test_profile_interval_is_where_the_likelihood_has_dropped() -> None:
    low, high = rivals.profile_interval(nelson(), 0.9)
    assert low < 13.8529 < high
    narrower = rivals.profile_interval(nelson(), 0.5)
    assert low < narrower[0] < narrower[1] < high


def test_of_few_joints_the_profile_is_too_narrow_and_the_pivot_is_not() -> None:
    """Five lives at two strains: 1.8 times as wide if it is to hold 90 %."""
    random = np.random.default_rng(8)
    strain = [0.01, 0.02, 0.01, 0.02, 0.01]
    life = np.asarray(strain) ** -4.0 * random.weibull(2.5, 5)
    lives = rivals.exact(strain, life.tolist(), [True] * 5)
    profile = rivals.profile_interval(lives, 0.9)
    exact = rivals.exact_interval(lives, 0.9, random, 100)
    assert profile[1] - profile[0] < exact[1] - exact[0]
    censored = rivals.exact(strain, life.tolist(), [True] * 4 + [False])
    with pytest.raises(ValueError, match="pivotal"):
        rivals.exact_interval(censored, 0.9, random)


def test_intervals_and_removals_in_the_likelihood() -> None:
    """One Weibull life at strain 1, level 0, sigma 1 is exponential: ln R and ln(R - R) by hand."""
    one = np.array([1.0])
    gone = rivals.Lives(one, np.array([2.0]), np.array([np.inf]))
    assert rivals.log_likelihood(gone, 0.0, 4.0, 0.0) == pytest.approx(-2.0)
    between = rivals.Lives(one, np.array([1.0]), np.array([2.0]))
    by_hand = math.log(math.exp(-1) - math.exp(-2))
    assert rivals.log_likelihood(between, 0.0, 4.0, 0.0) == pytest.approx(by_hand)
    early = rivals.Lives(one, np.array([0.0]), np.array([2.0]))
    assert rivals.log_likelihood(early, 0.0, 4.0, 0.0) == pytest.approx(math.log(1 - math.exp(-2)))


# Tables.


def test_tables_are_many_and_named_apart() -> None:
    names = [table.name for table in tables.TABLES]
    assert len(names) == len(set(names)) > 60
    assert all(table.content or table.name == "nothing at all" for table in tables.TABLES)


@pytest.mark.parametrize("table", tables.TABLES, ids=lambda t: t.name)
def test_complaints_tell_right_from_wrong(table: tables.Table) -> None:
    right = table.right
    if isinstance(right, tables.Refused):
        row = min(right.rows, default=1)
        said = f"Row {row}, column {right.column}: {' '.join(right.names)} is not understood"
        assert tables.complaints(table, said) == ()
        assert tables.complaints(table, tables.USUAL)
        if right.rows:
            assert tables.complaints(table, f"row 99, column {right.column}: {right.names}")
        return
    assert tables.complaints(table, right) == ()
    assert tables.complaints(table, right[:-1])
    wrong = (*right[:-1], replace(right[-1], failed=not right[-1].failed))
    assert tables.complaints(table, wrong)
    assert bool(tables.complaints(table, "row 2, column cycles: no")) != table.may_ask


@pytest.mark.skipif(not tables.has_workbooks(), reason="openpyxl is not installed")
def test_workbooks_can_be_made() -> None:
    made = tables.workbooks()
    assert len(made) == 10
    assert all(table.content.startswith(b"PK") for table in made)
