"""Fits against a measured cell and published parameter sets."""

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.curve.fit import fit_discharge, fit_model
from analysis.curve.models import MODELS, shepherd
from analysis.curve.rate import fit_rate
from analysis.curve.resistance import between_curves
from tests.support.places import POUCH

Array = NDArray[np.float64]

CURRENTS_A = {"0.1C": 0.228, "0.5C": 1.14, "1C": 2.28, "2C": 4.56}
SHEPHERD = MODELS[0]


def pouch(rate: str) -> tuple[Array, Array, Array]:
    """Time (s), charge (Ah), volts of the measured pouch cell, up to 3.0 V."""
    table = np.loadtxt(POUCH / f"{rate}_discharge_U.txt")
    time_s, volts = table[:, 0], table[:, 1]
    end = int(np.argmax(volts < 3.0)) or len(volts)
    return time_s[:end], time_s[:end] * CURRENTS_A[rate] / 3600, volts[:end]


@pytest.mark.slow
@pytest.mark.parametrize("rate", list(CURRENTS_A))
def test_residual_of_a_measured_cell_is_below_10_mv(rate: str) -> None:
    # Ai et al. 2020, J. Electrochem. Soc. 167:013512: measured pouch cell; 5 to 95 % of depth
    _, charge, volts = pouch(rate)
    q = np.linspace(0.05, 0.95, 250) * charge[-1]
    choice = fit_discharge(q, np.interp(q, charge, volts), np.full(250, CURRENTS_A[rate]))
    assert choice.best.rms_v < 0.010
    assert float(np.max(np.abs(choice.best.residual_v))) < 0.010
    assert any("constant" in note for note in choice.best.notes)
    resistance = dict(choice.best.parameters)["R"]
    assert resistance.value is None


def test_resistance_between_measured_curves() -> None:
    # Ai et al. 2020, same files: mOhm at 20, 50, 80 % of the
    # nominal 2.28 Ah, between 0.5 and 1 C and between 1 and 2 C
    curves = {rate: (*pouch(rate)[1:], CURRENTS_A[rate]) for rate in CURRENTS_A}
    expected = {0.2: (58.9, 52.9), 0.5: (66.4, 57.0), 0.8: (80.2, 71.5)}
    for depth, (light, heavy) in expected.items():
        assert 1e3 * between_curves(2.28 * depth, curves["0.5C"], curves["1C"]) == pytest.approx(
            light, abs=0.3
        )
        assert 1e3 * between_curves(2.28 * depth, curves["1C"], curves["2C"]) == pytest.approx(
            heavy, abs=0.3
        )


def test_rate_exponent_of_measured_curves() -> None:
    # Ai et al. 2020, same files: 1.01297 over 0.1 to 2 C
    hours = [pouch(rate)[0][-1] / 3600 for rate in CURRENTS_A]
    fit = fit_rate(list(CURRENTS_A.values()), hours)
    assert fit.exponent.value == pytest.approx(1.01297, abs=5e-4)


# Tremblay & Dessaint 2009, World Electric Vehicle J. 3:289, table of parameter sets: from memory.
PUBLISHED = {
    "NiMH 1.2 V 6.5 Ah": (1.2816, 0.002, 0.0014, 0.111, 2.3077, 6.5),
    "Li-ion 3.3 V 2.3 Ah": (3.366, 0.01, 0.0076, 0.26422, 26.5487, 2.3),
    "NiCd 1.2 V 1.3 Ah": (1.2505, 0.023, 0.00852, 0.144, 5.7692, 1.3),
}


