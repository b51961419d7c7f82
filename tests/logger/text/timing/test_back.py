"""A count that goes back: a restart only where it plainly is one."""

import numpy as np
import pytest

from logger.text.question import Question
from logger.text.timing.back import Clock, straighten


def _times(last: float, back_to: float, first: float = 0.0) -> np.ndarray:
    return np.concatenate((np.arange(first, last + 1), back_to + np.arange(40.0)))


@pytest.mark.parametrize(("last", "back_to"), [(14, 8), (14, 8.5), (30, 4), (99, 6), (360, 19)])
def test_a_little_back_near_the_start_is_asked(last: float, back_to: float) -> None:
    with pytest.raises(Question, match="goes back"):
        straighten(_times(last, back_to), 1.0, Clock())


@pytest.mark.parametrize(
    ("last", "back_to", "first"), [(14, 0, 0), (14, 1, 0), (14, 9, 8), (200, 9, 0), (3000, 19, 0)]
)
def test_as_the_file_began_or_far_back_is_a_restart(
    last: float, back_to: float, first: float
) -> None:
    time_s = _times(last, back_to, first)
    made = straighten(time_s, 1.0, Clock())
    assert made.boot[-1] == 1
    assert (np.diff(made.time_s) == 1.0).all(), "one usual step was put in"
    assert "how long it stood is not known" in made.events[0].text


def test_what_the_user_said_goes_before() -> None:
    assert straighten(_times(14, 8), 1.0, Clock(back="restart")).boot[-1] == 1
