"""The second sealed rundowns against closed forms; forecasters whose figures are known beforehand.

Run with ``python -m pytest tests/benchmarks/forecast_judge/test_second_seal.py``; some seconds.
"""

from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from . import curves, sealed, second_seal
from .known_ends import knows_nine_in_ten
from .rundown import Rundown
from .score import Forecast, judge, scores, short_of
from .second_cells import Cell, Curve, Load, Part, Run, arrhenius, held_s, run
from .second_groups import GROUPS

LINE = Curve(e0_v=1.5, tilt_v=0.6, knee_v=0.0)
FLAT = Curve(e0_v=1.5, knee_v=2.0, knee_width=0.001)


def load(kind: str, level: float, rows: int = 9000, step_s: float = 10.0) -> Load:
    return Load(kind, level, np.ones(rows), np.full(rows, 295.0 - 273.15), step_s)


def course(cell: Cell, by: Load, dead_v: float = 0.9, depth: float = 0.0) -> Run:
    made = run([Part(cell, 1, depth)], by, dead_v)
    assert made.pack_v[-1] < dead_v
    return made


# Physics.


@pytest.mark.parametrize("depth", [0.0, 0.4])
def test_a_line_at_constant_current_ends_where_computed(depth: float) -> None:
    # 1.5 - 0.6 x - 0.1 A x 0.3 ohm = 0.99 at x = 0.8; 1000 mAh at 100 mA.
    made = course(Cell(LINE, 1000.0, 0.3), load("current", 100.0), depth=depth)
    assert held_s(made.time_s, made.pack_v, 0.99, 30.0) == pytest.approx((0.8 - depth) * 36000)


def test_a_line_through_a_resistor_is_exponential() -> None:
    # dV/dt = -(0.6 V / 1 Ah) V / R: t = R / 0.6 ln(1.5 / Vc) hours.
    made = course(Cell(LINE, 1000.0, 0.0), load("resistor", 10.0))
    expected = 10 / 0.6 * np.log(1.5 / 0.99) * 3600
    assert held_s(made.time_s, made.pack_v, 0.99, 30.0) == pytest.approx(expected, rel=1e-3)


def test_a_line_at_constant_power_gives_its_energy() -> None:
    # Energy to x: 1.5 x - 0.3 x^2 Wh at 1 Ah; x = 0.85 at 0.99 V.
    made = course(Cell(LINE, 1000.0, 0.0), load("power", 120.0))
    expected = 1000 * (1.5 * 0.85 - 0.3 * 0.85**2) / 120 * 3600
    assert held_s(made.time_s, made.pack_v, 0.99, 30.0) == pytest.approx(expected, rel=1e-3)


def two_wells_s(current_ma: float, c: float, tau_s: float, mah: float) -> float:
    """Time at which the available well of the kinetic model is empty at a constant current, s.

    h1/Q = 1 - I t/Q - ((1-c)/c) (I tau/Q) (1 - exp(-t/tau)) = 0.
    """
    rate = current_ma / mah / 3600

    def left(t: float) -> float:
        return 1 - rate * t - (1 - c) / c * rate * tau_s * -float(np.expm1(-t / tau_s))

    return float(brentq(left, 0.0, 1 / rate))


def test_capacity_falls_with_the_rate_as_in_the_two_well_model() -> None:
    cell = Cell(FLAT, 1000.0, 0.0, available=0.6, diffusion_s=5000.0)
    given = []
    for current_ma in (20.0, 100.0, 400.0):
        made = course(cell, load("current", current_ma, 40000, 5.0), 0.5)
        expected = two_wells_s(current_ma, 0.6, 5000.0, 1000.0)
        assert made.time_s[-1] == pytest.approx(expected, rel=5e-3)
        given.append(made.given_mah[-1])
    assert given[0] > given[1] > given[2]
    # At a crawl all of it; at once no more than the available well.
    assert two_wells_s(0.01, 0.6, 5000.0, 1000.0) * 0.01 / 3600 == pytest.approx(1000, rel=1e-3)
    assert two_wells_s(1e6, 0.6, 5000.0, 1000.0) * 1e6 / 3600 == pytest.approx(600, rel=1e-2)


