"""Numbers with units as people type them."""

import click
import pytest
from click.testing import CliRunner

from analysis.commands.flex import flex
from analysis.flex.terminal import PERCENT
from logger.base.measures import CELSIUS_OF_BENCH, MAH_ABOVE_0, VOLTS, VOLTS_ABOVE_0, Measure


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
    ],
)
def test_what_cannot_be_meant_is_refused(measure: Measure, typed: str, told: str) -> None:
    with pytest.raises(click.BadParameter, match=told):
        measure.convert(typed, None, None)


def test_a_shape_that_is_no_number_never_reaches_the_result() -> None:
    result = CliRunner().invoke(flex, ["plan", "--cycles", "400", "--shape", "nan"])
    assert result.exit_code == 2
    assert "'nan' is not understood" in result.output
