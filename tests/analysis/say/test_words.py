"""Lists of names in a sentence; how long it lasted."""

import pytest

from analysis.doubt.quantity import Quantity
from analysis.say.words import and_words, lasting_words


@pytest.mark.parametrize(
    ("names", "said"),
    [(["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")],
)
def test_names_in_a_sentence(names: list[str], said: str) -> None:
    assert and_words(names) == said


def test_names_with_commas_take_semicolons() -> None:
    assert and_words(["1, 2", "3", "4"], "; ") == "1, 2; 3 and 4"


@pytest.mark.parametrize(
    ("value_s", "need_s", "words"),
    [
        (26851.0, 27000.0, "7 h 28 min"),
        (27229.0, None, "7 h 34 min"),
        (26985.0, 27000.0, "7 h 29 min 45 s"),
        (27000.0, 27000.0, "7 h 30 min"),
        (754.0, 27000.0, "12 min 34 s"),
    ],
)
def test_how_long_it_lasted_is_said_to_the_minute_unless_that_is_the_need(
    value_s: float, need_s: float | None, words: str
) -> None:
    """In a list "7 h 30 min of 7 h 30 min needed: no" would be nonsense."""
    assert lasting_words(Quantity(value_s, "s", value_s - 1, value_s + 1, 0.95), need_s) == words
