"""Fits, intervals, curves and tests against scipy, lifelines and reliability on random censored samples.

Optimisers of libraries stop early: where lifelines or reliability do, their own likelihood
is followed on to its maximum and that is compared.
"""

import warnings
from collections.abc import Callable
from typing import Any, Final

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from analysis.life.data import lives
from analysis.life.fit import fit_life
from analysis.life.interval import Asked, intervals, wald
from analysis.life.log_rank import log_rank
from analysis.life.solver import LOGNORMAL, WEIBULL
from analysis.life.survival import kaplan_meier
from analysis.life.weibull import fit_many, fit_weibull, scale_cycles_of, shape_of
from tests.support.life_cases import random_sample

SAMPLES: Final = 200
REL: Final = 1e-6
Array = NDArray[np.float64]


def _tight(
    func: Callable[..., float], start: Any, args: tuple[Any, ...] = (), disp: int = 0
) -> Any:
    """Simplex search to the last digits, in scipy's form of an optimizer."""
    options: Any = {"xatol": 1e-10, "fatol": 1e-13, "maxiter": 4000, "maxfev": 4000}
    return optimize.minimize(func, start, args=args, method="Nelder-Mead", options=options).x


tight: Any = _tight


def followed(loss: Callable[[Array], float], start: Array, ours: Array) -> Array:
    """Maximum of a library's own likelihood, from where its optimiser stopped; logs keep both positive."""
    if bool(start == pytest.approx(ours, rel=REL)):
        return start
    found = tight(lambda logs: loss(np.exp(logs)), np.log(start))
    return np.asarray(np.exp(np.asarray(found)))


def _lifelines_loss(
    fitter: Any, cycles: Array, failed: NDArray[np.bool_]
) -> Callable[[Array], float]:
    """Negative log-likelihood from lifelines' own hazard functions."""

    def loss(params: Array) -> float:
        hazard = fitter._cumulative_hazard(params, cycles)
        return float(np.sum(hazard) - np.sum(fitter._log_hazard(params, cycles)[failed]))

    return loss


def _profile(b10: float, near_shape: float, cycles: Array, failed: NDArray[np.bool_]) -> float:
    """Greatest log-likelihood with this B10, by scipy's densities and a search over the shape."""

    def loss(log_shape: float) -> float:
        law = stats.weibull_min(np.exp(log_shape), scale=b10 / (-np.log(0.9)) ** np.exp(-log_shape))
        return -float(np.sum(law.logpdf(cycles[failed])) + np.sum(law.logsf(cycles[~failed])))

    start = float(np.log(near_shape))
    found = optimize.minimize_scalar(
        loss, bounds=(start - 3, start + 3), method="bounded", options={"xatol": 1e-9}
    )
    return -float(found.fun)


@pytest.fixture(scope="module")
def samples() -> list[tuple[Array, NDArray[np.bool_]]]:
    random = np.random.default_rng(20260110)
    return [random_sample(random) for _ in range(SAMPLES)]


