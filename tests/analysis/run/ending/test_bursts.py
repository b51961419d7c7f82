"""Rarer is not stopped: a sensor that sends ever more rarely runs, one that sends no more does not."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from analysis.run.asked import cutoff_of
from analysis.run.lifetime import End, Lifetime
from analysis.run.rundown import rundown
from logger.run.description import Stop
from tests.support.runs_by_formula import VEST, board_run

Floats = npt.NDArray[np.float64]
H = 3600.0
STEP_S = 5.0
BURST_S = 10.0


def bursts_at(paces: Sequence[tuple[float, float]], end_s: float) -> Floats:
    """Times of bursts; ``paces``: from when on (s), and the time between two (s)."""
    found, at_s = [], 30.0
    while at_s < end_s:
        found.append(at_s)
        at_s += [every_s for from_s, every_s in paces if from_s <= at_s][-1]
    return np.array(found)


def sensor(starts_s: Floats, hours: float, from_v: float, burst_s: float = BURST_S) -> Lifetime:
    """A sensor that bursts to 60 mA at these times, on a pack that falls by 0.05 V an hour."""

    def burst(time_s: Floats) -> npt.NDArray[np.bool_]:
        since_s = time_s - starts_s[np.maximum(np.searchsorted(starts_s, time_s) - 1, 0)]
        return (since_s > 0) & (since_s <= burst_s)

    run = board_run(
        lambda t: from_v - 0.05 * t / H - 0.1 * burst(t),
        lambda t: np.where(burst(t), 60.0, 0.4 + 0.01 * np.sin(t)),
        hours * H,
        STEP_S,
    )
    run = replace(run, description=replace(run.description, pack=VEST, stop=Stop(2.4, 10.0)))
    return rundown(run, *cutoff_of(run, None, None)).lifetime


SLOWER = ((0.0, 60.0), (2 * H, 300.0), (4 * H, 900.0), (6 * H, 2400.0))


@pytest.mark.parametrize("from_v", [4.5, 3.6])
@pytest.mark.parametrize("hours", [2.07, 4.2, 6.6, 12.0])
def test_rarer_is_not_stopped(from_v: float, hours: float) -> None:
    """Nearly empty (3.6 V and falling) as well as full: a programme's pace keeps a clock's time."""
    found = sensor(bursts_at(SLOWER, hours * H), hours, from_v)
    assert found.end is End.RUNNING
    assert found.dimmed.value is None
    if hours > 4:
        assert "more rarely" in found.evidence


@pytest.mark.parametrize("from_v", [4.5, 3.6])
def test_stopped_is_said_after_several_of_the_longest_intervals(from_v: float) -> None:
    died_s = 5.5 * H
    starts_s = bursts_at(SLOWER[:3], died_s)
    soon, late = (sensor(starts_s, hours, from_v) for hours in (6.0, 9.0))
    assert soon.end is End.RUNNING
    assert late.end is (End.UNSURE if from_v > 4 else End.DARK)
    assert starts_s[-1] <= late.least_s <= starts_s[-1] + 900  # before the next was due


def test_pauses_after_which_the_old_pace_is_back_are_no_slower_pace() -> None:
    """Nearly empty, off for twenty minutes again and again, then the usual bursts: it gives up and comes back."""
    every = bursts_at([(0.0, 60.0)], 8 * H)
    off = np.zeros(every.shape, dtype=bool)
    for n, extra in enumerate([0.0, 170.0, -110.0, 230.0, -190.0]):
        begin_s = (4 + 0.75 * n) * H + extra
        off |= (every > begin_s) & (every < begin_s + 1200 + extra / 2)
    assert sensor(every[~off], 8.0, 3.6, 20.0).end is End.BACK
