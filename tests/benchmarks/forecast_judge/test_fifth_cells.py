"""What stands between the cells of the fifth sealed set and the load, against closed forms.

Run with ``python -m pytest tests/benchmarks/forecast_judge/test_fifth_cells.py``; under two seconds.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from . import third_cells
from .fifth_cells import Boost, Buck, Capacitor, Demand, Guard, run, run_bucked
from .third_cells import Cell, Load, Part, Run, Sheet

LINE = Sheet(((0.0, 1.5), (1.0, 0.9), (1.5, 0.6)))  # 1.5 - 0.6 x
FLAT = Sheet(((0.0, 3.0), (1.0, 3.0)))
SHEET_C = 298.0 - 273.15
CONTACT_OHM = 1e-6


def demand(kind: str, level: float, rows: int = 2000, step_s: float = 10.0) -> Demand:
    return Demand(
        kind, level, np.ones(rows), np.full(rows, SHEET_C), np.full(rows, CONTACT_OHM), np.zeros(rows), step_s
    )  # fmt: skip


def below(volts: float) -> Callable[[float, float], bool]:
    return lambda time_s, pack_v: pack_v < volts


def course(cell: Cell, by: Demand, until_v: float = 0.0, depth: float = 0.0) -> Run:
    return run([Part(cell, 1, depth)], by, below(until_v))


@pytest.mark.parametrize(("kind", "level"), [("current", 100.0), ("power", 120.0), ("resistor", 10.0)])  # fmt: skip
def test_with_nothing_between_it_is_the_cell_at_the_load(kind: str, level: float) -> None:
    cell = Cell(LINE, 1000.0, 0.3, growth=1.0, diffusion_s=9000.0, exchange_a=0.05, film_ohm=0.5, film_mah=20.0)  # fmt: skip
    by = demand(kind, level)
    made = course(cell, by)
    load = Load(kind, level, by.factor, by.temperature_c, by.contact_ohm, by.step_s)
    known = third_cells.run([Part(cell, 1)], load, below(0.0))
    np.testing.assert_allclose(made.pack_v, known.pack_v, rtol=1e-9)
    np.testing.assert_allclose(made.current_ma, known.current_ma, rtol=1e-9)


def test_a_capacitor_charges_through_the_cell_by_rc() -> None:
    # Node at E - I R (1 - exp(-t/RC)) after the load comes on; 10 ohm, 0.5 F: 5 s.
    by = replace(demand("current", 50.0, 3000, 0.02), capacitor=Capacitor(0.5, 1e-6))
    made = course(Cell(FLAT, 1e6, 10.0), by)
    expected = 3.0 - 0.5 * (1 - np.exp(-(made.time_s + 0.02) / 5.0))
    np.testing.assert_allclose(made.pack_v, expected, atol=2e-3)


def test_a_capacitor_gives_the_burst_and_the_cell_the_mean() -> None:
    by = demand("current", 100.0, 6000, 1.0)
    bursts = np.where(np.arange(6000) % 10 < 1, 1.0, 0.0)
    by = replace(by, factor=bursts, capacitor=Capacitor(10.0, 0.01))
    made = course(Cell(FLAT, 1e6, 10.0), by)
    assert made.depth[-1] * 1e6 * 3600 == pytest.approx(10.0 * 6000, rel=0.03)
    # Sags by I dt/C and esr in a burst, and else stands at E - mean I R.
    late = slice(3000, 6000)
    assert np.median(made.pack_v[late]) == pytest.approx(2.9, abs=0.02)
    assert np.ptp(made.pack_v[late]) < 0.05


def test_a_boost_converter_draws_more_the_lower_it_gets() -> None:
    boost = Boost(1.5, 0.9, 0.3, 0.8, 1.0, 30.0, 1.5)
    made = course(Cell(LINE, 1000.0, 0.0), replace(demand("power", 100.0), boost=boost), 0.95)
    # Its efficiency is of the row before; the first row is its start.
    expected = 100.0 / (0.9 - 0.3 * (1 - made.pack_v[:-1] / 1.5)) / made.pack_v[1:]
    np.testing.assert_allclose(made.current_ma[1:], expected, rtol=1e-3)
    assert made.current_ma[0] == pytest.approx(1.5 * 100 / 0.9 / 1.5, rel=1e-3)


def test_a_boost_converter_hiccups_where_the_cell_recovers() -> None:
    sags = Cell(Sheet(((0.0, 1.2), (1.0, 1.2))), 1e6, 1.0)
    boost = Boost(1.5, 0.9, 0.3, 0.8, 1.0, 30.0, 1.0)
    made = course(sags, replace(demand("power", 300.0, 100), boost=boost))
    on = made.current_ma > 1
    assert on.mean() == pytest.approx(1 / 3, abs=0.01)
    assert made.pack_v[on].max() < 0.8
    assert made.pack_v[~on].min() == pytest.approx(1.2)
    stays_low = replace(boost, again_v=1.25)
    dead = course(sags, replace(demand("power", 300.0, 100), boost=stays_low))
    assert (dead.current_ma > 1).sum() == 1


def test_a_guard_opens_for_the_weakest_and_for_good() -> None:
    # 100 mA: 0.5 Ah is at 1.5 - 0.6 x = 1.0 V after x = 5/6, 15000 s; the other still has 1.25 V.
    parts = [Part(Cell(LINE, 500.0, 0.0), 1), Part(Cell(LINE, 1000.0, 0.0), 1)]
    made = run(parts, replace(demand("current", 100.0), guard=Guard(1.0)), lambda t, v: False)
    there = made.pack_v > 0
    assert made.time_s[there][-1] == pytest.approx(15000, abs=20)
    assert made.pack_v[there][-1] == pytest.approx(2.25, abs=1e-3)
    assert not there[np.flatnonzero(~there)[0] :].any()
    assert (made.current_ma[~there] == 0).all()
    assert len(made.time_s) == 2000


def test_what_goes_past_the_sensor_is_in_the_charge_and_not_in_the_current() -> None:
    made = course(Cell(LINE, 1000.0, 0.5), replace(demand("current", 60.0), past_ma=40.0))
    assert made.current_ma == pytest.approx(60.0)
    assert made.depth[-1] == pytest.approx(1999 * 10 / 36000)
    assert made.pack_v[0] == pytest.approx(1.5 - 0.1 * 0.5, abs=1e-6)


def test_what_is_given_comes_back_and_stops_at_full() -> None:
    by = demand("current", 100.0)
    given = np.where(np.arange(2000) < 500, 180.0, 0.0)
    made = course(Cell(LINE, 1000.0, 0.2), replace(by, given_ma=given), depth=0.5)
    assert made.current_ma[0] == pytest.approx(-80.0)
    assert made.pack_v[0] == pytest.approx(1.2 + 0.08 * 0.2, abs=1e-6)
    assert made.depth[500] == pytest.approx(0.5 - 80 * 5000 / 3.6e6)
    full = course(Cell(LINE, 1000.0, 0.2), replace(by, given_ma=given, full_v=1.21), depth=0.5)
    assert full.pack_v.max() <= 1.21 + 1e-9
    assert full.current_ma[0] == pytest.approx(-50.0, abs=0.1)


def test_half_the_draw_is_its_own_until_the_strap_breaks() -> None:
    made = course(Cell(LINE, 1000.0, 0.4), replace(demand("current", 100.0), alone_from=1000))
    assert made.depth[1000] == pytest.approx(1000 * 10 / 72000)
    assert made.depth[1999] - made.depth[1000] == pytest.approx(999 * 10 / 36000)
    assert made.pack_v[0] == pytest.approx(1.5 - 0.05 * 0.4, abs=1e-6)
    fall_v = made.pack_v[999] - made.pack_v[1000]
    assert fall_v == pytest.approx(0.05 * 0.4 + 0.6 * 10 / 72000, abs=1e-6)


def test_a_pause_is_rest_without_rows() -> None:
    """SOURCES.md B22: a quarter of tau under load, a tenth at rest, by two terms of the slab's series."""
    cell = Cell(LINE, 1000.0, 0.0, diffusion_s=40000.0)
    by = replace(demand("current", 100.0), pauses={999: 4000.0})
    made = course(cell, by)
    assert made.time_s[1000] - made.time_s[999] == pytest.approx(4010)
    assert made.depth[1000] - made.depth[999] == pytest.approx(10 / 36000)
    w = (1.5 - made.pack_v) / 0.6 - made.depth
    square = np.pi**2
    first, second = 2 / square * (1 - np.exp(-square / 4)), 1 / (2 * square)
    left = first * np.exp(-0.1 * square) + second * np.exp(-0.4 * square)
    whole = 1 / 3 - 2 / square * np.exp(-square / 4)
    assert w[1000] / w[999] == pytest.approx(left / whole, rel=0.005)
    rested = course(cell, replace(by, pauses={999: 1e7}))
    assert rested.pack_v[1000] == pytest.approx(1.5 - 0.6 * rested.depth[1000], abs=1e-6)