@pytest.mark.slow
def test_weibull_point_estimates_and_wald(
    samples: list[tuple[Array, NDArray[np.bool_]]],
) -> None:
    """Every second sample: scipy; lifelines (Wald on the linear scale); reliability (Wald on the log scale)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # these libraries use what matplotlib and pandas deprecate
        from lifelines import WeibullFitter
        from reliability.Fitters import Fit_Weibull_2P
    for cycles, failed in samples[::2]:
        sample = lives(cycles[failed], cycles[~failed])
        fit = fit_weibull(sample)
        ours = np.array([scale_cycles_of(fit), shape_of(fit)])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = WeibullFitter(alpha=0.1).fit(cycles, failed)
            other = Fit_Weibull_2P(
                failures=list(cycles[failed]),
                right_censored=list(cycles[~failed]) or None,
                show_probability_plot=False,
                print_results=False,
                CI=0.9,
            )
        data = stats.CensoredData(uncensored=cycles[failed], right=cycles[~failed])
        shape, _, scale = stats.weibull_min.fit(
            data, other.beta, floc=0, scale=other.alpha, optimizer=tight
        )
        assert [scale, shape] == pytest.approx(ours, rel=REL)
        point = np.array([theirs.lambda_, theirs.rho_])

        loss = _lifelines_loss(theirs, cycles, failed)
        assert followed(loss, point, ours) == pytest.approx(ours, rel=REL)
        table = theirs.summary
        if point == pytest.approx(ours, rel=REL):
            for name, kind in (("lambda_", "scale"), ("rho_", "shape")):
                bounds = wald(fit, Asked(kind), 0.9, "linear")  # type: ignore[arg-type]
                row = table.loc[name]
                expected = (row["coef lower 90%"], row["coef upper 90%"])
                assert (bounds.lower, bounds.upper) == pytest.approx(expected, rel=1e-5)
        point = np.array([other.alpha, other.beta])

        def other_loss(params: Array, c: Array = cycles, f: NDArray[np.bool_] = failed) -> float:
            return float(Fit_Weibull_2P.LL(params, c[f], c[~f]))

        assert followed(other_loss, point, ours) == pytest.approx(ours, rel=REL)
        if point == pytest.approx(ours, rel=REL):
            shape_bounds = wald(fit, Asked("shape"), 0.9, "log")
            scale_bounds = wald(fit, Asked("scale"), 0.9, "log")
            assert (other.beta_lower, other.beta_upper) == pytest.approx(
                (shape_bounds.lower, shape_bounds.upper), rel=1e-5
            )
            assert (other.alpha_lower, other.alpha_upper) == pytest.approx(
                (scale_bounds.lower, scale_bounds.upper), rel=1e-5
            )


@pytest.mark.slow
def test_lognormal_point_estimates(samples: list[tuple[Array, NDArray[np.bool_]]]) -> None:
    """scipy's lognorm on sixty of the samples."""
    for cycles, failed in samples[:60]:
        fit = fit_life(lives(cycles[failed], cycles[~failed]), LOGNORMAL)
        data = stats.CensoredData(uncensored=cycles[failed], right=cycles[~failed])
        scale, _, median = stats.lognorm.fit(
            data, 0.6, floc=0, scale=float(cycles.mean()), optimizer=tight
        )
        assert (scale, median) == pytest.approx((fit.scale, np.exp(fit.location)), rel=REL)


@pytest.mark.slow
@pytest.mark.parametrize("family", [WEIBULL, LOGNORMAL], ids=lambda item: item.name)
def test_left_and_interval_censored(family: Any) -> None:
    """scipy's CensoredData with all four kinds at once, forty samples."""
    random = np.random.default_rng(77)
    law = stats.weibull_min if family is WEIBULL else stats.lognorm
    done = 0
    while done < 40:
        cycles, failed = random_sample(random)
        kind = random.integers(0, 3, cycles.size)
        step = float(np.median(cycles)) / 3
        low = np.floor(cycles / step) * step
        exact = failed & (kind == 0)
        between = failed & (kind == 1) & (low > 0)
        left = failed & ((kind == 2) | ((kind == 1) & (low == 0)))
        if exact.sum() < 2 or (exact | between).sum() < 3:
            continue
        done += 1
        pairs = [(value, value + step) for value in low[between]]
        pairs += [(0.0, float(value)) for value in cycles[left]]
        fit = fit_life(lives(cycles[exact], cycles[~failed], pairs), family)
        data = stats.CensoredData(
            uncensored=cycles[exact],
            right=cycles[~failed],
            left=cycles[left],
            interval=np.array([(a, b) for a, b in pairs if a > 0]).reshape(-1, 2),
        )
        first, _, second = law.fit(data, 1.2, floc=0, scale=float(cycles.mean()), optimizer=tight)
        ours = (
            (shape_of(fit), scale_cycles_of(fit))
            if family is WEIBULL
            else (fit.scale, float(np.exp(fit.location)))
        )
        assert (first, second) == pytest.approx(ours, rel=REL)


