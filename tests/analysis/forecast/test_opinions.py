"""Scores, weights and mixtures against closed forms; few rundowns of no family, as the judge draws them."""

import numpy as np
import pytest
from scipy.stats import norm

from analysis.forecast.by_label import CapacityBelief, by_label
from analysis.forecast.opinions import (
    Score,
    log_density,
    mixed,
    recalibrated,
    weighed,
    weights,
    widened,
    width_factor,
)
from analysis.forecast.start_state import DEPTHS
from tests.benchmarks.forecast_judge import curves
from tests.benchmarks.forecast_judge.score import judge
from tests.support.unseen import forecaster


def test_density_is_that_of_a_lognormal() -> None:
    rng = np.random.default_rng(1)
    draws = 100 * np.exp(0.3 * rng.standard_normal(20_000))
    for z in (0.0, 1.0, 2.0):
        expected = -0.5 * z**2 - np.log(0.3 * np.sqrt(2 * np.pi))
        assert log_density(draws, 100 * np.exp(0.3 * z)) == pytest.approx(expected, abs=0.12)


def test_weights_are_prior_times_density() -> None:
    scores = {"a": Score(0.0, 2, 0.0, 1.0), "b": Score(np.log(3.0), 2, 0.0, 1.0)}
    assert weights(scores, {"a": 0.75, "b": 0.25})["a"] == pytest.approx(0.5)


def test_mixture_keeps_the_shares_and_widening_the_median() -> None:
    parts = {"a": np.full(10, 1.0), "b": np.full(10, 3.0)}
    alike = {name: np.ones(10) for name in parts}
    drawn = mixed(parts, alike, {"a": 0.3, "b": 0.7}, 1000)
    assert np.mean(drawn == 1.0) == pytest.approx(0.3, abs=0.01)
    rng = np.random.default_rng(2)
    draws = 5 + np.exp(rng.standard_normal(5001))
    wider = widened(draws, 5.0, 2.0)
    assert np.median(wider) == pytest.approx(np.median(draws))
    assert np.std(np.log(wider - 5)) == pytest.approx(2 * np.std(np.log(draws - 5)), rel=0.01)


def test_weighed_draws_are_those_of_the_weighed_law() -> None:
    """Draws of U(0, 1) weighed by x have the law x^2 (closed form): quantiles are roots."""
    draws = np.random.default_rng(3).permutation((np.arange(4000) + 0.5) / 4000)
    shares = np.array([0.05, 0.5, 0.9])
    assert weighed(draws, draws, shares) == pytest.approx(np.sqrt(shares), abs=2e-3)


def test_recalibrated_draws_hold_as_often_as_meant() -> None:
    """Truths of N(1, 0.5) told by draws of N(0, 1): where they lay is known in closed form, and mended."""
    meant = np.array([0.05, 0.25, 0.5, 0.75, 0.95])
    told = norm.cdf(norm.ppf(meant, 1.0, 0.5))
    mended = recalibrated(norm.ppf((np.arange(4000) + 0.5) / 4000), told, meant)
    assert np.quantile(mended, meant) == pytest.approx(norm.ppf(meant, 1.0, 0.5), abs=0.01)


def test_errors_earlier_in_the_run_widen_own_earlier_runs_alone() -> None:
    erred = Score(-3.0, 4, 0.5, 2.5)
    assert width_factor("earlier", erred, "nimh") == 2.5
    assert [width_factor(name, erred, "nimh") for name in ("chemistry", "any", "trend")] == [
        1.0
    ] * 3
    assert width_factor("earlier", None, None) == 1.0
    assert (
        width_factor("chemistry", None, "li-ion") < 1 < width_factor("chemistry", None, "alkaline")
    )


def test_the_label_alone_is_cut_at_what_came_out() -> None:
    """A pack that surely began full, with a label as good as exact: 1000 mAh less the 600 that came out.

    Closed form with u = out / whole: 0.8 of the belief at the label weighs 0.8 * 0.6, the 0.2 of labels that say
    nothing 0.2 du, a fiftieth of it beyond 1.3 labels (u < 0.46, down to 1/31): 0.0017 of 0.59.
    """
    full = np.zeros(len(DEPTHS))
    full[0] = 1.0
    left = by_label(CapacityBelief(1000.0, 0.02, full, 1000.0, told=1.0), 600.0, 4000)
    assert left[0] > 0
    assert np.median(left) == pytest.approx(400.0, rel=0.05)
    assert np.mean(np.abs(left / 400 - 1) < 0.1) > 0.6
    assert np.mean(left + 600 > 1300) == pytest.approx(0.0029, abs=0.001)
    wrong = by_label(CapacityBelief(1000.0, 0.02, full, 1000.0, told=1.0), 1500.0, 4000)
    assert np.median(wrong) == pytest.approx(1500.0, rel=0.25)


def test_a_pack_that_nobody_knows_is_taken_for_one_that_gives_about_its_label() -> None:
    """Weights at a fifth of the label and at e^-0.6 of it, in closed form: 0.2 + exp(-z^2/2), z = (ln 0.2 + 0.6)/0.7."""
    nothing = np.full(len(DEPTHS), 1 / len(DEPTHS))
    charges = 1000.0 * np.array([0.2, np.exp(-0.6)])
    told, untold = (
        CapacityBelief(1000.0, 0.5, nothing, 1000.0, told=share).weight(charges)
        for share in (1.0, 0.0)
    )
    assert untold / told == pytest.approx([0.2 + np.exp(-0.5 * 1.442**2), 1.2], rel=1e-3)
    no_label = CapacityBelief(1000.0, 0.5, nothing).weight(charges)
    assert no_label == pytest.approx(CapacityBelief(1000.0, 0.5, nothing, told=1.0).weight(charges))


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_the_interval_keeps_its_word_on_curves_of_no_family() -> None:
    """The benchmark in small. Of 40 forecasts in clusters of 4, nine in ten meant: fewer than 26 would be a lie."""
    groups = ("straight", "s-shape", "random knee", "recovery", "contact faults")
    runs = curves.draw(np.random.default_rng(77), 2, groups)
    judged = judge(runs, forecaster, (0.3, 0.5, 0.7, 0.9))
    held = [item.holds for item in judged if item.foreseeable and item.holds is not None]
    bound = [item.at_least_holds for item in judged if item.foreseeable]
    said = [item for item in bound if item is not None]
    assert len(held) >= 20
    assert np.mean(held) >= 0.65
    assert np.mean(said) >= 0.65
