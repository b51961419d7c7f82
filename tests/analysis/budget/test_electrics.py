"""Wires, LEDs and the linear update against handbook values."""

from functools import partial

import numpy as np
import pytest

from analysis.budget.electrics import (
    PIXEL_MEASURED,
    PIXEL_PLANNING,
    led_current_ma,
    pixel_current_ma,
)
from analysis.budget.reconcile import (
    SLIP_FACTOR,
    SLIP_SHARE,
    Array,
    Reconciled,
    inseparable_sets,
    reconcile,
    with_slips,
)
from analysis.budget.wire_drop import (
    STRANDED_SPREAD,
    WireRun,
    diameter_mm,
    drop_v,
    loop_resistance_ohm,
    resistance_ohm_per_km,
)

# ASTM B258 diameters and a published solid-copper table (Floyd), ohm per 1000 ft and per km.
WIRE_TABLE = [
    (22, 0.64380, 52.95),
    (24, 0.51056, 84.22),
    (26, 0.40489, 133.89),
    (28, 0.32109, 212.93),
    (30, 0.25464, 338.58),
]
# Published stranded-wire chart, ohm per 1000 ft: 22 7/30, 24 7/32, 26 7/34, 28 7/36, 30 7/38.
STRANDED_OHM_PER_1000_FT = [(22, 14.74), (24, 23.30), (26, 37.30), (28, 64.90), (30, 103.20)]


@pytest.mark.parametrize(("gauge_awg", "expected_mm", "expected_ohm_per_km"), WIRE_TABLE)
def test_wire_table(gauge_awg: int, expected_mm: float, expected_ohm_per_km: float) -> None:
    assert diameter_mm(gauge_awg) == pytest.approx(expected_mm, abs=1e-5)
    assert resistance_ohm_per_km(gauge_awg) == pytest.approx(expected_ohm_per_km, rel=5e-4)


@pytest.mark.parametrize(("gauge_awg", "ohm_per_1000_ft"), STRANDED_OHM_PER_1000_FT)
def test_stranded_wire_lies_in_the_stated_spread(gauge_awg: int, ohm_per_1000_ft: float) -> None:
    solid = resistance_ohm_per_km(gauge_awg)
    stranded = ohm_per_1000_ft / 0.3048
    assert solid * (1 - STRANDED_SPREAD) <= stranded <= solid * 1.001


def test_drop_counts_out_and_back() -> None:
    # 26 AWG, 1.5 m one way is 3 m of wire: 3 m x 133.89 ohm/km = 0.4017 ohm; 0.5 A: 0.2008 V.
    assert loop_resistance_ohm(26, 1.5) == pytest.approx(0.4017, rel=1e-3)
    assert drop_v(WireRun("feed", 26, 1.5, 500.0)) == pytest.approx(0.2008, rel=1e-3)


def test_leds_behind_series_resistors() -> None:
    # Ohm's law, worked examples of the trade: 5 V, 2.0 V, 20 mA take 150 ohm; 3.0 V, 1.8 V, 5 mA 240 ohm.
    assert led_current_ma(5.0, 2.0, 150.0) == pytest.approx(20.0)
    assert led_current_ma(3.0, 1.8, 240.0) == pytest.approx(5.0)
    with pytest.raises(ValueError, match="cannot drive"):
        led_current_ma(1.5, 2.0, 100.0)


def test_pixel_white_and_dark() -> None:
    # An open LED library's measured power model: red 16, green 11, blue 15, dark 1, white 42-43 mA.
    assert 42.0 <= pixel_current_ma(255, 255, 255, currents=PIXEL_MEASURED) <= 43.0
    # Planning figure 60 mA white, 1 mA dark: common practice, no source.
    assert pixel_current_ma(255, 255, 255, currents=PIXEL_PLANNING) == pytest.approx(60.0)
    assert pixel_current_ma(0, 0, 0) == 1.0
    with pytest.raises(ValueError, match="brightness"):
        pixel_current_ma(1, 1, 1, brightness=40)


