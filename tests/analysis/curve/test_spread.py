"""Many runs as a heap: which are odd, which are as long as the longest, what holds for several together."""

import numpy as np
import pytest

from analysis.curve.spread import DREW, LASTED, MANY, chance_of, holm, odd_by, outliers
from analysis.doubt.quantity import Quantity


def times(hours: list[float], half_s: float = 120.0) -> list[Quantity]:
    return [Quantity(3600 * h, "s", 3600 * h - half_s, 3600 * h + half_s, 0.95) for h in hours]


SOUND = [6.1, 6.3, 6.4, 6.5, 6.5, 6.6, 6.7, 6.9]


def test_one_far_off_is_named_with_the_others_range() -> None:
    (found,) = odd_by(LASTED, times([*SOUND, 3.8])) or []
    assert found.number == 8
    assert found.others == (6.1 * 3600, 6.9 * 3600)
    assert found.words("A") == "A lasted 3 h 48 min, the others 6 h 6 min to 6 h 54 min"


def test_sound_ones_and_too_few_name_nobody() -> None:
    assert odd_by(LASTED, times(SOUND)) == []
    assert odd_by(LASTED, times([*SOUND[: MANY - 2], 1.0])) is None


def test_a_difference_that_nobody_minds_is_not_odd() -> None:
    """4 % off, although the others agree to a minute."""
    assert odd_by(LASTED, times([6.0, 6.01, 6.0, 6.02, 6.01, 6.0, 6.0, 6.25])) == []


def test_what_the_measurement_may_be_off_makes_nobody_odd() -> None:
    """The others agree by chance: 8 % off is nothing where each is known to 10 %."""
    draws = [Quantity(100 + x, "mA", 90 + x, 110 + x, 0.95) for x in (0, 0.1, 0, 0.1, 0, 0.1, 0, 8.0)]  # fmt: skip
    assert odd_by(DREW, draws) == []
    sharp = [Quantity(q.value, "mA", (q.value or 0) - 1, (q.value or 0) + 1, 0.95) for q in draws]
    assert [item.number for item in odd_by(DREW, sharp) or []] == [7]


def test_a_third_that_is_odd_does_not_hide_itself() -> None:
    """The median stands while fewer than half are off."""
    found = odd_by(LASTED, times([*SOUND, 3.0, 3.1, 3.2]))
    assert [item.number for item in found or []] == [8, 9, 10]


# SOURCES.md F4, from memory: three outliers at 5 %.
ROSNER = (
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70,
    1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40,
    2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
)  # fmt: skip


def test_the_handbooks_outliers_are_found() -> None:
    """The first two alone would not pass: 6.01, 5.42 and 5.34 hide each other."""
    assert [ROSNER[place] for place in outliers(ROSNER, 0.05)] == [6.01, 5.42, 5.34]


@pytest.mark.parametrize(
    ("chances", "clear"),
    [
        # Step down (SOURCES.md F5, from memory), level 0.05 of four: 0.0125, 0.0167, 0.025, 0.05.
        ([0.01, 0.04, 0.03, 0.005], [True, False, False, True]),
        ([0.012, 0.016, 0.024, 0.049], [True, True, True, True]),
        ([0.013, 0.001], [True, True]),
        ([0.2], [False]),
    ],
)
def test_holm_steps_down(chances: list[float], clear: list[bool]) -> None:
    assert holm(chances) == clear


def test_by_chance_alone_one_class_in_twenty_has_a_clear_difference() -> None:
    """29 differences without a cause: each by itself is clear in 1 of 20, all together by Holm as well."""
    rng = np.random.default_rng(20)
    off = rng.standard_normal((800, 29)) / 1.959964  # in halves of a 95 % interval
    named = [any(holm([chance_of(float(x), 1.0) for x in row])) for row in off]
    assert np.mean(np.abs(off) > 1.0) == pytest.approx(0.05, abs=0.006)
    assert np.mean(named) <= 0.07
