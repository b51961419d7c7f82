"""A load that goes up and down: when its draws meet the cutoff, against closed forms."""

import numpy as np
import pytest

from analysis.forecast.load_passage import (
    Creep,
    at_one_voltage,
    charge_to_levels,
    creep_of,
    is_steady,
    other_ways,
    played_on,
    stretched,
)
from tests.support.load_bins import TIME_S, bins_of


def test_a_resistors_draw_is_steady_at_one_voltage() -> None:
    volts = 4.5 - TIME_S / 1e4
    bins = bins_of(volts, 40.0 * volts)
    assert not is_steady(bins.held_ma)
    assert is_steady(at_one_voltage(bins, 1.0).held_ma)


def test_levels_on_a_straight_course() -> None:
    # 1 V above the cutoff now, 100 mAh to it: 0.2 V more is met 20 mAh sooner, 0.3 V less 30 mAh later
    path_mah, path_v = np.linspace(0, 100, 11)[None, :], np.linspace(4.0, 3.0, 11)[None, :]
    drops_v = np.array([-0.3, 0.0, 0.2])
    to_cutoff, to_levels = charge_to_levels(path_mah, path_v, 3.0, drops_v, 0.01)
    assert to_cutoff == pytest.approx([100.0])
    assert to_levels[0] == pytest.approx([130.0, 100.0, 80.0])


def test_a_heavy_draw_by_chance_ends_it_as_often_as_it_comes() -> None:
    """Draws of 120 s at one of two levels as by a coin; the heavy one meets the cutoff at once, the light one never.

    Wait for the next heavy draw: geometric, mean 120 s (1 - p) / p from the next draw on; the draw of now goes on for half of its length at most.
    """
    rng = np.random.default_rng(5)
    heavy = np.repeat(rng.random(167) < 0.25, 12)[: len(TIME_S)]
    heavy[-12:] = False  # now a light one
    current = np.where(heavy, 400.0, 100.0)
    bins = bins_of(np.full(len(TIME_S), 4.0), current)
    share = float(heavy.mean())
    until_s = np.full(4000, 1.0)
    levels_ma = np.array([100.0, 400.0])
    to_cutoff, to_levels = np.array([0.01]), np.array([[1e9, 0.0]])
    wait_s = played_on(until_s, to_cutoff, to_levels, levels_ma, bins, rng)
    assert float(np.mean(wait_s)) == pytest.approx(120 * (1 - share) / share, rel=0.35)
    assert (wait_s >= 0).all()


def test_one_break_may_come_again() -> None:
    one = (TIME_S > 5000) & (TIME_S < 7000)
    ways = other_ways(bins_of(4.5 - TIME_S / 2e4, np.where(one, 0.0, 100.0)))
    assert len(ways) == 1
    share, factor = ways[0]
    assert 0 < share < 0.5
    assert factor == pytest.approx(20000 / 18000, rel=0.02)
    left = stretched(np.full(10_000, 100.0), ways, np.random.default_rng(1))
    assert float(np.mean(left > 100.0)) == pytest.approx(share, abs=0.02)
    assert other_ways(bins_of(4.5 - TIME_S / 2e4, np.full(len(TIME_S), 100.0))) == ()


def test_a_draw_that_creeps_up_ends_sooner() -> None:
    """Draw 100 mA (1 + t / 2T): a charge more is out when 150 s + 25 s^2 / T = charge, the quadratic's positive root."""
    life_s = float(TIME_S[-1])
    current = 100.0 * (1 + 0.5 * TIME_S / life_s)
    creep = creep_of(bins_of(4.5 - TIME_S / 2e4, current), 0.0)
    assert creep is not None
    assert creep.belief > 0.8
    charge = 125.0 * life_s / 2  # half of what is out, mA s: at the mean so far half as long again
    closed = (np.sqrt(150.0**2 + 4 * 25.0 / life_s * charge) - 150.0) / (2 * 25.0 / life_s)
    left = creep.sooner(np.full(20_000, charge / 125.0), np.random.default_rng(3))
    assert float(np.median(left)) == pytest.approx(closed, rel=0.03)
    assert float(np.mean(left == charge / 125.0)) == pytest.approx(1 - creep.belief, abs=0.02)


@pytest.mark.parametrize("kind", ["steady", "step", "falls", "modes", "chance", "power"])
def test_what_does_not_creep_is_left_alone(kind: str) -> None:
    rng = np.random.default_rng(8)
    volts = 4.5 - TIME_S / 2e4
    currents = {
        "steady": 100.0 + rng.normal(0, 1, len(TIME_S)),
        "step": np.where(TIME_S > 9000, 130.0, 100.0),
        "falls": 100.0 * (1.3 - 0.5 * TIME_S / TIME_S[-1]),
        "modes": np.where(TIME_S % 1800 < 600, 200.0, 100.0),
        "chance": 100.0 * np.exp(0.3 * np.repeat(rng.normal(size=200), 10)[: len(TIME_S)]),
        "power": 400.0 / volts,
    }
    creep = creep_of(bins_of(volts, currents[kind]), -1.0 if kind == "power" else 0.0)
    assert creep is None or creep.belief < 0.15


def test_hardly_any_creep_hardly_counts() -> None:
    creep = Creep(1.0, 1e-15, 1e-16, 1e4, 1.0)
    left = creep.sooner(np.array([-1.0, 0.0, 1e4]), np.random.default_rng(1))
    assert left == pytest.approx([0.0, 0.0, 1e4])
