"""Life statistics against published values; the source stands beside each check."""

import math

import numpy as np
import pytest

from analysis.flex.bend import awg_diameter_mm, bending_diameter_mm, outer_strain
from analysis.life.data import lives
from analysis.life.demonstration import (
    reliability_lower,
    reliability_lower_stated_shape,
    scale_lower_cycles,
    specimens_needed,
)
from analysis.life.interval import Asked, intervals, wald
from analysis.life.log_rank import log_rank
from analysis.life.regression import fit_regression
from analysis.life.solver import WEIBULL
from analysis.life.survival import kaplan_meier
from analysis.life.weibull import fit_weibull, scale_cycles_of, shape_of
from tests.support.life_cases import (
    BEARINGS,
    NELSON_LOAD,
    REMISSION_PLACEBO,
    REMISSION_TREATED,
    bearing_cages,
    marked,
    nist,
    quality_1997,
)


def test_nist_script_weibull() -> None:
    """SOURCES.md A1: NIST/SEMATECH e-Handbook 8.4.1, companion script (first failure 55)."""
    fit = fit_weibull(nist())
    assert scale_cycles_of(fit) == pytest.approx(606.005, abs=6e-4)
    assert shape_of(fit) == pytest.approx(1.72563, abs=6e-6)
    assert fit.log_likelihood == pytest.approx(-75.122, abs=6e-4)
    assert fit.location == pytest.approx(6.407, abs=6e-4)
    assert math.sqrt(fit.covariance[0, 0]) == pytest.approx(0.205, abs=6e-4)
    assert math.log(fit.scale) == pytest.approx(-0.546, abs=6e-4)
    assert math.sqrt(fit.covariance[1, 1]) == pytest.approx(0.292, abs=6e-4)


def test_nist_page_weibull() -> None:
    """SOURCES.md A2: NIST/SEMATECH e-Handbook 8.4.1.3, the page (first failure 54)."""
    fit = fit_weibull(nist(54.0))
    assert shape_of(fit) == pytest.approx(1.7208, rel=1e-4)
    assert scale_cycles_of(fit) == pytest.approx(606.528, rel=1e-4)


def test_nist_kaplan_meier_log_band() -> None:
    """SOURCES.md A3: NIST/SEMATECH e-Handbook 8.4.1, companion script; log-log end from scipy's ecdf, as read there."""
    curve = kaplan_meier(nist(), 0.95, "log")
    assert curve.survival == pytest.approx(np.arange(0.95, 0.45, -0.05), abs=1e-12)
    errors = [0.0487, 0.0671, 0.0798, 0.0894, 0.0968, 0.1025, 0.1067, 0.1095, 0.1112, 0.1118]
    assert curve.standard_error == pytest.approx(errors, abs=6e-5)
    assert [curve.lower[0], curve.upper[0]] == pytest.approx([0.859, 1.0], abs=6e-4)
    assert [curve.lower[-1], curve.upper[-1]] == pytest.approx([0.323, 0.775], abs=6e-4)
    log_log = kaplan_meier(nist(), 0.95)
    assert [log_log.lower[0], log_log.upper[0]] == pytest.approx([0.6947, 0.9928], abs=6e-5)


def test_nist_kaplan_meier_with_removals() -> None:
    """SOURCES.md A4: NIST/SEMATECH e-Handbook 8.2.1.5."""
    curve = kaplan_meier(lives([10, 32, 56, 98, 122, 181], [50, 100, 125, 150, *[200] * 10]))
    expected = [0.95, 0.90, 0.847059, 0.794118, 0.737395, 0.670359]
    assert curve.survival == pytest.approx(expected, abs=6e-7)


def test_bearings() -> None:
    """SOURCES.md A6: Lieblein & Zelen 1956, J. Res. NBS 57:273, seventh value 48.48."""
    fit = fit_weibull(lives(BEARINGS))
    assert shape_of(fit) == pytest.approx(2.10206, abs=6e-6)
    assert scale_cycles_of(fit) == pytest.approx(81.8783, abs=6e-5)
    assert fit.log_likelihood == pytest.approx(-113.6913, abs=6e-5)
    assert fit.percentile_cycles(0.1) == pytest.approx(28.069, abs=6e-4)


def test_wald_on_the_linear_scale() -> None:
    """SOURCES.md A7: J. Quality Technology 1997, doi 10.1080/00224065.1997.11979730: 95 %, observed information."""
    fit = fit_weibull(quality_1997())
    assert shape_of(fit) == pytest.approx(2.7540, abs=6e-5)
    assert scale_cycles_of(fit) == pytest.approx(67.9188, abs=6e-5)
    shape = wald(fit, Asked("shape"), 0.95, "linear")
    scale = wald(fit, Asked("scale"), 0.95, "linear")
    assert (shape.lower, shape.upper) == pytest.approx((1.4977, 4.0102), abs=6e-5)
    assert (scale.lower, scale.upper) == pytest.approx((53.8755, 81.9622), abs=6e-5)


