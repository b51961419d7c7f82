"""Self-shutdown, fuses, pulses, modes and bursts, on rows made by formulas; the wide table is in tests/benchmarks."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from analysis.run.ending.ends import End, Lifetime
from analysis.run.lifetime import LifetimeWatch
from analysis.run.rundown import rundown
from logger.run.description import Event
from tests.support.runs_by_formula import VEST, board_run

Floats = npt.NDArray[np.float64]
H = 3600.0
ROW_S = 2.0


def off_in(spans: Sequence[tuple[float, float]]) -> Callable[[Floats], npt.NDArray[np.bool_]]:
    """Whether a moment lies in one of the spans."""

    def off(time_s: Floats) -> npt.NDArray[np.bool_]:
        found = np.zeros(time_s.shape, dtype=bool)
        for begin_s, end_s in spans:
            found |= (time_s >= begin_s) & (time_s < end_s)
        return found

    return off


def said(
    current_ma: Floats,
    full_v: float = 4.5,
    end_v: float = 3.9,
    events: Sequence[Event] = (),
    modes_ma: Sequence[float] = (),
    row_s: float = ROW_S,
) -> Lifetime:
    """Of three alkaline AA that sink in a straight line, 0.1 V higher where nothing is drawn."""
    time_s = row_s * np.arange(1, len(current_ma) + 1)
    volts = np.linspace(full_v, end_v, len(time_s)) + 0.1 * (current_ma < 20)
    watch = LifetimeWatch(VEST, 2.4, 10.0, modes_ma=modes_ma)
    watch.add(time_s, volts, current_ma)
    return watch.now(events, ended=True)


def steady(hours: float, seed: int = 1) -> tuple[Floats, Floats]:
    """Times, and 100 mA with a little noise."""
    time_s = ROW_S * np.arange(1, round(hours * H / ROW_S) + 1)
    noise: Floats = np.random.default_rng(seed).normal(0, 1, len(time_s))
    return np.asarray(time_s, np.float64), 100 + noise


def cycles(
    from_s: float, until_s: float, off_s: float, on_s: float, jitter: float, seed: int = 3
) -> list[tuple[float, float]]:
    rng = np.random.default_rng(seed)
    spans, at = [], from_s
    while at < until_s:
        long = off_s * (1 + jitter * rng.uniform(-1, 1))
        spans.append((at, at + long))
        at += long + on_s * (1 + jitter * rng.uniform(-1, 1))
    return spans


@pytest.mark.parametrize("from_s", [0.7 * H, 2 * H])
def test_heat_that_comes_and_goes_on_a_good_pack_is_an_end(from_s: float) -> None:
    """A thermal shutdown has a hysteresis and so time constants of its own; it needs to warm up first."""
    time_s, current = steady(5)
    spans = cycles(from_s, 4.9 * H, 70.0, 300.0, 0.15)
    found = said(np.where(off_in(spans)(time_s), 0.5, current))
    assert found.end is End.BACK
    assert found.time.value == pytest.approx(from_s, abs=2 * ROW_S)
    assert "switches itself off and on" in found.evidence


def test_by_a_clock_it_may_be_its_programme() -> None:
    time_s, current = steady(5)
    spans = cycles(2 * H, 4.9 * H, 70.0, 300.0, 0.0)
    found = said(np.where(off_in(spans)(time_s), 0.5, current))
    assert found.end in (End.UNSURE, End.RUNNING)


def test_several_long_losses_are_a_hand_or_the_piece() -> None:
    """Lengths that differ by factors, and at it to the end: both times are given."""
    spans = [(1.3 * H, 1.3 * H + 400), (2.9 * H, 2.9 * H + 45), (4.1 * H, 4.1 * H + 1300)]
    time_s, current = steady(5)
    found = said(np.where(off_in(spans)(time_s), 0.0, current))
    assert found.end is End.UNSURE
    assert [item.end for item in found.readings] == [End.BACK, End.RUNNING]
    assert found.least_s == pytest.approx(1.3 * H, abs=2 * ROW_S)
    assert "a hand, or the piece itself" in found.evidence


def test_a_fuse_trips_after_more_was_drawn_than_ever() -> None:
    """A resettable fuse holds a small current until the power is cycled (data sheets; from memory)."""
    time_s, current = steady(4)
    at_s = 2.5 * H
    surge = np.where((time_s > at_s - 20) & (time_s <= at_s), 1.7, 1.0) * current
    for held_ma in (8.0, 18.0):
        found = said(np.where(time_s > at_s, held_ma, surge))
        assert found.end is End.DARK
        assert found.time.value == pytest.approx(at_s, abs=2 * ROW_S)
        assert "a fuse" in found.evidence
    calm = said(np.where(time_s > at_s, 18.0, current))
    assert calm.end is End.UNSURE
    marked = [Event(at_s + 3, "mark", "dimmed it")]
    assert said(np.where(time_s > at_s, 18.0, current), events=marked).end is End.RUNNING


def test_a_charger_that_pulses_from_the_first_minute_is_no_row_of_restarts() -> None:
    """A buffered piece draws in pulses, also on a nearly empty pack; it ends when they stop."""
    time_s, current = steady(4)
    pulsing = np.where(time_s % 40.0 < 16.0, 2 * current, 1.0)
    assert said(pulsing, 3.4, 3.1).end is End.RUNNING
    found = said(np.where(time_s < 3 * H, pulsing, 0.1), 3.4, 3.1)
    assert found.end is End.DARK
    assert found.time.value == pytest.approx(3 * H, abs=60)


def test_a_mode_that_the_budget_knows_is_not_dark() -> None:
    time_s, current = steady(5)
    parked = off_in([(2.2 * H, 2.6 * H), (3.0 * H, 3.1 * H), (3.9 * H, 6 * H)])
    rows = np.where(parked(time_s), 6.0, current)
    assert said(rows).end is End.UNSURE
    assert said(rows, modes_ma=[6.2]).end is End.RUNNING
    assert said(rows, modes_ma=[0.02]).end is End.UNSURE
    low = said(rows, 3.3, 3.0, modes_ma=[6.2])
    assert low.end is End.UNSURE
    assert "that the budget knows" in low.evidence


def test_a_recorded_run_heeds_the_modes_in_its_description() -> None:
    """What the recording was told holds for every screen: rundown and forecast ask the same function."""
    parked = off_in([(2.2 * H, 2.6 * H), (3.0 * H, 3.1 * H), (3.9 * H, 6 * H)])
    run = board_run(
        lambda t: 4.5 - 0.6 * t / (5 * H) + 0.1 * parked(t),
        lambda t: np.where(parked(t), 6.0, 100.0), 5 * H, ROW_S, pack=VEST,
    )  # fmt: skip
    assert rundown(run, 2.4, 10.0).lifetime.end is End.UNSURE
    told = replace(run, description=replace(run.description, modes_ma=(6.2,)))
    assert rundown(told, 2.4, 10.0).lifetime.end is End.RUNNING


def sleepy(hours: float, until_s: float, pause_s: float = 60.0) -> Floats:
    """A node asleep at 0.02 mA, whose bursts of 60 mA for 0.1 s are means of rows of 5 s; steps of 0.1 mA, 16 readings a row."""
    time_s = 5.0 * np.arange(1, round(hours * H / 5.0) + 1)
    noise = np.random.default_rng(5).normal(0, 0.02, len(time_s))
    burst = (time_s % pause_s == 30.0) & (time_s < until_s)
    return np.asarray(np.abs(np.round((0.08 + noise + 1.2 * burst) * 160) / 160))


@pytest.mark.slow
def test_a_sleepy_sensor_whose_bursts_stop_is_dead() -> None:
    alive = said(sleepy(6, 9 * H), 3.4, 3.1, row_s=5.0)
    assert alive.end is End.RUNNING
    dead = said(sleepy(6, 4 * H), 3.4, 3.1, row_s=5.0)
    assert dead.end is End.DARK
    assert dead.time.value == pytest.approx(4 * H, abs=90)
    assert "bursts" in dead.evidence
    assert said(sleepy(6, 4 * H), 4.5, 4.0, row_s=5.0).end is End.UNSURE
    told = [Event(4 * H + 20, "mark", "switched off")]
    assert said(sleepy(6, 4 * H), 3.4, 3.1, told, row_s=5.0).end is End.RUNNING
    slower = np.concatenate([sleepy(3, 9 * H), sleepy(3, 9 * H, 300.0)])
    assert said(slower, 3.4, 3.1, row_s=5.0).end is End.RUNNING