def test_a_converter_in_the_cell_gives_its_energy_flat_then_low_then_nothing() -> None:
    # 1 Ah from 4.0 to 3.0 V is 3.5 Wh; to 3.4 V 0.6 Ah of 2.22 Wh. 135 mW at 90 % is 150 mW inside.
    inside = Sheet(((0.0, 4.0), (1.0, 3.0), (1.5, 2.5)))
    buck = Buck(1.5, 1.1, 3.4, 3.0, 0.0, 0.9)
    by = demand("current", 90.0, 10000)
    made = run_bucked([Part(Cell(inside, 1000.0, 0.0), 1)], [buck], by, below(0.5))
    high = made.time_s[made.pack_v > 1.3]
    assert high[-1] == pytest.approx(2220 / 150 * 3600, abs=20)
    # 99 mW at 90 % is 110 mW for the 1.28 Wh from 3.4 to 3.0 V.
    low = made.time_s[(made.pack_v > 1.0) & (made.pack_v < 1.3)]
    assert low[-1] - high[-1] == pytest.approx(1280 / 110 * 3600, abs=30)
    assert made.pack_v[-1] == 0
    two = run_bucked(
        [Part(Cell(inside, 1000.0, 0.0), 1), Part(Cell(inside, 900.0, 0.0), 1)], [buck, buck], by, below(0.5)
    )  # fmt: skip
    steps = np.unique(np.round(two.pack_v, 3))
    np.testing.assert_allclose(steps, [0.0, 2.2, 2.6, 3.0], atol=1e-3)