@pytest.mark.parametrize("cell", list(PUBLISHED))
def test_published_parameters_come_back_within_their_errors(cell: str) -> None:
    truth = PUBLISHED[cell]
    full = truth[-1]
    charge = np.linspace(0.002, 0.99, 400) * full
    current = np.where(np.arange(400) // 20 % 2, 0.3 * full, 0.1 * full)
    rng = np.random.default_rng(5)
    volts = shepherd(charge, current, *truth) + 0.0005 * rng.standard_normal(400)
    fit = fit_model(SHEPHERD, charge, volts, current)
    assert fit.rms_v < 0.0007
    for (name, found), true in zip(fit.parameters, truth, strict=True):
        assert found.value is not None
        assert found.lower is not None
        assert found.upper is not None
        # three standard errors: six parameters of three cells are asked
        reach = (found.upper - found.lower) / 2 / 1.96 * 3
        assert abs(found.value - true) <= reach, (name, found, true)
        assert reach < 0.5 * abs(true), name


@pytest.mark.slow
def test_standard_errors_keep_their_word() -> None:
    truth = PUBLISHED["NiMH 1.2 V 6.5 Ah"]
    charge = np.linspace(0.002, 0.99, 150) * truth[-1]
    current = np.where(np.arange(150) // 10 % 2, 2.0, 0.7)
    clean = shepherd(charge, current, *truth)
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(40):
        fit = fit_model(
            SHEPHERD, charge, clean + 0.001 * rng.standard_normal(150), current, starts=2
        )
        resistance = dict(fit.parameters)["R"]
        assert resistance.lower is not None
        assert resistance.upper is not None
        held += resistance.lower <= truth[1] <= resistance.upper
    # 95 % of 40 is 38; 33 or fewer would be a chance of less than 1 in 100
    assert held >= 34


@pytest.mark.slow
def test_steps_of_the_curve_come_back_within_their_errors() -> None:
    # the measured cell at 0.1C as fitted above, rounded; its own curve, noise and two currents planted
    truth = (3.69, 0.05, 0.0006, 0.41, 1.43, 2.254, 0.059, 0.357, 0.092, 0.11, 0.90, 0.15)
    model = MODELS[-1]
    charge = np.linspace(0.01, 0.985, 250) * truth[5]
    current = np.where(np.arange(250) // 10 % 2, 0.5, 0.2)
    clean = model.function(charge, current, *truth)
    rng = np.random.default_rng(11)
    held, trials = dict.fromkeys(model.parameters, 0), 25
    for _ in range(trials):
        volts = clean + 0.0005 * rng.standard_normal(250)
        fit = fit_model(model, charge, volts, current, starts=2)
        assert fit.rms_v < 0.0006
        for name in held:
            found = dict(fit.parameters)[name]
            assert found.lower is not None
            assert found.upper is not None
            held[name] += found.lower <= truth[model.parameters.index(name)] <= found.upper
    # 95 % of 25; 20 or fewer would be a chance of less than 1 in 100
    assert min(held.values()) >= 21, held


@pytest.mark.slow
def test_a_plain_curve_does_not_get_steps() -> None:
    truth = PUBLISHED["NiMH 1.2 V 6.5 Ah"]
    charge = np.linspace(0.002, 0.99, 250) * truth[-1]
    current = np.where(np.arange(250) // 10 % 2, 2.0, 0.7)
    rng = np.random.default_rng(3)
    volts = shepherd(charge, current, *truth) + 0.002 * rng.standard_normal(250)
    assert fit_discharge(charge, volts, current).best.model is SHEPHERD


def test_a_parameter_at_its_bound_is_told() -> None:
    charge = np.linspace(0.01, 2.0, 200)
    volts = 4.0 - 0.2 * charge  # no exponential zone at all
    fit = fit_model(SHEPHERD, charge, volts, np.where(np.arange(200) % 40 < 20, 0.1, 0.3))
    assert any("bound" in note for note in fit.notes)
    assert any("at a bound" in quantity.note for _, quantity in fit.parameters)


def test_outliers_do_not_bend_the_fit() -> None:
    truth = PUBLISHED["Li-ion 3.3 V 2.3 Ah"]
    charge = np.linspace(0.01, 0.98, 300) * truth[-1]
    current = np.full(300, 0.5)
    volts = shepherd(charge, current, *truth)
    volts[::37] -= 0.4
    fit = fit_model(SHEPHERD, charge, volts, current)
    assert float(np.median(np.abs(fit.residual_v))) < 0.003


def test_too_little_to_fit() -> None:
    with pytest.raises(ValueError, match="at least 20"):
        fit_discharge(np.arange(5.0), np.ones(5), np.ones(5))
