"""Numbers with units as people type them."""

import click
import pytest
from click.testing import CliRunner

from analysis.commands.flex import flex
from analysis.flex.terminal import PERCENT
from logger.base.measures import (
    CELSIUS_OF_BENCH,
    MAH_ABOVE_0,
    MILLIAMPERES,
    OHMS_ABOVE_0,
    PERCENT_ABOVE_0,
    VOLTS,
    VOLTS_ABOVE_0,
    Measure,
    whole_number,
)


@pytest.mark.parametrize(
    ("measure", "typed", "expected"),
    [
        (VOLTS, "2.7", 2.7),
        (VOLTS, "2.7V", 2.7),
        (VOLTS, "2,7 V", 2.7),
        (VOLTS, "2700mV", 2.7),
        (VOLTS, "-1", -1.0),
        (VOLTS, "27e-1", 2.7),
        (VOLTS, "3,000", 3.0),  # no wearable has 3000 V
        (MAH_ABOVE_0, "2.5Ah", 2500.0),
        (MAH_ABOVE_0, "2500 mAh", 2500.0),
        (CELSIUS_OF_BENCH, "21°C", 21.0),
        (PERCENT, "90 %", 90.0),
        (PERCENT, "90 percent", 90.0),
        (PERCENT, "0,9 Prozent", 0.9),
    ],
)
def test_typed_numbers_are_read(measure: Measure, typed: str, expected: float) -> None:
    assert measure.convert(typed, None, None) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("measure", "typed", "told"),
    [
        (VOLTS, "2.7A", "2700mV"),
        (VOLTS, "nan", "not understood"),
        (VOLTS, "inf", "not understood"),
        (VOLTS, "", "not understood"),
        (VOLTS, "1e999", "not above"),
        (VOLTS_ABOVE_0, "0", "not above 0 V"),
        (VOLTS_ABOVE_0, "-2.7", "not above 0 V"),
        (CELSIUS_OF_BENCH, "300", "from -40 to 85"),
        (PERCENT, "0.9", "write 90"),
        (PERCENT, "½", "write 50"),
    ],
)
def test_what_cannot_be_meant_is_refused(measure: Measure, typed: str, told: str) -> None:
    with pytest.raises(click.BadParameter, match=told):
        measure.convert(typed, None, None)


@pytest.mark.parametrize("typed", ["4.800", "4,800"])
def test_bends_that_may_be_thousands_reach_no_verdict(typed: str) -> None:
    """Was read as five bends, and the verdict was "shown"."""
    for command in (["life", "joints.csv"], ["plan"]):
        result = CliRunner().invoke(flex, [*command, "--cycles", typed])
        assert result.exit_code == 2
        assert f"'{typed}' may be 4800 or 4.8" in result.output


def test_of_two_readings_the_one_near_the_sensor_is_meant() -> None:
    assert MILLIAMPERES.near(4.7).convert("4.812", None, None) == 4.812
    assert MILLIAMPERES.near(4700.0).convert("4.812", None, None) == 4812.0
    with pytest.raises(click.BadParameter, match=r"4812 or 4\.8120"):
        MILLIAMPERES.convert("4.812", None, None)
    assert MILLIAMPERES.last_place("101,3 mA") == pytest.approx(0.1)
    assert MILLIAMPERES.last_place("0.05A") == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("measure", "typed", "expected"),
    [
        (OHMS_ABOVE_0, "0R1", 0.1), (OHMS_ABOVE_0, "4k7", 4700.0), (OHMS_ABOVE_0, "1Mohm", 1e6), (OHMS_ABOVE_0, "100 mΩ", 0.1),
        (VOLTS, "3V3", 3.3), (MAH_ABOVE_0, "2.500 Ah", 2500.0), (MAH_ABOVE_0, "1 000", 1000.0), (PERCENT_ABOVE_0, "±0,5 %", 0.5),
        (CELSIUS_OF_BENCH, "70 °F", 21.111), (MILLIAMPERES, "½ A", 500.0), (MILLIAMPERES, "2½", 2.5), (VOLTS, "2,7 V DC", 2.7), (MAH_ABOVE_0, "2450 mA·h", 2450.0),
        (MAH_ABOVE_0, "2.2 A·h", 2200.0), (MAH_ABOVE_0, "850 milliamp hours", 850.0), (OHMS_ABOVE_0, "50 milliohms", 0.05), (OHMS_ABOVE_0, "50'000 µΩ", 0.05),
    ],
)  # fmt: skip
def test_units_of_the_trade(measure: Measure, typed: str, expected: float) -> None:
    assert measure.convert(typed, None, None) == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(
    ("measure", "typed"),
    [
        (MILLIAMPERES, "2½0"),
        (CELSIUS_OF_BENCH, "½0"),
        (OHMS_ABOVE_0, "2200½0 mΩ"),
        (VOLTS, "2½,5 V"),
        (OHMS_ABOVE_0, "1000m5"),
    ],
)
def test_digits_glued_behind_a_fraction_are_no_number(measure: Measure, typed: str) -> None:
    """Was 2 and 1/20."""
    with pytest.raises(click.BadParameter, match="not understood"):
        measure.convert(typed, None, None)


def test_a_count_is_whole() -> None:
    assert whole_number("5", 1).convert("4 800", None, None) == 4800
    with pytest.raises(click.BadParameter, match="no whole number"):
        whole_number("5", 1).convert("4.8", None, None)


def test_a_shape_that_is_no_number_never_reaches_the_result() -> None:
    result = CliRunner().invoke(flex, ["plan", "--cycles", "400", "--shape", "nan"])
    assert result.exit_code == 2
    assert "'nan' is not understood" in result.output
