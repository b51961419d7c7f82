"""Mode changes found and missed, and which mode a stretch belongs to."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

from analysis.budget.modes import Segment, assign_modes, find_changes_s, segments

Array = npt.NDArray[np.float64]


def _programme(
    rng: np.random.Generator, hours: float, window_s: float
) -> tuple[Array, Array, Array]:
    """A night of random modes behind a booster (drift of 50 %), window means with a change inside a window."""
    rows = int(hours * 3600 / window_s)
    time_s = np.arange(1, rows + 1, dtype=np.float64) * window_s
    changes = np.cumsum(rng.exponential(120, size=int(hours * 30)) + 8)
    changes = changes[changes < hours * 3600 - 10]
    levels = [rng.uniform(80, 160)]
    for _ in changes:
        step = rng.uniform(10, 60) * rng.choice([-1, 1])
        inside = 20 < levels[-1] + step < 300
        levels.append(levels[-1] + step if inside else levels[-1] - step)
    # Mean of a window in which the change falls: exact integral of the step function.
    edges = np.concatenate(([0.0], time_s))
    knots = np.concatenate(([0.0], changes, [hours * 3600 + 1]))
    area = np.concatenate(([0.0], np.cumsum(np.diff(knots) * np.array(levels))))
    current_ma = np.diff(np.interp(edges, knots, area)) / window_s
    drift = np.linspace(1, 1.5, rows)
    return time_s, (current_ma * drift).astype(np.float64), changes.astype(np.float64)


@pytest.mark.slow
@pytest.mark.parametrize(("window_s", "hours"), [(1.0, 12.0), (0.1, 6.0)])
def test_changes_of_10_ma_are_found_within_a_second(window_s: float, hours: float) -> None:
    rng = np.random.default_rng(1)
    missed = total = false = 0
    for _ in range(5):
        time_s, current_ma, truth = _programme(rng, hours, window_s)
        found = find_changes_s(
            time_s, np.round(current_ma + rng.normal(0, 0.4, time_s.size), 1).astype(np.float64)
        )
        apart = np.abs(found[:, None] - truth[None, :])
        missed += int((apart.min(axis=0) > 1.0).sum())
        false += int((apart.min(axis=1) > 1.0).sum())
        total += truth.size
    assert missed / total <= 0.02
    assert false / (5 * hours) < 1.0


@pytest.mark.slow
def test_no_change_in_a_sagging_night_of_pulsed_leds() -> None:
    """Booster load that grows by half, LEDs pulsed at 25 % duty and beating with the windows: no false change."""
    rng = np.random.default_rng(3)
    time_s = np.arange(1, 12 * 3600 + 1, dtype=np.float64)
    beat = 4.0 * signal.square(2 * np.pi * time_s / 6.7, duty=0.25)
    current_ma = np.linspace(120, 180, time_s.size) + beat + rng.normal(0, 0.5, time_s.size)
    assert find_changes_s(time_s, current_ma).size <= 11


def test_exact_values_and_short_runs() -> None:
    time_s = np.arange(1.0, 41.0)
    current_ma = np.where(time_s <= 20, 50.0, 60.0)
    assert find_changes_s(time_s, current_ma) == pytest.approx([20.0])
    assert find_changes_s(time_s[:5], current_ma[:5]).size == 0
    with pytest.raises(ValueError, match="currents"):
        find_changes_s(time_s, current_ma[:-1])


def test_segments_and_their_modes() -> None:
    time_s = np.arange(1.0, 301.0)
    current_ma = np.select([time_s <= 100, time_s <= 200], [140.0, 40.0], 138.0)
    found = segments(time_s, current_ma, np.full(300, 4.0), find_changes_s(time_s, current_ma))
    assert [round(item.current_ma) for item in found] == [140, 40, 138]
    # Estimates 30 % low for every mode: still told apart.
    expected = {"ride": np.full(3, 100.0), "parked": np.full(3, 28.0)}
    given, unknown = assign_modes(found, expected)
    assert [len(given["ride"]), len(given["parked"]), len(unknown)] == [2, 1, 0]


def test_a_level_far_from_any_mode_is_left_unknown() -> None:
    odd = [
        Segment(0, 100, 100.0, 4.0, 0.1),
        Segment(100, 200, 30.0, 4.0, 0.1),
        Segment(200, 210, 400.0, 4.0, 0.1),
    ]
    given, unknown = assign_modes(odd, {"ride": np.full(3, 100.0), "parked": np.full(3, 30.0)})
    assert set(given) == {"ride", "parked"}
    assert unknown == [odd[2]]