def test_reconcile_agrees_with_generalised_least_squares() -> None:
    """Independent form: prior as extra observations, solved by numpy's least squares."""
    rng = np.random.default_rng(5)
    design = rng.uniform(0, 2, (4, 6))
    prior, std = rng.uniform(1, 50, 6), rng.uniform(0.5, 10, 6)
    noise = np.diag(rng.uniform(0.1, 1, 4) ** 2) + 0.3
    measured = design @ (prior + std) + 0.1
    result = reconcile(design, prior, std, measured, noise)
    whiten = np.linalg.inv(np.linalg.cholesky(noise))
    rows = np.vstack([whiten @ design, np.diag(1 / std)])
    target = np.concatenate([whiten @ measured, prior / std])
    expected, *_ = np.linalg.lstsq(rows, target, rcond=None)
    assert result.posterior_ma == pytest.approx(expected, rel=1e-9)
    assert result.posterior_cov == pytest.approx(np.linalg.inv(rows.T @ rows), rel=1e-7, abs=1e-12)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """500 random budgets of 4-8 parts and 3-6 modes: the 90 % intervals hold 87-93 %."""
    rng = np.random.default_rng(8)
    held: list[bool] = []
    for _ in range(500):
        figures, modes = int(rng.integers(4, 9)), int(rng.integers(3, 7))
        design = rng.uniform(0.1, 1, (modes, figures)) * (rng.random((modes, figures)) < 0.6)
        prior = rng.lognormal(2.5, 1.0, figures)
        std = prior * rng.uniform(0.05, 0.3, figures)
        truth = prior + std * rng.standard_normal(figures)
        noise_std = rng.uniform(0.05, 0.5)
        shared_std = 0.6
        measured = (
            design @ truth
            + noise_std * rng.standard_normal(modes)
            + shared_std * rng.standard_normal()
        )
        cov = noise_std**2 * np.eye(modes) + shared_std**2
        low, high = reconcile(design, prior, std, measured, cov).interval_ma(0.9)
        held.extend((low <= truth) & (truth <= high))
    assert 0.87 <= np.mean(held) <= 0.93


def test_inseparable_parts_are_named() -> None:
    # Figures 0 and 1 always run together; 2 alone in one mode; 3 in no mode.
    design = np.array([[1.0, 2.0, 0.0, 0.0], [1.0, 2.0, 1.0, 0.0], [0.5, 1.0, 3.0, 0.0]])
    assert inseparable_sets(design) == ((0, 1), (3,))
    assert inseparable_sets(np.eye(3)) == ()


def test_inseparable_in_every_rank_deficient_design() -> None:
    """Whatever the design: sets are empty exactly when it has full column rank (numpy's rank)."""
    rng = np.random.default_rng(2)
    for _ in range(300):
        shape = (int(rng.integers(2, 7)), int(rng.integers(2, 9)))
        design = rng.integers(0, 3, shape).astype(float)
        full = np.linalg.matrix_rank(design) == shape[1]
        assert (inseparable_sets(design) == ()) == full


@pytest.mark.slow
@pytest.mark.parametrize("planted", ["none", "one in every budget", "as rare as the model says"])
def test_intervals_hold_the_truth_with_planted_slips(planted: str) -> None:
    """500 random budgets with figures far outside their tolerance: still 87-93 % of all figures.

    Of the planted figures themselves about three in four are held: a slip that the modes
    show only mixed with others is rarer than it is here, so part of it is given to them.
    """
    rng = np.random.default_rng(8)
    held: list[bool] = []
    of_slips: list[bool] = []
    for _ in range(500):
        figures, modes = int(rng.integers(4, 9)), int(rng.integers(3, 7))
        design = rng.uniform(0.1, 1, (modes, figures)) * (rng.random((modes, figures)) < 0.6)
        prior = rng.lognormal(2.5, 1.0, figures)
        std = prior * rng.uniform(0.05, 0.3, figures)
        slip = rng.random(figures) < SLIP_SHARE
        if planted == "none":
            slip[:] = False
        elif planted.startswith("one"):
            slip = np.arange(figures) == rng.integers(figures)
        truth = prior + std * np.where(slip, SLIP_FACTOR, 1.0) * rng.standard_normal(figures)
        noise_std = rng.uniform(0.05, 0.5)
        shared = 0.6 * rng.standard_normal()
        measured = design @ truth + noise_std * rng.standard_normal(modes) + shared
        cov = noise_std**2 * np.eye(modes) + 0.36
        result = with_slips(std, partial(_update, design, prior, measured, cov))
        low, high = result.interval_ma(0.9)
        inside = (low <= truth) & (truth <= high)
        held.extend(inside)
        of_slips.extend(inside[slip])
    assert 0.87 <= np.mean(held) <= 0.93
    assert not of_slips or np.mean(of_slips) > 0.65


def _update(design: Array, prior: Array, measured: Array, cov: Array, std: Array) -> Reconciled:
    return reconcile(design, prior, std, measured, cov)
