"""A dip that comes back is a contact's; a rest, a fresh pack and a lighter load are not."""

import numpy as np
import numpy.typing as npt
import pytest

from analysis.run.ending.cutoff_watch import CutoffWatch
from analysis.run.lifetime import End
from analysis.run.rundown import rundown
from tests.support.runs_by_formula import board_run

Floats = npt.NDArray[np.float64]
STEP_S = 2.0
TIME_S: Floats = STEP_S * np.arange(1, 9001, dtype=np.float64)  # five hours
END_S = 18000.0
FALLING_V = 4.5 - TIME_S / 1e4  # 3.0 V after 15,000 s


def watched(
    volts: npt.ArrayLike, current_ma: npt.ArrayLike = 100.0, rows: int = 9000
) -> CutoffWatch:
    volts, current = np.asarray(volts), np.broadcast_to(current_ma, TIME_S.shape)
    watch = CutoffWatch(3.0, 30.0, 0.0, windowed=True)
    for first in range(0, len(TIME_S), rows):
        part = slice(first, first + rows)
        watch.add(TIME_S[part], volts[part], current[part])
    return watch


@pytest.mark.slow
@pytest.mark.parametrize("long_s", [90.0, 600.0])
@pytest.mark.parametrize("rows", [1, 313, 9000])
def test_a_long_dip_is_left_out(long_s: float, rows: int) -> None:
    until_s = 8000 + long_s
    dip = (TIME_S > 8000) & (np.abs(TIME_S - 8000) <= long_s)
    watch = watched(FALLING_V - 1.5 * dip, rows=rows)
    assert watch.crossed_s() == pytest.approx(15000, abs=2)
    assert np.array(watch.dips) == pytest.approx(np.array([(8000, until_s)]), abs=2 * STEP_S)


@pytest.mark.slow
@pytest.mark.parametrize("long_s", [90.0, 600.0])
def test_rundown_leaves_it_out_as_well(long_s: float) -> None:
    run = board_run(
        lambda t: 4.5 - t / 1e4 - 1.5 * ((t > 8000) & (t <= 8000 + long_s)),
        lambda t: np.full(t.shape, 100.0),
        17000,
        STEP_S,
    )
    result = rundown(run, 3.0, 30.0)
    assert result.cutoff_time.value == pytest.approx(15000, abs=3)
    assert result.lifetime.end is End.CUTOFF
    assert result.lifetime.time == result.cutoff_time


def test_what_is_the_cutoff_although_the_voltage_rose_again() -> None:
    low = (TIME_S > 8000) & (TIME_S <= 8600)
    for volts, current in (
        (FALLING_V - 1.5 * low, 100.0 + 150 * low),  # a heavier load
        (FALLING_V - 1.5 * low, 100.0 - 60 * (TIME_S > 8600)),  # a lighter one afterwards
        (FALLING_V - 1.5 * low + 0.8 * (TIME_S > 8600), 100.0),  # a fresh pack
        (FALLING_V - 1.5 * (TIME_S > 8000), 100.0),  # it never came back
    ):
        assert watched(volts, current).crossed_s() == pytest.approx(8000, abs=2 * STEP_S)
    # Slowly to the cutoff and under it, off for a while, and back at once under load.
    slow = np.interp(TIME_S, [0, 8000, 8700, 8701, 9000, 9001, 20000], [4.5, 3.02, 2.6, 3.3, 3.3, 3.02, 2.9])  # fmt: skip
    off = (TIME_S > 8700) & (TIME_S <= 9000)
    found = watched(slow, 100.0 * ~off).crossed_s()
    assert found is not None
    assert found < 8100


def test_the_end_of_the_rows_is_asked_for() -> None:
    """While rows come, a fall counts when it was held; when no more will come, two rows are a fall."""
    volts = np.where(TIME_S > END_S - 7, 2.9, 3.5)
    watch = watched(volts)
    assert watch.crossed_s() is None
    assert watch.crossed_s(ended=True) == pytest.approx(END_S - 7, abs=STEP_S)
    one = watched(np.where(TIME_S >= END_S, 2.9, 3.5))
    assert one.crossed_s(ended=True) is None


def test_memory_does_not_grow() -> None:
    watch = CutoffWatch(3.0, 30.0, 0.0, windowed=True)
    flicker = np.where(TIME_S % 20 < 8, 2.9, 3.3)
    watch.add(TIME_S, flicker, np.full(len(TIME_S), 100.0))
    assert watch.crossed_s() is None
    assert watch._recent.shape[1] + watch._after.shape[1] <= 62


@pytest.mark.slow
@pytest.mark.parametrize("remnant_v", [0.3, 1.0, 1.4])
@pytest.mark.parametrize("rows", [1, 9000])
def test_terminals_behind_a_protection_that_tripped_are_no_cutoff(
    remnant_v: float, rows: int
) -> None:
    """A lithium cell's protection leaves a remnant at the terminals; the draw is gone, and so is the voltage."""
    off = TIME_S > 8000
    volts, current = np.where(off, remnant_v, FALLING_V), np.where(off, 0.4, 100.0)
    assert watched(volts, current, rows).crossed_s() is None
    assert watched(volts, 100.0, rows).crossed_s() is not None or remnant_v < 0.45