def test_depletion_recovers_in_a_pause_by_its_time_constant() -> None:
    cell = Cell(LINE, 1000.0, 0.0, available=0.5, diffusion_s=3000.0)
    by = load("current", 100.0)
    factor = by.factor.copy()
    factor[1500:1800] = 0.0
    made = course(cell, replace(by, factor=factor))
    gone = made.depth[1500] - (1.5 - made.pack_v[1500]) / 0.6
    left = made.depth[1799] - (1.5 - made.pack_v[1799]) / 0.6
    # w = (I tau/Q)(1 - exp(-t/tau)) at c = 1/2: 300 s x 100 mA over 1000 mAh.
    assert -gone == pytest.approx(3000 * 0.1 / 3600 * (1 - np.exp(-5)), rel=1e-6)
    assert left / gone == pytest.approx(np.exp(-2990 / 3000), rel=1e-6)


def test_relaxations_follow_their_time_constants() -> None:
    cell = Cell(LINE, 1000.0, 0.0, fast_ohm=0.2, fast_s=60.0, slow_ohm=0.4, slow_s=1500.0)
    made = course(cell, load("current", 100.0))
    t = made.time_s[:900]
    drop = 0.02 * (1 - np.exp(-t / 60)) + 0.04 * (1 - np.exp(-t / 1500))
    np.testing.assert_allclose(made.pack_v[:900], 1.5 - 0.6 * t / 36000 - drop, atol=1e-9)


def test_cold_slows_by_arrhenius() -> None:
    # 0.35 eV between -10 and 21.85 deg C: exp(0.35/8.617e-5 (1/263.15 - 1/295)).
    slower = arrhenius(np.array([-10.0, 295 - 273.15]), 0.35)
    assert slower == pytest.approx([5.30, 1.0], abs=0.02)
    cell = Cell(LINE, 1000.0, 0.3, activation_ev=0.35)
    cold = replace(load("current", 100.0), temperature_c=np.full(9000, -10.0))
    drop = 1.5 - course(cell, cold).pack_v[0]
    assert drop == pytest.approx(0.03 * slower[0])


def test_parts_in_series_add_up() -> None:
    cell = Cell(LINE, 1000.0, 0.2, growth=1.0, slow_ohm=0.1, available=0.8)
    by = load("power", 300.0)
    two = run([Part(cell, 2)], by, 2.0)
    split = run([Part(cell, 1), Part(cell, 1)], by, 2.0)
    np.testing.assert_allclose(two.pack_v, split.pack_v, rtol=1e-12)
    mixed = run([Part(cell, 1, 0.5), Part(cell, 1)], by, 2.0)
    assert mixed.pack_v[0] == pytest.approx(two.pack_v[0] - 0.3, abs=0.02)


def test_an_empty_cell_is_turned_by_the_others_and_no_further() -> None:
    weak = Part(Cell(FLAT, 100.0, 0.0), 1)
    strong = Part(Cell(LINE, 10000.0, 0.0), 2)
    made = run([weak, strong], load("current", 100.0, 3000), 0.5)
    assert made.pack_v[-1] == pytest.approx(2 * (1.5 - 0.6 * made.given_mah[-1] / 1e4) - 0.3, abs=1e-6)  # fmt: skip


def test_every_curve_falls_and_looks_like_its_sheet() -> None:
    """Open voltage of one cell at half its charge, ranges of sheets from memory."""
    halves = {
        "lithium iron disulfide": (1.40, 1.65),
        "silver oxide": (1.48, 1.62),
        "LFP pulses": (3.22, 3.34),
        "NiMH part-used": (1.22, 1.33),
        "alkaline intermittent": (1.22, 1.42),
        "alkaline cold": (1.22, 1.42),
        "old with new": (1.22, 1.42),
        "hybrid capacitor": (2.8, 3.2),
        "zinc-carbon daily": (1.1, 1.42),
    }
    rng = np.random.default_rng(21)
    z = np.linspace(0, 1.2, 400)
    for group, build in GROUPS.items():
        for _ in range(30):
            for part in build(rng).parts:
                volts = part.cell.curve.volts(z)
                assert (np.diff(volts) < 1e-12).all()
                assert halves[group][0] < float(np.interp(0.5, z, volts)) < halves[group][1]