def test_likelihood_ratio_bounds_of_b10() -> None:
    """SOURCES.md A8: Meeker & Escobar 1998, Table C.5 and Example 8.16 (2094.3 and 22144.4 computed; tolerance 1e-3)."""
    fit = fit_weibull(bearing_cages())
    assert shape_of(fit) == pytest.approx(2.0353, abs=6e-5)
    assert scale_cycles_of(fit) == pytest.approx(11792.2, abs=0.06)
    assert fit.percentile_cycles(0.1) == pytest.approx(3903, abs=0.6)
    (bounds,) = intervals(fit, [Asked("percentile", 0.1)], 0.95, "likelihood-ratio")
    assert bounds.lower == pytest.approx(2093, rel=1e-3)
    assert bounds.upper == pytest.approx(22144, rel=1e-3)


def test_handbook_fit_with_removals() -> None:
    """SOURCES.md A9: Abernethy, New Weibull Handbook, App. C.5."""
    fit = fit_weibull(lives([1500, 2250, 4000, 4300, 7000], [1750, 5000]))
    assert shape_of(fit) == pytest.approx(2.257, abs=6e-4)
    assert scale_cycles_of(fit) == pytest.approx(4900.1, abs=0.06)


def test_log_rank_of_remissions() -> None:
    """SOURCES.md A12: Freireich et al. 1963, Blood 21:699."""
    rank = log_rank([marked(REMISSION_TREATED), marked(REMISSION_PLACEBO)])
    assert rank.chi_square == pytest.approx(16.79, abs=6e-3)
    assert rank.chi_square == pytest.approx(4.0979**2, rel=3e-5)  # scipy's Z, squared
    assert rank.p_chi_square == pytest.approx(4.17e-5, abs=6e-8)
    assert rank.observed == pytest.approx([9, 21])
    assert rank.expected == pytest.approx([19.25, 10.75], abs=6e-3)
    assert rank.p_exchange < 1e-3


@pytest.mark.parametrize(
    ("reliability", "confidence", "needed"),
    [
        (0.90, 0.90, 22),
        (0.90, 0.95, 29),
        (0.95, 0.90, 45),
        (0.95, 0.95, 59),
        (0.99, 0.90, 230),
        (0.99, 0.95, 299),
    ],
)
def test_success_run_sample_size(reliability: float, confidence: float, needed: int) -> None:
    """SOURCES.md A14: success-run theorem; Wilks 1941, form n = ceil(ln(1-C)/ln R), not the one with a uniform prior."""
    assert specimens_needed(reliability, confidence) == needed


@pytest.mark.parametrize(
    ("share", "expected"), [(0.95, (59, 93, 124, 153)), (0.90, (22, 38, 52, 65))]
)
def test_sample_size_with_failures(share: float, expected: tuple[int, ...]) -> None:
    """SOURCES.md A14: exact binomial, 0 to 3 failures allowed, reliability and confidence the same."""
    assert tuple(specimens_needed(share, share, failures) for failures in range(4)) == expected


def test_lower_bound_of_clean_tests() -> None:
    """SOURCES.md A15: Clopper-Pearson, (1-C)^(1/n)."""
    assert reliability_lower(59, 0, 0.95) == pytest.approx(0.950492, abs=6e-7)
    assert reliability_lower(22, 0, 0.90) == pytest.approx(0.900628, abs=6e-7)


def test_weibull_form_without_failures() -> None:
    """SOURCES.md A17: Abernethy ch. 6, IEC 61649:2008 (both from memory, arithmetic reproduced): ten at 1000, shape 2."""
    cycles = np.full(10, 1000.0)
    assert scale_lower_cycles(cycles, 0, 2.0, 0.90) == pytest.approx(2083.973, abs=6e-4)
    assert scale_lower_cycles(cycles, 0, 2.0, 0.95) == pytest.approx(1827.042, abs=6e-4)
    lower = reliability_lower_stated_shape(cycles, 0, 2.0, 0.90, 1000.0)
    assert lower == pytest.approx(0.794328, abs=6e-7)
    # Ties to SOURCES.md A15.
    assert lower == pytest.approx(reliability_lower(10, 0, 0.90), rel=1e-12)


def test_power_law_of_load() -> None:
    """SOURCES.md A19: Nelson 1990, Accelerated Testing, p. 305: ln life = 0.8323 - 13.8529 ln load, sigma 0.8043 (Weibull)."""
    cycles = [float(life) for text in NELSON_LOAD.values() for life in text.split()]
    load = [value for value, text in NELSON_LOAD.items() for _ in text.split()]
    design = np.stack((np.ones(len(load)), np.log(load)), axis=1)
    fit = fit_regression(lives(cycles), design, WEIBULL)
    assert fit.coefficients == pytest.approx([0.8323, -13.8529], abs=6e-5)
    assert fit.scale == pytest.approx(0.8043, abs=6e-5)


def test_outer_fibre_strain() -> None:
    """SOURCES.md D6: beam theory d/(2R+d); diameters SOURCES.md D1: ASTM B258."""
    assert outer_strain(0.127, 5.0) == pytest.approx(0.01254, abs=6e-6)
    assert outer_strain(bending_diameter_mm("24 solid"), 5.0) == pytest.approx(0.0486, abs=6e-5)
    expected = {22: 0.64380, 24: 0.51056, 26: 0.40489, 28: 0.32109, 30: 0.25464}
    for gauge, diameter_mm in expected.items():
        assert awg_diameter_mm(gauge) == pytest.approx(diameter_mm, abs=6e-6)
