"""A lifetime out of its own JSON, and its two readings in words."""

from dataclasses import replace

import pytest

from analysis.doubt.quantity import Quantity
from analysis.run.ending.ends import End, Lifetime, Reading


def test_a_lifetime_comes_back_from_its_json() -> None:
    for life in (
        Lifetime(
            End.CUTOFF, Quantity(3600.0, "s", 3590.0, 3610.0, 0.95), 4000.0, "held", reboots=2
        ),
        Lifetime(
            End.UNSURE,
            Quantity(None, "s", lower=1800.0),
            4000.0,
            "dark or off",
            (Reading(End.DARK, 1800.0), Reading(End.OFF, None)),
        ),
    ):
        back = Lifetime.from_json(life.as_json(), life.seen_s)
        assert back == life


@pytest.mark.parametrize(
    ("readings", "told"),
    [
        (((End.BACK, 14_580.0), (End.CUTOFF, 21_240.0)), "4 h 3 min or 5 h 54 min"),
        (((End.REBOOTS, 27_000.0), (End.RUNNING, None)), "7 h 30 min or longer"),
        (((End.BACK, 3600.0), (End.CUTOFF, 7200.0), (End.RUNNING, None)), "1 h or 2 h or longer"),
        (((End.DARK, 3600.0), (End.OFF, None)), ""),
        (((End.BACK, 3600.0), (End.DARK, 5400.0), (End.CUTOFF, 7200.0)), ""),
    ],
)
def test_two_readings_are_told_by_their_times(
    readings: tuple[tuple[End, float | None], ...], told: str
) -> None:
    unsure = Quantity(None, "s", lower=readings[0][1], note="why")
    life = Lifetime(End.UNSURE, unsure, 28_800.0, "why", tuple(Reading(*each) for each in readings))
    assert life.either == told
    assert replace(life, end=End.BACK).either == ""
