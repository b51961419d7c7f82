"""Lists of names in a sentence."""

import pytest

from analysis.say.words import and_words


@pytest.mark.parametrize(
    ("names", "said"),
    [(["a"], "a"), (["a", "b"], "a and b"), (["a", "b", "c"], "a, b and c")],
)
def test_names_in_a_sentence(names: list[str], said: str) -> None:
    assert and_words(names) == said


def test_names_with_commas_take_semicolons() -> None:
    assert and_words(["1, 2", "3", "4"], "; ") == "1, 2; 3 and 4"
