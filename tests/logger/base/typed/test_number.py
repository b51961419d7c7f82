"""Signs of thousands and decimals in the habits of six languages (Unicode CLDR, number formats: from memory)."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from logger.base.typed.number import TwoReadings, number_text, read_number, read_signed
from logger.base.typed.pack_words import read_pack_words
from logger.base.typed.signs import plain_signs
from logger.base.typed.spans import read_span


@pytest.mark.parametrize(
    ("typed", "number"),
    [
        ("1.000,5", 1000.5), ("1,000.5", 1000.5), ("1 000,5", 1000.5), ("1'000.5", 1000.5), ("1\u2009000", 1000.0), ("1\u202f000\u202f000", 1e6),
        ("1.000.000", 1e6), ("1,000,000", 1e6), ("4,80", 4.8), ("4.8000", 4.8), ("0.800", 0.8), (".800", 0.8), ("1234.567", 1234.567),
        ("4.800e3", 4800.0), ("1 250,000", 1250.0), ("1'250.000", 1250.0), ("1 250.00", 1250.0), ("\u0664\u066b\u0665", 4.5), ("\uff14.\uff15", 4.5),
    ],
)  # fmt: skip
def test_numbers_with_one_reading(typed: str, number: float) -> None:
    assert read_number(plain_signs(typed)) == pytest.approx(number)


@pytest.mark.parametrize("typed", ["4.800", "4,800", "12.345", "999,000"])
def test_three_digits_behind_the_only_sign_are_two_readings(typed: str) -> None:
    with pytest.raises(TwoReadings) as two:
        read_number(typed)
    assert two.value.thousands == pytest.approx(1000 * two.value.decimal)
    assert read_number(typed, lambda value: value < 1000) == two.value.decimal
    for offered in two.value.words.split(" or "):
        assert read_number(offered) in (two.value.thousands, two.value.decimal)


@pytest.mark.parametrize("typed", ["1 250.000", "1'250,000"])
def test_three_digits_behind_a_strange_sign_may_be_one_more_group(typed: str) -> None:
    with pytest.raises(TwoReadings, match="1250000 or 1250"):
        read_number(typed)
    assert read_number(typed, lambda value: value < 10_000) == 1250.0


def test_two_readings_pass_through_a_with() -> None:
    @contextmanager
    def passing() -> Iterator[None]:
        yield

    with pytest.raises(TwoReadings), passing():
        read_number("4.800")


@pytest.mark.parametrize("typed", ["", "1 0000", "1,00,000", "1.000.00", "4.800,", "1.2.3", "10²", "1_000", "--1", "x"])  # fmt: skip
def test_what_is_no_number(typed: str) -> None:
    assert read_signed(typed) is None


def test_minus_signs_of_all_kinds() -> None:
    for minus in "-\u2212\u2010\u2013\uff0d":
        assert read_signed(f"{minus}5,5") == -5.5


def test_a_number_for_a_command_has_one_reading() -> None:
    assert (number_text(1.234), number_text(2.7), number_text(4800.0)) == ("1.2340", "2.7", "4800")


@pytest.mark.parametrize("part", ["9", "1 ", "1.000", "6h", "AA ", "1/"])
def test_what_nobody_types_is_refused_at_once(part: str) -> None:
    typed = part * 5000
    assert read_signed(typed) is None
    with pytest.raises(ValueError, match="length of time"):
        read_span(typed)
    assert read_pack_words(typed) is None