@pytest.mark.slow
def test_likelihood_ratio_interval_by_another_way(
    samples: list[tuple[Array, NDArray[np.bool_]]],
) -> None:
    """B10 and reliability bounds: scipy's densities, profiled over the shape by a bounded search."""
    limit = stats.chi2(1).ppf(0.9) / 2
    for cycles, failed in samples[:12]:
        fit = fit_weibull(lives(cycles[failed], cycles[~failed]))

        (bounds,) = intervals(fit, [Asked("percentile", 0.1)], 0.9, "likelihood-ratio")
        for end in (bounds.lower, bounds.upper):
            assert fit.log_likelihood - _profile(
                end, shape_of(fit), cycles, failed
            ) == pytest.approx(limit, rel=REL)
        # At the lower bound of the 90 % life the reliability has 90 % as its own lower bound.
        (back,) = intervals(fit, [Asked("reliability", bounds.lower)], 0.9, "likelihood-ratio")
        assert back.lower == pytest.approx(0.9, rel=REL)


@pytest.mark.slow
def test_curves_and_log_rank(samples: list[tuple[Array, NDArray[np.bool_]]]) -> None:
    """scipy's ecdf (linear and log-log bands), lifelines' estimator, scipy's logrank squared."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from lifelines import KaplanMeierFitter
    for (cycles, failed), (second, second_failed) in zip(
        samples[:40:2], samples[1:40:2], strict=True
    ):
        sample = lives(cycles[failed], cycles[~failed])
        data = stats.CensoredData(uncensored=cycles[failed], right=cycles[~failed])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            theirs = stats.ecdf(data).sf
            for scale in ("linear", "log-log"):
                curve = kaplan_meier(sample, 0.9, scale)
                at = np.searchsorted(theirs.quantiles, curve.cycles)
                assert curve.survival == pytest.approx(theirs.probabilities[at], abs=1e-12)
                ends: Any = theirs.confidence_interval(0.9, method=scale)
                inside = curve.survival > 0
                low = ends.low.probabilities[at][inside]
                high = ends.high.probabilities[at][inside]
                known = ~np.isnan(low)
                assert curve.lower[inside][known] == pytest.approx(low[known], abs=1e-9)
                assert curve.upper[inside][known] == pytest.approx(high[known], abs=1e-9)
            fitter = KaplanMeierFitter(alpha=0.1).fit(cycles, failed)
        shown = fitter.survival_function_at_times(kaplan_meier(sample).cycles)
        assert kaplan_meier(sample).survival == pytest.approx(shown.to_numpy(), abs=1e-12)
        other = stats.CensoredData(uncensored=second[second_failed], right=second[~second_failed])
        expected = stats.logrank(data, other)
        ours = log_rank([sample, lives(second[second_failed], second[~second_failed])])
        assert ours.chi_square == pytest.approx(expected.statistic**2, rel=1e-9)
        assert ours.p_chi_square == pytest.approx(expected.pvalue, rel=1e-6)


def test_many_fits_are_the_single_ones() -> None:
    """The batch solver against one fit at a time, samples of one length side by side."""
    random = np.random.default_rng(3)
    cycles = 1000 * random.weibull(2.0, (50, 12))
    failed = cycles < 1100
    many = fit_many(np.minimum(cycles, 1100), failed)
    for row in range(50):
        fit = fit_weibull(lives(cycles[row][failed[row]], [1100.0] * int((~failed[row]).sum())))
        assert many.shape[row] == pytest.approx(shape_of(fit), rel=1e-8)
        assert many.scale_cycles[row] == pytest.approx(scale_cycles_of(fit), rel=1e-8)
