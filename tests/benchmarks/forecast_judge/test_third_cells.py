"""The cells of the third sealed set against closed forms and finite differences."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from .rundown import Floats
from .third_cells import Cell, Load, Part, Recharge, Regulator, Run, Sheet, run, slower

LINE = Sheet(((0.0, 1.5), (1.0, 0.9), (1.5, 0.6)))  # 1.5 - 0.6 x
FLAT = Sheet(((0.0, 1.5), (0.9999, 1.5), (1.0, 0.0)))
SHEET_C = 298.0 - 273.15


def load(kind: str, level: float, rows: int = 4000, step_s: float = 10.0) -> Load:
    return Load(kind, level, np.ones(rows), np.full(rows, SHEET_C), np.zeros(rows), step_s)


def below(volts: float) -> Callable[[float, float], bool]:
    return lambda time_s, pack_v: pack_v < volts


def course(cell: Cell, by: Load, until_v: float = 0.0, depth: float = 0.0) -> Run:
    return run([Part(cell, 1, depth)], by, below(until_v))


@pytest.mark.parametrize("depth", [0.0, 0.4])
def test_a_line_at_constant_current_falls_in_a_line(depth: float) -> None:
    # 100 mA of 1000 mAh: 0.6 V in 36000 s, 30 mV less over 0.3 ohm.
    made = course(Cell(LINE, 1000.0, 0.3), load("current", 100.0, 2000), depth=depth)
    expected = 1.47 - 0.6 * (depth + made.time_s / 36000)
    np.testing.assert_allclose(made.pack_v, expected, atol=1e-9)


def test_a_line_through_a_resistor_is_exponential() -> None:
    # dV/dt = -(0.6 V / 1 Ah) V / R: t = R / 0.6 ln(1.5 / V) hours.
    made = course(Cell(LINE, 1000.0, 0.0), load("resistor", 10.0), until_v=0.99)
    assert made.time_s[-1] == pytest.approx(10 / 0.6 * np.log(1.5 / 0.99) * 3600, rel=1e-3)


def test_a_line_at_constant_power_gives_its_energy() -> None:
    # Energy to x: 1.5 x - 0.3 x^2 Wh at 1 Ah; x = 0.85 at 0.99 V.
    made = course(Cell(LINE, 1000.0, 0.0), load("power", 120.0), until_v=0.99)
    expected = 1000 * (1.5 * 0.85 - 0.3 * 0.85**2) / 120 * 3600
    assert made.time_s[-1] == pytest.approx(expected, rel=1e-3)


def slab_excess(tau_s: float, at_s: Floats, nodes: int = 60) -> Floats:
    """Surface above mean of a slab at unit flux in units of that flux, by finite differences."""
    h = 1 / nodes

    def rate(_: float, c: Floats) -> Floats:
        inside = np.diff(c) / h
        flux = np.concatenate(([-1.0], inside, [0.0]))
        return np.asarray(np.diff(flux) / h / tau_s)

    solved = solve_ivp(rate, (0, at_s[-1]), np.zeros(nodes), "BDF", at_s, rtol=1e-7, atol=1e-9)
    # Half a node from the first middle to the face.
    return np.asarray(solved.y[0] + h / 2 - solved.y.mean(axis=0))


def test_depletion_is_that_of_a_slab() -> None:
    """SOURCES.md B22: unrounded by finite differences; three terms are within 3 % of a third."""
    tau_s = 20000.0
    made = course(Cell(LINE, 1000.0, 0.0, diffusion_s=tau_s), load("current", 100.0, 3000))
    w = (1.5 - made.pack_v) / 0.6 - made.depth
    unit = 0.1 * tau_s / 3600
    rows = np.array([50, 100, 300, 1000, 2500])
    expected = slab_excess(tau_s, made.time_s[rows])
    np.testing.assert_allclose(w[rows] / unit, expected, atol=0.01)
    assert w[-1] / unit == pytest.approx(1 / 3, abs=1e-3)


def test_less_is_had_at_a_high_rate_and_in_the_cold() -> None:
    cell = Cell(FLAT, 1000.0, 0.0, diffusion_s=6 * 3600.0, activation_ev=0.3)
    given = {}
    for air_c in (0.0, SHEET_C):
        for current_ma in (20.0, 100.0, 200.0):
            by = replace(load("current", current_ma, 20000), temperature_c=np.full(20000, air_c))
            given[air_c, current_ma] = float(course(cell, by, until_v=1.0).depth[-1])
    # x + w = 1 at the end, w = a tau I / 3 Q once it is steady: a = 2.91 at 0 deg C and 0.3 eV.
    assert given[SHEET_C, 20.0] == pytest.approx(1 - 6 * 0.02 / 3, abs=2e-3)
    assert given[SHEET_C, 100.0] == pytest.approx(1 - 6 * 0.1 / 3, abs=2e-3)
    assert given[0.0, 20.0] == pytest.approx(1 - 6 * 0.02 / 3 * 2.91, abs=2e-3)
    assert given[SHEET_C, 200.0] < given[SHEET_C, 100.0] < given[SHEET_C, 20.0]
    assert given[0.0, 200.0] < given[SHEET_C, 200.0]


def test_cold_slows_by_arrhenius() -> None:
    # exp(0.3/8.617e-5 (1/273.15 - 1/298)) = exp(1.0628) = 2.89.
    assert slower(np.array([0.0, SHEET_C]), 0.3) == pytest.approx([2.894, 1.0], abs=5e-3)
    cold = replace(load("current", 100.0, 10), temperature_c=np.zeros(10))
    made = course(Cell(LINE, 1000.0, 0.3, activation_ev=0.3), cold)
    assert 1.5 - made.pack_v[0] == pytest.approx(0.03 * 2.894, abs=1e-4)


def test_charge_transfer_grows_with_the_logarithm_of_the_current() -> None:
    """SOURCES.md B23: 51.36 mV asinh(I/2 I0) at 298 K, 118 mV a decade; by its time constant."""
    cell = Cell(Sheet(((0.0, 1.5), (1.0, 1.5))), 1e6, 0.0, exchange_a=0.001, exchange_s=50.0)
    etas = []
    for current_ma in (1.0, 100.0, 1000.0):
        made = course(cell, load("current", current_ma, 200))
        etas.append(1.5 - made.pack_v[-1])
        share = (1.5 - made.pack_v[5]) / etas[-1]
        assert share == pytest.approx(1 - np.exp(-1), rel=1e-6)
    assert etas[0] == pytest.approx(0.05136 * np.arcsinh(0.5), rel=1e-3)
    assert etas[2] - etas[1] == pytest.approx(0.1183, abs=2e-4)


def test_a_film_is_worn_off_by_charge_and_comes_back() -> None:
    cell = Cell(Sheet(((0.0, 3.6), (1.0, 3.6))), 1e6, 0.0, film_ohm=5.0, film_mah=10.0, film_s=7200.0)  # fmt: skip
    by = load("current", 100.0, 1200)
    factor = by.factor.copy()
    factor[400:1000] = 0.0
    drop_v = 3.6 - course(cell, replace(by, factor=factor)).pack_v
    assert drop_v[0] == pytest.approx(0.5)
    # Rates per s: worn 100 mA/10 mAh = 1/360, grown 1/7200; settles at (1/7200)/(1/360 + 1/7200).
    rest = 1 / 21
    worn = rest + (1 - rest) * np.exp(-1000 * (1 / 360 + 1 / 7200))
    assert drop_v[100] / 0.5 == pytest.approx(worn, rel=1e-6)
    assert drop_v[1000] / 0.5 == pytest.approx(1 - (1 - rest) * np.exp(-6000 / 7200), rel=1e-3)


def test_a_regulator_holds_its_voltage_and_then_follows() -> None:
    # 3 x (1.5 - 0.6 x) - 0.1 A x 2 ohm = 3.3 V at x = 5/9, 3.0 V at x = 13/18.
    regulator = Regulator(3.3, 2.0, line=0.001)
    by = replace(load("current", 100.0), regulator=regulator)
    made = run([Part(Cell(LINE, 1000.0, 0.0), 3)], by, below(3.0))
    held = made.time_s < 36000 * 5 / 9
    assert made.pack_v[held] == pytest.approx(3.3, abs=1.1e-3)
    assert made.pack_v[0] == pytest.approx(3.3 + 0.001 * (4.5 - 0.2 - 3.3))
    assert made.time_s[-1] == pytest.approx(36000 * 13 / 18, abs=20)
    assert made.current_ma == pytest.approx(100.0)


def test_what_a_regulator_draws_itself_is_not_in_the_current_of_the_load() -> None:
    by = replace(load("power", 100.0, 800), regulator=Regulator(1.0, 1.0, idle_ma=100.0))
    made = run([Part(Cell(LINE, 1000.0, 0.0), 1)], by, below(0.5))
    assert made.current_ma == pytest.approx(100.0)
    assert made.depth[-1] == pytest.approx(799 * 10 / 3600 * 0.2)


def test_a_worse_contact_takes_its_share() -> None:
    by = load("current", 200.0, 1000)
    made = course(Cell(LINE, 1000.0, 0.0), replace(by, contact_ohm=np.linspace(0, 1, 1000)))
    sound = course(Cell(LINE, 1000.0, 0.0), by)
    np.testing.assert_allclose(sound.pack_v - made.pack_v, 0.2 * np.linspace(0, 1, 1000))


def test_a_recharge_gives_back_its_charge_and_no_more_than_full() -> None:
    by = load("current", 100.0, 2500)
    some = course(Cell(LINE, 1000.0, 0.0), replace(by, recharge=Recharge(1799, 3600.0, 0.2)))
    assert some.depth[1799] == pytest.approx(0.49972, abs=1e-5)
    assert some.depth[1800] == pytest.approx(0.3)
    assert some.time_s[1800] - some.time_s[1799] == pytest.approx(3610.0)
    full = course(Cell(LINE, 1000.0, 0.0), replace(by, recharge=Recharge(1799, 3600.0, 0.9)))
    assert full.depth[1800] == 0
    assert full.pack_v[1800] == pytest.approx(1.5)


def test_parts_in_series_add_up_and_an_empty_one_is_turned() -> None:
    cell = Cell(LINE, 1000.0, 0.2, growth=1.0, diffusion_s=3600.0, exchange_a=0.01, film_ohm=0.1)
    by = load("power", 300.0)
    two = run([Part(cell, 2)], by, below(2.0))
    split = run([Part(cell, 1), Part(cell, 1)], by, below(2.0))
    np.testing.assert_allclose(two.pack_v, split.pack_v, rtol=1e-12)
    weak = Cell(Sheet(((0.0, 1.2), (1.0, 1.0), (1.1, -0.2))), 100.0, 0.0)
    turned = run([Part(weak, 1), Part(Cell(FLAT, 1e6, 0.0), 2)], load("current", 100.0), below(0.5))
    assert turned.pack_v[-1] == pytest.approx(2 * 1.5 - 0.2)


def test_the_generator_of_a_line_is_the_line() -> None:
    x = np.linspace(0, 1.5, 50)
    np.testing.assert_allclose(LINE.volts(x), 1.5 - 0.6 * x, atol=1e-12)
