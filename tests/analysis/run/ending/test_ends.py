"""A lifetime out of its own JSON."""

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
