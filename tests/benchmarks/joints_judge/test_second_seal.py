"""The second sealed set of flex tests against scipy's distributions, closed forms and draws.

Run with ``python -m pytest tests/benchmarks/joints_judge/test_second_seal.py``; some seconds.
"""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from tests.benchmarks.joints_judge import second_seal as seal
from tests.benchmarks.joints_judge.generators import (
    AT_JOINT,
    BENDS,
    PLACES,
    Case,
    Claim,
    FlexTest,
    Row,
    true_reliability,
)
from tests.benchmarks.joints_judge.laws import Law
from tests.benchmarks.joints_judge.score import Answer, GroupAnswer, findings
from tests.benchmarks.joints_judge.second_laws import (
    Bathtub,
    BirnbaumSaunders,
    Frailty,
    InverseGaussian,
    LuckyStrips,
    TwoBatches,
    Washed,
)

MILLION = 1_000_000
CLAIM = Claim(0.9, 0.9, BENDS)


def case_of(kind: str, size: int = 24, place: str = "just below") -> Case:
    return Case(kind, size, CLAIM, place)


@pytest.mark.parametrize("kind", list(seal.KINDS))
@pytest.mark.parametrize("place", PLACES)
def test_stated_truth_is_that_of_a_million_draws(kind: str, place: str) -> None:
    """Shares failed by the true B10, median and claim, each within five standard errors."""
    case = case_of(kind, place=place)
    truth, law = seal.truths_of(case)[0], seal.law_of(case)
    lives = law.draw(np.random.default_rng(31), MILLION)
    claimed = true_reliability(0.9, place)
    assert truth.reliability == pytest.approx(claimed, abs=1e-9)
    for bends, share in ((truth.b10, 0.1), (truth.median, 0.5), (BENDS, 1 - claimed)):
        seen = float(np.mean(lives <= bends))
        assert abs(seen - share) < 5 * math.sqrt(share * (1 - share) / MILLION)
        assert law.reliability(bends) == pytest.approx(1 - share, abs=1e-9)


@pytest.mark.parametrize("bends", [0.05, 0.3, 1.0, 2.5])
def test_reliabilities_are_scipys(bends: float) -> None:
    of: dict[Law, stats.distributions.rv_frozen] = {
        BirnbaumSaunders(0.7): stats.fatiguelife(0.7),
        InverseGaussian(2.0): stats.invgauss(mu=0.5, scale=2.0),
        Frailty(3.0, 0.8): stats.burr12(3.0, 1 / 0.8, scale=0.8 ** (-1 / 3)),
        LuckyStrips(0.4, 0.3): stats.lognorm(0.5),
    }
    for law, known in of.items():
        assert law.reliability(bends) == pytest.approx(float(known.sf(bends)), rel=1e-9)


def test_special_cases_fall_back_to_simpler_laws() -> None:
    assert Bathtub(0.6, 1e12, 4.0).reliability(0.7) == pytest.approx(math.exp(-(0.7**4)), rel=1e-6)
    assert Washed(3.0, 0.45, 1.0).reliability(0.9) == pytest.approx(math.exp(-(0.9**3)))
    assert TwoBatches(0.3, 1.0).quantile(0.5) == pytest.approx(1.0)
    # On a log scale the two evenings mirror each other about the middle of their medians.
    assert TwoBatches(0.3, 0.35).quantile(0.5) == pytest.approx(math.sqrt(0.35))


def test_a_wash_changes_nothing_before_it() -> None:
    plain, washed = Washed(3.0, 0.45, 1.0), Washed(3.0, 0.45, 4.0)
    assert washed.reliability(0.44) == plain.reliability(0.44)
    # One bend after the wash counts for four: damage 0.45 + 4 x 0.1.
    assert washed.reliability(0.55) == pytest.approx(math.exp(-(0.85**3)))


def test_strips_correlate_by_shared_variance() -> None:
    lives = np.log(LuckyStrips(0.4, 0.35).draw_strips(np.random.default_rng(5), 90_000, 3))
    seen = float(np.corrcoef(lives.reshape(-1, 3)[:, :2].T)[0, 1])
    assert seen == pytest.approx(0.16 / (0.16 + 0.1225), abs=0.02)


def test_rows_are_what_a_person_would_enter() -> None:
    row = Row("A-01", "A", "", None, 0.0, True, AT_JOINT)
    assert seal.entered(row, 260.2, (), False).bends == 261
    assert seal.entered(row, 260.2, seal.DOUBLING, False).bends == 400
    noted = seal.entered(row, 260.2, seal.ONE_TWO_FIVE, True)
    assert (noted.last_whole, noted.first_failed) == (200, 500)
    for kind in seal.KINDS:
        for size in (3, 24):
            case = case_of(kind, size)
            test = seal.flex_test(case, seal.stream(case, 1, 0))
            assert len(test.rows) == size * len(test.groups)
            assert all(r.bends >= 1 for r in test.rows)
    noted_test = seal.flex_test(
        case_of("two evenings, noted"), seal.stream(case_of("two evenings, noted"), 1, 0)
    )
    assert {r.strip for r in noted_test.rows} == {"evening 1", "evening 2"}
    looked = case_of("strips of three, looked at every 100")
    rows = seal.flex_test(looked, seal.stream(looked, 1, 0)).rows
    assert all(r.bends % 100 == 0 for r in rows)
    assert len({r.strip for r in rows}) == 8


def test_those_taken_out_for_their_resistance_would_have_failed_soon() -> None:
    """Taken out at 0.2^(1/2) to 0.2^(1/5) of the life, and 40 in 100 of them."""
    random = np.random.default_rng(3)
    shares = [seal._drifted(1.0, random) for _ in range(1000)]
    assert min(shares) >= 0.2**0.5
    assert max(shares) <= 0.2**0.2
    case = case_of("taken out as resistance rose")
    rows = [r for k in range(100) for r in seal.flex_test(case, seal.stream(case, 2, k)).rows]
    taken = float(np.mean([r.how == seal.DRIFTED for r in rows]))
    assert abs(taken - 0.4) < 4 * math.sqrt(0.24 / len(rows))


def test_seed_moves_everything_and_repeats_itself() -> None:
    for kind in seal.KINDS:
        case = case_of(kind)
        one, same, other = (seal.flex_test(case, seal.stream(case, s, 0)) for s in (7, 7, 8))
        assert one == same
        assert one.rows != other.rows


def test_a_judge_that_always_shows_and_one_that_never_does() -> None:
    """Bold misses the first goal wherever the claim is false; silent has no power."""

    def bold(test: FlexTest) -> Answer:
        return Answer({name: GroupAnswer("shown") for name in test.groups})

    found = seal.play(case_of("bathtub", 5), bold, 20, 1)
    assert found.shown_wrongly.value == 1
    assert any(f.goal == "shown wrongly" and f.met == "missed" for f in findings(found))
    silent = seal.play(
        replace(case_of("bathtub", 5), place="well above"),
        lambda test: Answer({name: GroupAnswer("not shown") for name in test.groups}),
        20,
        1,
    )
    assert silent.shown_where_true.value == 0


def test_claims_and_looks_are_those_of_the_first_judge() -> None:
    drawn = list(seal.cases(sizes=(5, 24)))
    assert len(drawn) == len(seal.KINDS) * (2 + 1) * 2
    assert all(b > a for looks in (seal.DOUBLING, seal.ONE_TWO_FIVE) for a, b in pairwise(looks))
    with pytest.raises(KeyError):
        list(seal.cases(("no such kind",)))