# Truth.


def test_a_dip_shorter_than_the_hold_is_no_end() -> None:
    time_s = np.arange(0.0, 110.0, 10.0)
    pack_v = np.array([3.5, 3.4, 2.9, 3.4, 3.2, 2.8, 2.8, 2.8, 2.8, 2.8, 2.8])
    assert held_s(time_s, pack_v, 3.0, 30.0) == pytest.approx(45.0)
    assert held_s(time_s, pack_v, 3.0, 60.0) is None
    assert held_s(time_s, pack_v, 3.6, 30.0) is None


@pytest.fixture(scope="module")
def drawn() -> dict[str, list[Rundown]]:
    groups: dict[str, list[Rundown]] = defaultdict(list)
    for rundown in second_seal.draw(np.random.default_rng(77), 6):
        groups[rundown.group].append(rundown)
    return groups


def test_groups_are_new_and_there(drawn: dict[str, list[Rundown]]) -> None:
    assert list(drawn) == list(GROUPS)
    assert not set(drawn) & {*sealed.GROUPS, *curves.GROUPS}
    runs = [r for rs in drawn.values() for r in rs]
    assert {r.load for r in runs} == {"current", "power", "resistor"}
    assert {r.pattern for r in runs} == {"steady", "pulses", "pauses"}
    assert all(0 <= r.settled_s <= r.end_s / 2 for r in runs)
    assert max(len(r.time_s) for r in runs) < 30000


def test_the_recorded_voltage_is_below_the_cutoff_from_the_end_on(
    drawn: dict[str, list[Rundown]],
) -> None:
    for rs in drawn.values():
        for r in rs:
            after = (r.time_s > r.end_s) & (r.time_s <= r.end_s + r.hold_s)
            assert np.median(r.pack_v[after]) <= r.cutoff_v + 0.005
            if r.pattern == "steady":
                whole = r.pack_v[r.time_s < 0.9 * r.end_s]
                assert np.median(whole) > r.cutoff_v


def test_groups_are_what_they_are_called(drawn: dict[str, list[Rundown]]) -> None:
    assert min(r.start_used for r in drawn["NiMH part-used"]) >= 0.15
    assert min(r.start_used for r in drawn["old with new"]) >= 0.25
    for r in drawn["alkaline cold"]:
        assert r.temperature_c[0] < 3
        assert np.ptp(r.temperature_c) > 3
    for r in drawn["zinc-carbon daily"]:
        on = r.current_ma > 0.3 * r.current_ma.max()
        assert np.mean(on) == pytest.approx(1 / 24, abs=0.02)
        # What the first hour took comes back by the next day.
        first_end, next_start = np.flatnonzero(on & (r.time_s < 3600))[-1], int(86400 / 60)
        assert r.pack_v[next_start - 1] > r.pack_v[first_end]
    for r in drawn["LFP pulses"]:
        assert len(np.unique(np.round(r.current_ma / r.current_ma.max(), 1))) >= 2


def test_same_seed_same_rundowns(drawn: dict[str, list[Rundown]]) -> None:
    again = list(second_seal.draw(np.random.default_rng(77), 1))
    np.testing.assert_array_equal(again[0].pack_v, drawn["lithium iron disulfide"][0].pack_v)
    other = second_seal.one(np.random.default_rng(78), "lithium iron disulfide")
    assert other.end_s != again[0].end_s
    with pytest.raises(KeyError):
        second_seal.one(np.random.default_rng(1), "no such group")


def test_truth_meets_the_goals_and_silence_does_not(drawn: dict[str, list[Rundown]]) -> None:
    runs = [r for rs in drawn.values() for r in rs]
    told = scores(judge(runs * 3, knows_nine_in_ten(runs)))
    assert np.mean([row.holds.value for row in told]) == pytest.approx(0.9, abs=0.03)
    assert all(row.error[0.5].value == 0 for row in told)
    silent = scores(judge(runs[:3], lambda seen: Forecast()))
    assert any("refuses" in missed for row in silent for missed in short_of(row))
