"""The GUM's own examples, its t factors, the library uncertainties, and JCGM 101's Monte Carlo."""

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import correlated_values, correlation_matrix, umath

from analysis.doubt.limits import limits_of
from analysis.doubt.propagation import Floats, correlation, means_and_covariance, propagate
from analysis.doubt.uncertainty import (
    LIMIT_DOF,
    RECTANGULAR,
    Budget,
    Component,
    budget,
    combined,
    coverage_factor,
    dof_known_to,
    effective_dof,
    resistance_budget,
)
from logger.run.calibration import Line
from tests.support.runs_by_formula import BOARD


@pytest.mark.parametrize(
    ("dof", "factor"), [(4, 2.776), (10, 2.228), (16, 2.120), (math.inf, 1.960)]
)
def test_coverage_factors_of_gum_table_g2(dof: float, factor: float) -> None:
    # JCGM 100:2008 Table G.2, 95 %.
    assert coverage_factor((Component("x", "A", 1.0, dof),)) == pytest.approx(factor, abs=5e-4)


def test_gauge_block_of_gum_h1() -> None:
    # JCGM 100:2008 H.1: l = 50.000838 mm, u_c 31.71 nm, nu_eff 16.76 -> 16, t99(16) 2.92, U99 93 nm.
    def length_mm(x: Floats) -> float:
        standard, d, alpha, theta, d_alpha, d_theta = x
        return float(standard + d - standard * (d_alpha * theta + alpha * d_theta))

    means = (50.000623, 215e-6, 11.5e-6, -0.1, 0.0, 0.0)
    standards = (25e-6, 9.7e-6, 1.2e-6, 0.41, 0.58e-6, 0.029)
    value, covariance = propagate(length_mm, means, np.diag(np.square(standards)))
    assert value[0] == pytest.approx(50.000838, abs=1e-9)
    assert 1e6 * math.sqrt(covariance[0, 0]) == pytest.approx(31.71, abs=0.05)
    dofs = (18, 25.6, math.inf, math.inf, 50, 2)
    components = []
    for index, dof in enumerate(dofs):
        alone = np.zeros((6, 6))
        alone[index, index] = standards[index] ** 2
        part = propagate(length_mm, means, alone)[1][0, 0]
        components.append(Component(str(index), "B", 1e6 * math.sqrt(part), dof))
    budget_nm = tuple(part for part in components if part.standard > 0)
    assert effective_dof(budget_nm) == 16
    factor = coverage_factor(budget_nm, 0.99)
    assert factor == pytest.approx(2.92, abs=0.005)
    assert round(factor * combined(budget_nm)) == 93


def test_resistance_and_reactance_of_gum_h2_with_correlated_inputs() -> None:
    # JCGM 100:2008 H.2: V in V, I in mA, phase in rad, five simultaneous sets. R 127.732(71), X 219.847(295),
    # Z 254.260(236) ohm; r(R, X) -0.588, r(R, Z) -0.485, r(X, Z) 0.993. (The raw sets are from memory.)
    sets = [
        (5.007, 19.663, 1.0456),
        (4.994, 19.639, 1.0438),
        (5.005, 19.640, 1.0468),
        (4.990, 19.685, 1.0428),
        (4.999, 19.678, 1.0433),
    ]

    def impedance(x: Floats) -> tuple[float, float, float]:
        ohm = 1e3 * x[0] / x[1]
        return ohm * math.cos(x[2]), ohm * math.sin(x[2]), ohm

    values, covariance = propagate(impedance, *means_and_covariance(sets))
    assert values == pytest.approx((127.732, 219.847, 254.260), abs=6e-4)
    assert np.sqrt(np.diag(covariance)) == pytest.approx((0.071, 0.295, 0.236), abs=6e-4)
    r = correlation(covariance)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=6e-4)


def test_random_models_agree_with_the_library_uncertainties() -> None:
    rng = np.random.default_rng(17)
    for _ in range(30):
        means = rng.uniform(1.0, 5.0, 4)
        root = rng.normal(size=(4, 4)) * 1e-3
        covariance = root @ root.T
        a, b, c, d = rng.uniform(0.5, 2.0, 4)

        def ours(x: Floats, a: float = a, b: float = b, c: float = c, d: float = d) -> Floats:
            return np.array([a * x[0] * x[1] / x[2] + b * math.exp(x[3] / 5), c * x[0] - d * x[3]])

        x = correlated_values(means, covariance)
        theirs = (a * x[0] * x[1] / x[2] + b * umath.exp(x[3] / 5), c * x[0] - d * x[3])
        values, spread = propagate(ours, means, covariance)
        assert values == pytest.approx([y.nominal_value for y in theirs], rel=1e-12)
        assert np.sqrt(np.diag(spread)) == pytest.approx([y.std_dev for y in theirs], rel=1e-5)
        assert correlation(spread)[0, 1] == pytest.approx(
            correlation_matrix(theirs)[0, 1], abs=1e-5
        )


@pytest.mark.parametrize(
    "rectangles",
    [(1.0,), (1.0, 0.3), (1.0, 1.0), (2.0, 1.0, 0.5, 0.5), (1.0, 0.9, 0.8)],
)
def test_coverage_factor_agrees_with_monte_carlo_of_jcgm_101(rectangles: tuple[float, ...]) -> None:
    """Limits that are certain and a normal part: half-width against 400 000 draws, within 2 %."""
    normal = 0.2
    rng = np.random.default_rng(3)
    draws = rng.normal(0, normal, 400_000)
    for limit in rectangles:
        draws += rng.uniform(-limit, limit, draws.size)
    components = (
        Component("noise", "A", normal),
        *(Component("limit", "B", x / math.sqrt(3), shape=RECTANGULAR) for x in rectangles),
    )
    half = coverage_factor(components) * combined(components)
    assert half == pytest.approx(float(np.quantile(np.abs(draws), 0.95)), rel=0.02)


def test_budget_of_a_charge_agrees_with_monte_carlo_of_jcgm_101() -> None:
    """The whole model, not its linear form: factors multiply and offsets add, drawn from the limits."""
    limits = limits_of(BOARD)
    assert limits is not None
    rng = np.random.default_rng(5)
    n, true_ma, hours = 400_000, 150.0, 10.0

    def drawn(limit: float) -> Floats:
        return rng.uniform(-limit, limit, n)

    read_ma = true_ma * np.ones(n)
    for gain in (limits.current_gain, limits.shunt_gain, limits.current_drift_gain):
        read_ma *= 1 + drawn(gain)
    for offset in (
        limits.current_offset_ma,
        limits.current_step_ma / 2,
        limits.current_drift_ma,
        limits.current_common_ma,
        limits.current_supply_ma,
        limits.current_pin_ma,
    ):
        read_ma += drawn(offset)
    charge = read_ma * hours * (1 + drawn(limits.clock_gain))
    ours = budget(limits, true_ma * hours, per_ma=hours, clocked=True)
    assert combined(ours) == pytest.approx(float(np.std(charge)), rel=0.01)
    certain = tuple(Component(c.source, c.kind, c.standard, shape=c.shape) for c in ours)
    half = coverage_factor(certain) * combined(certain)
    seen = float(np.quantile(np.abs(charge - true_ma * hours), 0.95))
    assert half == pytest.approx(seen, rel=0.02)


def test_degrees_of_freedom_by_how_well_a_standard_uncertainty_is_known() -> None:
    # JCGM 100:2008 G.4.2, example to equation G.3: 25 % are 8 degrees of freedom.
    assert dof_known_to(0.25) == pytest.approx(8)
    assert dof_known_to(0.10) == pytest.approx(LIMIT_DOF)


def test_zero_and_gain_of_a_calibration_add_as_their_correlation_says() -> None:
    # GUM 5.2.2: u^2 = a^2 + b^2 + 2 r a b, here for a reading of 200 mA with a zero and a gain.
    line = Line(
        factor=1.01, zero_standard=0.3, factor_standard=0.002, correlation=-0.7, high=300, points=2
    )
    limits = limits_of(BOARD)
    assert limits is not None
    ours = budget(replace(limits, current_line=line), 200.0, per_ma=1.0)
    ours = tuple(part for part in ours if part.source.startswith("calibration"))
    # True = factor (reading - zero), so both errors enter with a minus.
    a, b = -1.01 * 0.3, -200.0 * 0.002
    assert combined(ours) ** 2 == pytest.approx(a * a + b * b + 2 * -0.7 * a * b)


def test_resistance_from_steps_has_no_offset_in_it() -> None:
    limits = limits_of(BOARD)
    assert limits is not None
    ours = resistance_budget(limits, 0.5, noise_ohm=0.01, noise_dof=9)
    gains = (limits.shunt_gain, limits.current_gain, limits.voltage_gain)
    # Coefficient and span each within limits of either sign: u(x y) = u(x) u(y), a third of the product of the limits.
    drifts = (limits.current_drift_gain, limits.voltage_drift_gain)
    parts = (*(0.5 * gain / math.sqrt(3) for gain in gains), *(0.5 * gain / 3 for gain in drifts))
    expected = math.hypot(0.01, *parts)
    assert combined(ours) == pytest.approx(expected)


def test_what_cannot_be_propagated_is_refused() -> None:
    with pytest.raises(ValueError, match="at least two rows"):
        means_and_covariance([[1.0, 2.0]])
    with pytest.raises(ValueError, match="covariance of shape"):
        propagate(lambda x: x, (1.0, 2.0), np.eye(3))


def test_no_component_has_no_doubt() -> None:
    empty: Budget = ()
    assert combined(empty) == 0.0
    assert coverage_factor(empty) == pytest.approx(1.96, abs=1e-3)
